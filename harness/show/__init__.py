"""Words and tables at the terminal."""
