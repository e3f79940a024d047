"""How often the limits of a gauge study hold what its readings truly scatter by.

    python -m tests.software.study.simulation [STUDIES]

Studies are drawn with a known standard deviation for each factor and go through pooling and limits, as runs do.
"""

from __future__ import annotations

import math

import numpy as np

from harness.study.design import FACTORS
from harness.study.gauge import variances
from tests.results import Results, percent, simulate, table

RESULTS = Results(
    title="How often the limits of a gauge study hold",
    place="tests/software/study/RESULTS.md",
    command="python -m tests.software.study.simulation",
    inputs=(
        *("tests/software/study/simulation.py", "harness/study/anova.py", "harness/study/gauge.py"),
        "harness/study/limits.py",
    ),
)
USUAL = 2000
Scatter = dict[tuple[str, ...], float]
CASES: tuple[tuple[tuple[int, ...], Scatter, bool], ...] = (
    ((10, 3, 1, 3), {("board",): 5.0, ("bench",): 1.0}, False),
    ((10, 3, 1, 3), {("board",): 5.0}, False),
    ((8, 3, 1, 2), {("board",): 2.0, ("bench",): 0.5, ("board", "bench"): 1.0}, False),
    ((5, 3, 3, 2), {("board",): 2.0, ("bench",): 1.0, ("day",): 0.7, ("bench", "day"): 0.5}, False),
    ((5, 3, 3, 2), {("board",): 2.0, ("bench",): 0.5, ("bench", "day"): 1.0}, True),
    ((3, 2, 2, 2), {("board",): 2.0, ("bench",): 1.0, ("day",): 1.0}, False),
    ((6, 1, 5, 2), {("board",): 2.0}, False),
)
"""Boards, benches, days and runs in each cell; standard deviations, of repeats 1; whether each day is one bench's."""
PLURALS = {"board": "boards", "bench": "benches", "day": "days"}


def drawn(shape: tuple[int, ...], seed: int, s: dict[tuple[str, ...], float], repeats_s: float = 1.0) -> np.ndarray:
    """Values with a standard deviation for each term."""
    dice = np.random.default_rng(seed)
    values = repeats_s * dice.standard_normal(shape)
    for term, size in s.items():
        levels = [count if name in term else 1 for name, count in zip(FACTORS, shape, strict=False)]
        values = values + size * dice.standard_normal((*levels, 1))
    return values


def coverage(
    shape: tuple[int, ...], s: dict[tuple[str, ...], float], rounds: int, nested: bool = False
) -> tuple[float, float]:
    """How often the 95 % limits of GRR hold it, and the mean of GRR^2 over its true value."""
    true = math.sqrt(1.0 + math.fsum(size**2 for term, size in s.items() if term != ("board",)))
    held, squares = 0, 0.0
    for seed in range(rounds):
        got = variances(drawn(shape, seed, s), nested=nested)
        low, high = got.limits()
        held += low <= true <= high
        squares += got.table.component(*got.gauge).value / true**2
    return held / rounds, squares / rounds


def body(rounds: int) -> str:
    """A row a design."""
    rows = []
    for shape, s, nested in CASES:
        rate, ratio = coverage(shape, s, rounds, nested)
        beside = [
            f"{' x '.join(PLURALS[name] for name in term)} {size:g}" for term, size in s.items() if term != ("board",)
        ]
        design = " x ".join(map(str, shape)) + (", days of one bench each" if nested else "")
        rows.append((design, ", ".join(beside) or "none", percent(rate, 1), f"{ratio:.2f}"))
    columns = (
        "boards x benches x days x runs",
        "s beside boards, repeats 1",
        "limits hold",
        "estimated over true GRR^2",
    )
    return f"{rounds} studies a row; stated is 95 %.\n\n" + table(columns, rows)


if __name__ == "__main__":
    simulate(RESULTS, body, USUAL)
