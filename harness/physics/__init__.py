"""Formulas that several models use: motor, drive, loop, swing."""
