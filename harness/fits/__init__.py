"""Numerics that several analyses use: regressions, pulses, exponentials, swings."""
