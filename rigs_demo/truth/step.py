"""True values of the step response, from the loop run on the plant.

Stimulus: from where the arm hangs a staircase of two small steps down, four up and four down, ten sizes from 0.054
to 0.066 rad in random order; from there large ones of 0.3 rad up and down. Where friction left the shaft before
a step, and where in a period of the cogging it stands, move the response: means are over five such sequences,
begun at places spread over one period about hanging, each in an order of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log, pi, tau
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from rigs_demo.plant.drawing import Table
from rigs_demo.plant.parameters import MotorParameters, Parameters
from rigs_demo.streams import stream_of
from rigs_demo.truth.bench import KnownBench, Truth, Values
from rigs_demo.truth.firmware import PUT_OUT_S, Firmware
from rigs_demo.truth.loop import ClosedLoop, Move
from rigs_demo.truth.static import Still
from rigs_demo.truth.stiffness import follows, loop_slope

Readings = NDArray[np.float64]
SIZES_RAD = tuple(float(x) for x in np.linspace(0.054, 0.066, 10))
STAIRCASES = 5
WAYS = (-1, -1, 1, 1, 1, 1, -1, -1, -1, -1)
LARGE_RAD = 0.3
LEAST_SWING_RAD = 0.01
FEWEST_PAIRS = 4
"""Pairs of swings below which a line through them says nothing (arbitrary)."""
GRID_WAIT_S = 50e-6
"""Duties act at the plant's next 100 us: half of that on the mean."""


def step(
    parameters: Parameters, rig: Table, name: str, firmware: Firmware, *, parts: int = 1, staircases: int = STAIRCASES
) -> Values:
    """Values by the quantity's last word; nothing of a loop that cannot hold or that the firmware does not pace."""
    motor = parameters.motors[name]
    if not (firmware.own_pace and firmware.bus_path and follows(motor, firmware) and motor.arm is not None):
        return {}
    delay = delay_s(motor, parameters, firmware)
    still = Still(motor, parameters.driver, parameters.supply.voltage_v)
    loop_n_m_rad = loop_slope(motor, still, firmware, list(parameters.motors).index(name))
    share = loop_n_m_rad / (loop_n_m_rad + motor.arm.mass_kg * parameters.gravity_m_s2 * motor.arm.length_m)
    values: Values = {
        "delay": (delay, "s"),
        "loop_period": (firmware.period_s, "s"),
    }
    setting_v = float(rig["supply"]["voltage_v"]["value"])
    period_rad = tau / motor.cogging_periods if motor.cogging_periods else 0.0
    starts = [motor.arm.hang_reading_rad + period_rad * ((k + 0.5) / staircases - 0.5) for k in range(staircases)]
    small, large = run(ClosedLoop(parameters, firmware, name, setting_v, parts), starts, name)
    band_rad = 3.0 * motor.sensor.noise_rad
    seen = [Response.of(move, band_rad) for move in small if swings_and_rests(move)]
    if len(seen) < len(small):
        return values
    values["natural_frequency"] = (fmean(response.natural_rad_s for response in seen), "rad/s")
    values["rise_time"] = (fmean(response.rise_s for response in seen), "s")
    values["overshoot"] = (fmean(response.overshoot for response in seen), "1")
    values["settling_time"] = (fmean(response.settling_s for response in seen), "s")
    values["steady_state_error"] = (fmean(response.error_rad for response in seen), "rad")
    clip_rad = firmware.limit / firmware.gain_per_rad
    pairs = swing_pairs([response.swings_after(clip_rad) for response in seen])
    if len(pairs) >= FEWEST_PAIRS:
        values["decay"] = (decay(pairs), "1")
        values["stability_margin"] = (margin(values, firmware, share), "1")
    if all(swings_and_rests(move) for move in large):
        seen = [Response.of(move, band_rad) for move in large]
        values["large_rise_time"] = (fmean(response.rise_s for response in seen), "s")
        values["large_overshoot"] = (fmean(response.overshoot for response in seen), "1")
    return values


def swings_and_rests(move: Move) -> bool:
    """True for a response that can be read off: it turned back at least twice, and came to rest."""
    if not move.still:
        return False
    return len(turning_points(shares(move))[0]) >= 2


def shares(move: Move) -> Readings:
    """Readings as shares of the way from the initial to the final one."""
    return (np.array(move.reading_rad) - move.initial_rad) / (move.final_rad - move.initial_rad)


def run(loop: ClosedLoop, starts_rad: Sequence[float], name: str) -> tuple[list[Move], list[Move]]:
    """The small and the large steps of the sequence from each start; cut short by a shaft that finds no rest."""
    small: list[Move] = []
    large: list[Move] = []
    for start in starts_rad:
        sizes = list(SIZES_RAD)
        stream_of(f"truth {name} {start}").shuffle(sizes)
        loop.move(start, 0.6)
        for way, size in zip(WAYS, sizes, strict=True):
            small.append(loop.move(loop.target_rad + way * size, 1.5))
            if not small[-1].still:
                return small, large
        large += [loop.move(loop.target_rad + way * LARGE_RAD, 1.5) for way in (1.0, -1.0)]
    return small, large


