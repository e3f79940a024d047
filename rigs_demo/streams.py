"""Streams of random numbers, each named by what it is for: one more moves none of the others."""

from __future__ import annotations

from random import Random

FROZEN = {"leaf": "gate"}
"""Words of a stream's name that stand for an older one: a seed draws what it drew before the motor had its name."""


def stream_of(name: str) -> Random:
    """The stream of that name (`run 1 leaf`, `plant 7 motor.wheel.inductance_h`), the same bits on every machine."""
    for word, older in FROZEN.items():
        name = name.replace(word, older)
    return Random(name)
