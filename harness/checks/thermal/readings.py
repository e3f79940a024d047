"""What was read while a winding was heated, as its resistance over time and as the loss that heated it.

Resistance of every look; between two looks the duties stand still but where they were set, so that the loss goes with
the square of what they leave to the winding. Off, no loss. Whatever the current did: nothing here takes it as held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.thermal.stimulus import CURRENT_A
from harness.corrections.dead_time import dead_share
from harness.fits.instrument_scatter import last_digit
from harness.fits.lags import Input, LevelRecord
from harness.nouns.array import Array
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec

APART_S = 5.0
"""Idle readings further apart than this are of two moments (arbitrary)."""
IDLE_TIMES_S = tuple(np.geomspace(4.0, 1000.0, 12).tolist())
"""Time constants with which a bridge may warm (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What may be wrong with readings, each 0 where it is not; parts of a reading, volts, parts of a period, s."""

    supply_gain: float = 0.0
    volts_gain: float = 0.0
    volts_offset_v: float = 0.0
    dead_share: float = 0.0
    idle_cold_a: float = 0.0
    idle_hot_a: float = 0.0
    idle_lag: float = 0.0
    """Standard uncertainties of how the idle current went between its readings."""
    instant_s: float = 0.0


NONE = Changes()


class Readings:
    """The looks of one heating, in order of time."""

    def __init__(self, heating: Observation, spec: RigSpec, motor: str) -> None:
        self.spec, self.motor, self.source = spec, motor, heating.name
        self.at_s = heating.si("t")
        self.dead_share = dead_share(spec, heating)
        volts, self._supply, self._difference = (heating.si(name) for name in ("volts", "supply", "difference"))
        if np.min(volts) < 0.0 < np.max(volts):
            raise MeasurementError(f"{motor}: the volts across it change their sign under a steady current")
        self.reversed = bool(volts[0] < 0.0)
        """Whether the multimeter sees the current the other way round than its terminals are named."""
        self._volts = np.abs(volts)
        self.begun_cold = not heating.states("duties")
        """Whether it was waited for until it was cold, and then heated at one current, as harnesses before did."""
        if self.begun_cold:
            self._idle = [(0.0, np.asarray(heating.numbers("idle_a")))]
            self._duties = np.column_stack((np.append(0.0, self.at_s), np.append(self._difference, 0.0)))
            room_c = heating.numbers("room_c")
            self._room = np.array([[0.0, room_c[0]], [self.at_s[-1], room_c[-1]]])
        else:
            self._idle = moments(np.array(heating.rows("idle")))
            self._duties = np.array(heating.rows("duties"))
            self._room = np.array(heating.rows("room"))
        self._between = self._interpolated()
        self.current = self.current_a(NONE)
        if not np.all(self.current > 0.0):
            raise MeasurementError(f"{motor}: no phase current while heating")
        self.ohm = self._volts / (2.0 * self.current)

    @property
    def room_c(self) -> float:
        """As the thermometer had it when the looks began, degC."""
        return float(self._room[0, 1])

    @property
    def room_moved_k(self) -> float:
        """How far the room went meanwhile, K."""
        return float(np.ptp(self._room[:, 1]))

    def idle_u(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Standard uncertainty of the idle current at the first moment and at the last, A, and degrees of freedom."""
        ends = []
        for _, values in (self._idle[0], self._idle[-1]):
            step = last_digit(values.tolist())
            scatter = float(np.std(values, ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
            ends.append((float(np.hypot(scatter, step / np.sqrt(12.0))), max(float(values.size - 1), 1.0)))
        return ends[0], ends[1]

    def idle_a(self, changes: Changes) -> Array:
        """Idle current at every look, A."""
        mean, apart = self._between
        level = mean + changes.idle_lag * apart
        ends = np.clip((self.at_s - self._idle[0][0]) / max(self._idle[-1][0] - self._idle[0][0], 1.0), 0.0, 1.0)
        level = level + changes.idle_cold_a * (1.0 - ends) + changes.idle_hot_a * ends
        return np.asarray(level, dtype=np.float64)

    def _interpolated(self) -> tuple[Array, Array]:
        """Idle current at every look, A, and one standard uncertainty of how it went between its readings.

        A bridge warms behind the square of the current: a lag of any time constant that the readings allow, and what it
        leaves straight from one to the next.
        """
        at = np.array([moment for moment, _ in self._idle])
        read = np.array([float(np.mean(values)) for _, values in self._idle])
        self._between = np.full(self.at_s.size, read[0]), np.zeros(self.at_s.size)
        if read.size < 4:
            return np.interp(self.at_s, at, read), np.zeros(self.at_s.size)
        sure = max(*(u for u, _ in self.idle_u()), 0.05 * float(np.ptp(read)) / np.sqrt(read.size), 1e-9)
        self.current = self.current_a(NONE)
        drive = self.current_behind(np.sort(np.concatenate((at, self.at_s))), 2.0)
        at_moments, at_looks = np.searchsorted(drive.at_s, at), np.searchsorted(drive.at_s, self.at_s)
        curves, costs = [], []
        for time_s in IDLE_TIMES_S:
            lag = drive.lagged(time_s)
            design = np.column_stack((np.ones_like(at), lag[at_moments]))
            level, gain = np.linalg.lstsq(design, read, rcond=None)[0]
            left = read - level - gain * lag[at_moments]
            curves.append(level + gain * lag[at_looks] + np.interp(self.at_s, at, left))
            costs.append(float(np.sum(left**2)) / sure**2)
        weight = np.exp(-(np.array(costs) - min(costs)) / 2.0)
        weight /= np.sum(weight)
        mean = weight @ np.array(curves)
        off = (np.array(curves) - mean) * np.sqrt(weight)[:, None]
        _, size, shape = np.linalg.svd(off, full_matrices=False)
        return np.asarray(mean), np.asarray(size[0] * shape[0])

    def current_a(self, changes: Changes) -> Array:
        """Phase current of every look, A."""
        supply = (self._supply - self.idle_a(changes)) * (1.0 + changes.supply_gain)
        dead = self.dead_share.value + changes.dead_share
        return np.asarray(supply / (self._difference - 2.0 * dead), dtype=np.float64)

    def record(self, changes: Changes = NONE) -> LevelRecord:
        """Resistance (ohm) of every look, and the loss behind it: ohm x (current / CURRENT_A)^2."""
        current = self.current_a(changes)
        ohm = (self._volts * (1.0 + changes.volts_gain) + changes.volts_offset_v) / (2.0 * current)
        dead = 2.0 * (self.dead_share.value + changes.dead_share)
        # Between looks the loss goes with the square of what the duties leave to the winding.
        scaled = ohm * (current / CURRENT_A / (self._difference - dead)) ** 2
        drive = self._drive(self.at_s, scaled, 2.0, dead, changes.instant_s)
        return LevelRecord(drive=drive, places=np.searchsorted(drive.at_s, self.at_s), y=ohm, at_rest=self.begun_cold)

    def current_behind(self, at_s: Array, exponent: float) -> Input:
        """(current / CURRENT_A)^exponent as an input, with instants of its own (n) among its instants."""
        dead = 2.0 * self.dead_share.value
        scaled = (self.current / CURRENT_A / (self._difference - dead)) ** exponent
        return self._drive(at_s, scaled, exponent, dead, 0.0)

    def room(self, at_s: Array) -> Input:
        """How far the room's temperature is from what it was at the first look, K, over the instants (n + 1)."""
        moved = np.interp(at_s, self._room[:, 0], self._room[:, 1]) - self.room_c
        return Input(at_s=at_s, first=moved[:-1], last=moved[1:])

    def _drive(self, instants: Array, scaled: Array, exponent: float, dead: float, later_s: float) -> Input:
        """What goes with a power of the duties: `scaled` of every look times that, at each setting and instant."""
        set_at, duty = self._duties[:, 0] + later_s, np.maximum(self._duties[:, 1] - dead, 0.0) ** exponent
        begin = min(float(instants[0]), float(set_at[0]), float(self.at_s[0]))
        at_s = np.unique(
            np.concatenate(([begin], instants, self.at_s, set_at[set_at <= max(instants[-1], self.at_s[-1])]))
        )
        which = np.searchsorted(set_at, (at_s[:-1] + at_s[1:]) / 2.0, side="right") - 1
        now = np.where(which >= 0, duty[np.maximum(which, 0)], 0.0)
        looks = np.interp(at_s, self.at_s, scaled)
        return Input(at_s=at_s, first=looks[:-1] * now, last=looks[1:] * now)


def moments(rows: Array) -> list[tuple[float, Array]]:
    """Readings (s, value), those of one moment together."""
    breaks = np.flatnonzero(np.diff(rows[:, 0]) > APART_S) + 1
    return [(float(np.mean(part[:, 0])), part[:, 1]) for part in np.split(rows, breaks)]
