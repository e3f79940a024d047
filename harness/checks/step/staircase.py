"""The steps of the step check as the model sees them: what is read off them, and how it scatters with the inputs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.checks.step.stimulus import LARGE_RAD, LARGE_WAYS, SMALL_RAD, WAYS
from harness.nouns.quantity import Contribution, Quantity
from harness.physics.swing import Shaft, SwingMotion, let_go

SHAFT = tuple(Shaft.__dataclass_fields__)
STARTS = tuple(-0.05 - 0.005 * k for k in range(5))
"""Where small steps begin, from the set point, for what does not depend on where they end."""
LEAST_SWING_RAD = 0.010
TRIALS = 40
"""Draws of the Monte Carlo; arbitrary, its standard deviations are known to some 10 %."""


@lru_cache(maxsize=4096)
def motions(values: tuple[float, ...], starts: tuple[float, ...], arm_at: float = 0.0) -> tuple[SwingMotion, ...]:
    """One motion a start, rad beyond the set point; the arm hangs `arm_at` short of the set point."""
    moving = Shaft(**dict(zip(SHAFT, values, strict=True)))
    return tuple(let_go(moving, start, -arm_at) for start in starts)


def sequence(values: tuple[float, ...], sizes_rad: Sequence[float]) -> tuple[list[SwingMotion], list[SwingMotion]]:
    """The small steps and the large ones, each from where friction held the shaft after the one before."""
    moving = Shaft(**dict(zip(SHAFT, values, strict=True)))
    shaft_rad = set_point_rad = 0.0
    motions = []
    for way, size in zip((*WAYS, *LARGE_WAYS), (*sizes_rad, LARGE_RAD, LARGE_RAD), strict=True):
        set_point_rad += way * size
        motions.append(let_go(moving, way * (shaft_rad - set_point_rad), -way * set_point_rad))
        shaft_rad = set_point_rad + way * motions[-1].rest
    return motions[: len(WAYS)], motions[len(WAYS) :]


def rise(motion: SwingMotion, start: float) -> float:
    """10 to 90 % of the way, s."""
    turn = motion.turns[0][0]
    low, high = (start + share * (motion.rest - start) for share in (0.1, 0.9))
    return motion.crossing(high, 0.0, turn) - motion.crossing(low, 0.0, turn)


def overshoot(motion: SwingMotion, start: float) -> float:
    """First turning point beyond where it ends, as a share of the way."""
    return (motion.turns[0][1] - motion.rest) / (motion.rest - start)


def settling(motion: SwingMotion, start: float, noise_rad: float) -> float:
    """From the 50 % crossing to the last entry into the band. Raises MeasurementError for a step that never left it."""
    size = abs(motion.rest - start)
    band = max(0.02 * size, 3.0 * noise_rad)
    points = [(0.0, start), *motion.turns, (motion.rest_s, motion.rest)]
    outside = [k for k, (_, y) in enumerate(points) if abs(y - motion.rest) > band]
    if not outside:
        raise MeasurementError("the rig file allows one whose steps are lost in the sensor's noise")
    last = outside[-1]
    level = motion.rest + math.copysign(band, points[last][1] - motion.rest)
    entered = motion.crossing(level, points[last][0], points[last + 1][0])
    return entered - motion.crossing(start + 0.5 * (motion.rest - start), 0.0, motion.turns[0][0])


def frequency(motion: SwingMotion) -> float:
    """From the first three turning points, or two, rad/s. Raises MeasurementError for fewer."""
    last = min(2, len(motion.turns) - 1)
    if last < 1:
        raise MeasurementError("a frequency needs two turning points: friction ends the motion at once")
    return math.pi * last / (motion.turns[last][0] - motion.turns[0][0])


def decay(motions: Sequence[SwingMotion], clip_rad: float) -> float:
    """-ln q of S[k+1] = q S[k] - c over all pairs of swings, the first push among them; weighted by S[k+1]^2."""
    pairs = []
    for motion in motions:
        start = motion.at(0.0)
        points = [y for _, y in motion.turns]
        sizes = np.abs(np.diff([start, *points] if abs(start) < clip_rad else points))
        pairs += [(a, b) for a, b in pairwise(sizes) if b >= LEAST_SWING_RAD]
    if len(pairs) < 2:
        raise MeasurementError("a decay needs two pairs of swings: friction ends the motion at once")
    table = np.array(pairs)
    return -math.log(max(float(np.polyfit(table[:, 0], table[:, 1], 1, w=table[:, 1] ** 2)[0]), 1e-3))


@dataclass(frozen=True, slots=True, kw_only=True)
class StaircaseDraws:
    """Means over a staircase for every draw of the rig file's inputs."""

    sources: tuple[str, ...]
    draws: NDArray[np.float64]
    """A row a trial, a column a source, in standard uncertainties."""
    means: Mapping[str, NDArray[np.float64]]

    def quantity(self, name: str, unit: str) -> Quantity:
        """Mean and standard deviation over the draws, shared out to the sources by a straight line in each.

        What no straight line explains is a contribution of its own: friction stops a shaft at once or a half cycle
        later, and a derivative at one value of it says nothing of that (JCGM 101:2008 instead of 100).
        """
        y = self.means[name]
        design = np.column_stack((np.ones(y.size), self.draws))
        coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
        left = y - design @ coefficients
        bend = math.sqrt(float(left @ left) / (y.size - design.shape[1]))
        budget = {
            source: Contribution(u=float(u)) for source, u in zip(self.sources, coefficients[1:], strict=True) if u
        }
        budget["bend of the model over the inputs' tolerances"] = Contribution(u=bend, remedy="know friction better")
        return Quantity(value=float(np.mean(y)), unit=unit, budget=budget)

    def bounded(self, name: str, unit: str) -> tuple[Quantity, tuple[float, float]]:
        """The same with the largest source as an interval, which a tolerance cannot leave, and the rest as budget."""
        whole = self.quantity(name, unit)
        largest = max(self.sources, key=lambda source: abs(whole.budget[source].u) if source in whole.budget else 0.0)
        half = math.sqrt(3.0) * abs(whole.budget[largest].u)
        rest = {source: part for source, part in whole.budget.items() if source != largest}
        return Quantity(value=whole.value, unit=unit, budget=rest), (whole.value - half, whole.value + half)


