"""What a gauge study says of a quantity, and the words for where its scatter comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.nouns.results import Fitness, Requirement
from harness.study.anova import REPEATS, Factors
from harness.study.design import FACTORS

BOARD, BENCH, DAY = FACTORS
WORDS: Mapping[Factors, str] = {
    REPEATS: "repeatability",
    (BENCH,): "reproducibility between benches",
    (DAY,): "reproducibility between days",
    (BENCH, DAY): "reproducibility between days of a bench",
    (BOARD, BENCH): "boards that read differently from bench to bench",
    (BOARD, DAY): "boards that read differently from day to day",
    (BOARD, BENCH, DAY): "boards that read differently from day to day of a bench",
    (BOARD,): "boards",
}
REMEDIES: Mapping[Factors, str] = {
    REPEATS: "more readings a run, quieter ones",
    (BENCH,): "calibrate the benches against each other: instruments, arms, motors",
    (DAY,): "find what changes overnight: mounting, warming up, room",
    (BENCH, DAY): "find what changes overnight on a bench: mounting, warming up, room",
    (BOARD, BENCH): "mount boards alike on every bench",
    (BOARD, DAY): "mount boards alike every day",
    (BOARD, BENCH, DAY): "mount boards alike every time",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceLine:
    """A line of the analysis of variance. `component` is a variance, cut at 0 where it came out below (`cut`)."""

    words: str
    ss: float
    dof: int
    f: float | None = None
    p: float | None = None
    approximate: bool = False
    component: float = 0.0
    cut: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeResult:
    """The gauge of one quantity. Standard deviations in `unit`; None where this design does not tell."""

    name: str
    word: Fitness
    binding: bool = False
    """Whether a verdict may be held against it: enough runs, and reproducibility studied or repeats alone too much."""
    unit: str = ""
    reason: str = ""
    mean: float = 0.0
    readings: int = 0
    distinct: int = 0
    ev: float | None = None
    av: float | None = None
    interaction: float | None = None
    grr: float | None = None
    pv: float | None = None
    tv: float | None = None
    grr_limits: tuple[float, float] | None = None
    """95 % confidence limits of GRR."""
    grr_dof: float = 0.0
    ndc: int | None = None
    largest: str = ""
    requirement: Requirement | None = None
    share: float | None = None
    share_limits: tuple[float, float] | None = None
    most: float | None = None
    claimed_u: float | None = None
    """Root mean square of the standard uncertainties that the runs claim."""
    lines: tuple[VarianceLine, ...] = ()
    pooled: tuple[str, ...] = ()
    """What was taken for scatter of the repeats."""
    remarks: tuple[str, ...] = ()
