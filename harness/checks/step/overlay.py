"""The model over the curves of a step: each step's own motion, from where it began to where it was sent."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.checks.step import staircase as stairs
from harness.nouns.names import Name
from harness.physics.loop import lacking, loop_delay, shaft
from harness.physics.motor import known
from harness.rigfile import unstated
from harness.rigfile.unstated import COGGED_AMPLITUDE

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec

LAG = stairs.SHAFT.index("lag_s")


def overlay(
    curve: str, x: Sequence[float], begun: Mapping[str, float], spec: RigSpec, declared: Declared, motor: str
) -> list[tuple[float, float]] | None:
    """(share of the step, standard uncertainty) at times after a step that began so, for the curves of the step check.

    The width is the root mean square over draws of the inputs: friction ends a motion at once or a half cycle later,
    and a derivative says nothing of that.
    """
    delay = loop_delay(spec, motor)
    if Name(curve).quantity not in ("small", "large") or lacking(spec, motor) or delay is None:
        return None
    parts = shaft(spec, declared, motor)
    way_rad, arm_at = begun["way_rad"], begun["way"] * begun["place_rad"]

    def shares(values: tuple[float, ...]) -> NDArray[np.float64]:
        (motion,) = stairs.motions(values, (-way_rad,), arm_at)
        late = values[LAG] - parts["lag_s"].value + delay.value
        return np.array([1.0 + motion.at(max(0.0, t - late)) / way_rad for t in x])

    middle = shares(tuple(parts[name].value for name in stairs.SHAFT))
    random = np.random.default_rng(1)
    drawn = np.array([shares(stairs.draw(parts, random)[1]) for _ in range(stairs.TRIALS)])
    stated = spec.motor[motor].sensor.noise_rad
    noise = stated.value / way_rad if stated is not None else 0.0
    # What draws the shaft aside by as much as it has moved: the sensor's error, cogging, and the arm, which hung
    # anywhere that friction held it where the loop was closed.
    held = parts["friction"].value / math.sqrt(3.0) / (parts["loop"].value + parts["arm"].value) / way_rad
    gain = known(spec, motor, "gain_per_rad")["gain_per_rad"].value
    cogs = unstated.cogging_share(spec, motor) * COGGED_AMPLITUDE / gain / way_rad
    bent = unstated.eccentricity_rad(spec, motor)
    aside = math.hypot(held, bent / math.sqrt(2.0), cogs / math.sqrt(2.0))
    u = np.sqrt(np.mean((drawn - middle) ** 2, axis=0) + noise**2 + (aside * middle) ** 2)
    return [(float(value), float(width)) for value, width in zip(middle, u, strict=True)]
