"""Where an arm rests: at its hanging, friction aside."""

from __future__ import annotations

from rigs_demo.truth.bench import KnownBench, Truth, Values


def of_motor(bench: KnownBench, name: str) -> Values:
    """Values of one motor."""
    arm = bench.motor(name).arm
    return {} if arm is None else {"place": (arm.hang_reading_rad, "rad")}


TRUTH = Truth(of_motor=of_motor)
