"""What the check of states makes of its readings: two counts that should be 0."""

from __future__ import annotations

from collections.abc import Sequence

from harness.nouns.observation import Observation, observation_named
from harness.nouns.quantity import exact
from harness.nouns.results import Curve, Measurement, Unmeasured
from harness.rigfile import RigSpec


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """Live pins, and contradictions with the first of them as a note."""
    pins = observation_named(observations, f"{motor}.states.pins")
    lines = pins.texts("contradictions")
    counts = {"live_pins": float(pins.si("live_pins").sum()), "contradictions": float(len(lines))}
    notes = {"contradictions": "; ".join(lines)}
    return [
        Measurement(
            name=f"{motor}.states.{name}",
            quantity=exact(value, "1"),
            observations=(pins.name,),
            note=notes.get(name, ""),
        )
        for name, value in counts.items()
    ]


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """None: there is nothing to draw."""
    return []
