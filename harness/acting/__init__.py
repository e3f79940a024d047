"""What several procedures use: a motor held and moved, a service of the board at work, the pins of a bridge."""