def delay_s(motor: MotorParameters, parameters: Parameters, firmware: Firmware) -> float:
    """From the physical shaft angle to the torque, without the half period of the hold."""
    to_duties = sum(PUT_OUT_S) / len(PUT_OUT_S) + GRID_WAIT_S
    electrical = motor.inductance_q_h / (motor.resistance_ohm + parameters.driver.on_resistance_ohm)
    return motor.sensor.latency_s + to_duties + firmware.late_s + electrical


def margin(values: Values, firmware: Firmware, share: float) -> float:
    """Damping there is over damping that the delay takes, as the swings show it: 1 is the edge of stability.

    `share` of the loop in the stiffness that brings the shaft back.
    """
    taken = pi / 2.0 * values["natural_frequency"][0] * (values["delay"][0] + firmware.period_s / 2.0) * share
    return 1.0 + values["decay"][0] / taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What is read off one step."""

    natural_rad_s: float
    push: float
    """From where it started to the first turning point: a swing from rest like those that follow."""
    asked_rad: float
    """From where it started to the set point."""
    swings: Sequence[float]
    rise_s: float
    overshoot: float
    settling_s: float
    error_rad: float

    @classmethod
    def of(cls, move: Move, band_rad: float) -> Response:
        """Read it off a response that swings and rests."""
        initial, final = move.initial_rad, move.final_rad
        share = shares(move)
        times, extremes = turning_points(share)
        last = min(3, len(times)) - 1
        way = 1.0 if move.set_point_rad > initial else -1.0
        size = abs(final - initial)
        middle = crossing(share, 0.5)
        outside = np.flatnonzero(np.abs(share - 1.0) > max(0.02, band_rad / size))
        entered = entry(share, int(outside[-1]), max(0.02, band_rad / size))
        return cls(
            natural_rad_s=last * pi / ((times[last] - times[0]) * move.period_s),
            push=extremes[0] * size,
            asked_rad=abs(move.set_point_rad - initial),
            swings=[abs(b - a) * size for a, b in pairwise(extremes)],
            rise_s=(crossing(share, 0.9) - crossing(share, 0.1)) * move.period_s,
            overshoot=extremes[0] - 1.0,
            settling_s=(entered - middle) * move.period_s,
            error_rad=way * (final - move.set_point_rad),
        )

    def swings_after(self, clip_rad: float) -> Sequence[float]:
        """The swings, after the first push where the loop's demand was not clipped in it."""
        return self.swings if self.asked_rad > clip_rad else [self.push, *self.swings]


def turning_points(share: Readings) -> tuple[list[float], list[float]]:
    """(instants in passes, values) of the extremes, each by the parabola through three points; rests are none."""
    times: list[float] = []
    values: list[float] = []
    way = 1.0
    for k in range(1, len(share) - 1):
        left, middle, right = share[k - 1 : k + 2]
        if way * (middle - left) > 0.0 and way * (right - middle) <= 0.0 and (times or middle > 0.5):
            bend = left - 2.0 * middle + right
            off = 0.5 * (left - right) / bend
            times.append(k + off)
            values.append(float(middle - 0.25 * (left - right) * off))
            way = -way
    return times, values


def crossing(share: Readings, level: float) -> float:
    """First instant, in passes, at which the response reaches a level."""
    k = int(np.argmax(share >= level))
    return float(k - 1 + (level - share[k - 1]) / (share[k] - share[k - 1]))


def entry(share: Readings, last_outside: int, band: float) -> float:
    """Instant, in passes, of the last entry into the band about 1."""
    before, after = abs(share[last_outside] - 1.0), abs(share[last_outside + 1] - 1.0)
    return float(last_outside + (before - band) / (before - after))


def swing_pairs(all_swings: Sequence[Sequence[float]]) -> list[tuple[float, float]]:
    """(swing, next swing) wherever both are large enough."""
    return [(swing, after) for swings in all_swings for swing, after in pairwise(swings) if after >= LEAST_SWING_RAD]


def decay(pairs: Sequence[tuple[float, float]]) -> float:
    """Viscous part of the decay a half cycle: -ln q of next = q swing - c, least squares, weighted by next^2."""
    swing, following = np.array(pairs).T
    return -log(float(np.polyfit(swing, following, 1, w=following**2)[0]))


def of_motor(bench: KnownBench, name: str) -> Values:
    """Values of one motor."""
    return step(bench.parameters, bench.rig, name, bench.firmware) if bench.responses else {}


TRUTH = Truth(of_motor=of_motor)
