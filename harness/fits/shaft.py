"""The shaft's angle, from the counts of a sensor that begins anew with every turn."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.nouns.observation import Observation


def shaft_rad(observation: Observation, turn: int, zero_count: float) -> NDArray[np.float64]:
    """Reading in rad from `zero_count`, counted through (n), of a sensor with so many counts a turn."""
    counts = observation.si("count") - zero_count
    return np.asarray(np.unwrap((counts + turn / 2) % turn - turn / 2, period=turn) * math.tau / turn)
