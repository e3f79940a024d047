"""Where the arm rests: the mean of its readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.nouns.observation import Observation
from harness.nouns.quantity import repeats
from harness.nouns.results import Curve, Measurement, Unmeasured
from harness.rigfile import RigSpec


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The place, rad."""
    (still,) = observations
    place = repeats(still.si("count"), "rad", f"{motor}.rest readings")
    return [Measurement(name=f"{motor}.rest.place", quantity=place, observations=(still.name,))]


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Reading over time."""
    (still,) = observations
    points = np.column_stack((still.si("t") - still.si("t")[0], still.si("count")))
    return [
        Curve(
            name=f"{motor}.rest.still",
            title="Reading at rest",
            x_label="time",
            x_unit="s",
            y_label="reading",
            y_unit="rad",
            series={"reading": tuple((float(t), float(angle)) for t, angle in points)},
            joined=True,
        )
    ]