def sources_of(parts: Mapping[str, Quantity]) -> tuple[str, ...]:
    """All sources of uncertainty of a shaft's parameters, in the order in which they are drawn."""
    return tuple(sorted({source for quantity in parts.values() for source in quantity.budget}))


def draw(parts: Mapping[str, Quantity], random: np.random.Generator) -> tuple[list[float], tuple[float, ...]]:
    """One draw of all sources, in standard uncertainties, and the values of SHAFT that it makes."""
    sources = sources_of(parts)
    budgets = [part for quantity in parts.values() for part in quantity.budget.items()]
    normals = {source for source, part in budgets if part.shape == "normal"}
    level, bell = random.uniform(-math.sqrt(3.0), math.sqrt(3.0), len(sources)), random.normal(size=len(sources))
    row = [float(bell[k] if source in normals else level[k]) for k, source in enumerate(sources)]
    drawn = dict(zip(sources, row, strict=True))
    values = tuple(
        parts[name].value + sum(drawn[source] * part.u for source, part in parts[name].budget.items()) for name in SHAFT
    )
    return row, values


READ_OFF: Mapping[str, Callable[[SwingMotion, float], float]] = {"rise_time": rise, "overshoot": overshoot}


def draw_staircases(parts: Mapping[str, Quantity], noise_rad: float) -> StaircaseDraws:
    """Sequences of steps for TRIALS draws of the inputs. Raises MeasurementError for a loop that mostly hunts."""
    random = np.random.default_rng(1)
    sources = sources_of(parts)
    draws, rows = [], []
    for _ in range(TRIALS):
        row, values = draw(parts, random)
        small, large = (
            [each for each in steps if each.turns and each.held]
            for steps in sequence(values, random.permutation(SMALL_RAD).tolist())
        )
        if len(small) <= len(SMALL_RAD) // 2 or not large:
            continue
        draws.append(row)
        rows.append({"settling_time": np.mean([settling(each, each.at(0.0), noise_rad) for each in small])})
        for name, value in READ_OFF.items():
            rows[-1][name] = np.mean([value(each, each.at(0.0)) for each in small])
            rows[-1][f"large_{name}"] = np.mean([value(each, each.at(0.0)) for each in large])
    if len(rows) <= max(TRIALS // 2, len(sources) + 3):
        raise MeasurementError("this one is expected to hunt")
    means = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return StaircaseDraws(sources=sources, draws=np.array(draws), means=means)
