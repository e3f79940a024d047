"""One bridge switched step by step through a carrier period: what its dead time does, without any formula for it."""

from __future__ import annotations

import numpy as np

STEPS = 10_000
DROP_V = 0.7


def missing_v(duty: float, sign: int, supply_v: float, dead_share: float) -> float:
    """Volts that a phase lacks on the mean; its current flows out of the bridge (`sign` 1) or into it (-1)."""
    high = np.arange(STEPS) < duty * STEPS
    before = np.roll(high, round(dead_share * STEPS))  # each switch closes so much later than the other one opens
    diode = -DROP_V if sign > 0 else supply_v + DROP_V
    terminal = np.where(high & before, supply_v, np.where(~high & ~before, 0.0, diode))
    return float(np.mean(high * supply_v - terminal))


def amplitude_lost(supply_v: float, dead_share: float) -> float:
    """What a field lacks along itself, in halves of the supply, on the mean of all its angles."""
    lacks = {sign: missing_v(0.55, sign, supply_v, dead_share) for sign in (1, -1)}
    along = []
    for angle in np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False):
        currents = np.cos(angle - 2.0 * np.pi / 3.0 * np.arange(3))
        along.append(2.0 / 3.0 * sum(lacks[1 if i > 0 else -1] * i for i in currents))
    return float(np.mean(along)) / (supply_v / 2.0)
