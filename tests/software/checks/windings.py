"""Three windings of a magnet machine, each by itself: torque by simulated work, no two-axis formula and no factor 1.5.

The flux linkage of a phase is psi cos(p shaft - its axis); its current works against the change of that. Dead time is
what a bridge switched step by step lacks (tests/software/corrections/bridge.py). Nothing here is the harness's.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.software.corrections import bridge

Array = NDArray[np.float64]
RIG = (Path(__file__).parents[1] / "run" / "rig.toml").read_text(encoding="utf-8")
AXES = np.arange(3)[:, None] * 2.0 * np.pi / 3.0
FIELDS = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)[None, :]
"""Torques and currents are means over a turn of the field: what dead time makes of them has six bumps in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """Per phase of the star; `ohm` with one switch, `dead_share` dead time times carrier."""

    pole_pairs: int
    flux_v_s: float
    ohm: float
    dead_share: float = 0.0

    def _currents(self, amplitude: float, supply_v: float) -> Array:
        """Of the three phases at every field, A (3, n)."""
        applied = 0.5 * supply_v * amplitude * np.cos(FIELDS - AXES)
        lacks = bridge.missing_v(0.55, 1, supply_v, self.dead_share) if self.dead_share else 0.0
        at_terminals = applied - lacks * np.sign(applied)
        return np.asarray((at_terminals - at_terminals.mean(axis=0)) / self.ohm)

    def torque(self, behind_rad: float, amplitude: float, supply_v: float) -> float:
        """Of a shaft that stands `behind_rad` (mechanical) of where the field would have it without a load, N m."""
        rotor = FIELDS - self.pole_pairs * behind_rad
        change = -self.pole_pairs * self.flux_v_s * np.sin(rotor - AXES)
        return float(np.mean(np.sum(self._currents(amplitude, supply_v) * change, axis=0)))

    def largest_torque(self, amplitude: float, supply_v: float) -> float:
        """Over all places of the shaft."""
        quarter = np.pi / 2.0 / self.pole_pairs
        return max(self.torque(share * quarter, amplitude, supply_v) for share in np.linspace(0.9, 1.1, 21))

    def supply_a(self, amplitude: float, supply_v: float) -> float:
        """What the bridge draws: each phase's current while its upper switch is on."""
        duty = 0.5 + 0.5 * amplitude * np.cos(FIELDS - AXES)
        return float(np.mean(np.sum(duty * self._currents(amplitude, supply_v), axis=0)))

    def at_terminals_v(self, amplitude: float, source_v: float, source_ohm: float) -> float:
        """What is left of a source with resistance while this machine holds."""
        volts = source_v
        for _ in range(50):
            volts = source_v - source_ohm * self.supply_a(amplitude, volts)
        return volts


def changed(key: str, factor: float, text: str = RIG) -> str:
    """A rig file in which the value at a dotted key is `factor` times what it was; its tolerance goes with it."""
    section, _, name = key.rpartition(".")
    here, lines, hits = "", [], 0
    for line in text.splitlines():
        header = re.match(r"\[(.+?)\]", line)
        here = header[1] if header else here
        found = re.match(rf"({name} = .*value = )([\d.eE+-]+)(.*)", line) if here == section else None
        lines.append(f"{found[1]}{float(found[2]) * factor!r}{found[3]}" if found else line)
        hits += found is not None
    assert hits == 1, key
    return "\n".join(lines)
