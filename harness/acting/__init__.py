"""What several procedures use: a motor held and moved, a service of the board at work, how strong it may be."""
