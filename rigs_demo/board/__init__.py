"""The simulated board: a genuine MicroPython interpreter in a process of its own, and what is wired to its pins."""
