"""Conduct of the demo's firmwares: they do as they are told, whatever the plant's motors are."""

from __future__ import annotations

from rigs_demo.truth.bench import KnownBench, Truth, Values

AS_TOLD = (
    *("enable_missed", "shaft_held", "start", "following", "far", "brake", "trace", "passes_after_off"),
    "limit_missed",
)


def of_motor(_bench: KnownBench, _name: str) -> Values:
    """Of what is told exactly; a field has the amplitude that was asked for, and nothing is drawn after off."""
    return {
        **dict.fromkeys(AS_TOLD, (0.0, "1")),
        "field_amplitude": (1.0, "1"),
        "current_left": (0.0, "A"),
        "demand_growth": (0.0, "1"),
    }


TRUTH = Truth(of_motor=of_motor)
