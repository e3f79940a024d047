"""What runs on the board: MicroPython only, short, never the loop that is judged."""
