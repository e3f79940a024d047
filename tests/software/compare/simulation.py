"""Boards compared on paper many times: how often does the comparison code call one different, or equivalent?

    python -m tests.software.compare.simulation [BOARDS]

Every simulated board is compared afresh: a baseline of runs over mountings, then the board's own run, each value with
the error of its instrument (fixed while the instrument stays), the scatter of its mounting and that of its readings, of
which a run knows only an estimate. Then each goes through harness.compare, as records do.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from harness.compare.baseline import level
from harness.compare.comparable import ComparableValue
from harness.compare.difference import SCATTER, Difference, Finding, Terms, difference_from
from harness.compare.drift import RUN_LENGTH, average, change_point
from harness.nouns.coverage import safe_factor
from harness.nouns.quantity import Contribution, Quantity
from harness.nouns.results import Detect
from tests.results import Results, percent, simulate, table
from tests.software.compare.power import power, smallest_seen
from tests.software.judge.simulation import interval

RESULTS = Results(
    title="How often a comparison with a baseline is wrong",
    place="tests/software/compare/RESULTS.md",
    command="python -m tests.software.compare.simulation",
    inputs=(
        *("tests/software/compare/simulation.py", "harness/compare/baseline.py", "harness/compare/between.py"),
        *("harness/compare/difference.py", "harness/compare/drift.py", "harness/compare/runlength.py"),
        *("harness/nouns/quantity.py", "harness/nouns/coverage.py"),
    ),
)
USUAL = 2000
SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What scatters, in the unit of the quantities; every true value is 100."""

    quantities: int = 10
    mountings: int = 6
    runs: int = 1
    """Of the baseline in each mounting; the board is measured once."""
    mounting_s: float = 0.8
    reading_s: float = 0.6
    reading_dof: int = 20
    meter_half: float = 3.0
    """Half-width of a meter's data sheet, the same size as its errors are."""
    exchanged: bool = False
    """Whether the board is measured with another meter than the baseline."""
    mistaken: bool = False
    """Whether that goes unnoticed: the fault that the simulation has to show."""
    margin: float | None = None

    @property
    def terms(self) -> Terms:
        """Every quantity with the margin, if there is one: without, all that is seen is called different."""
        margins = {} if self.margin is None else {name: Detect(absolute=self.margin) for name in self.names}
        return Terms(planned=self.quantities, margins=margins)

    @property
    def names(self) -> list[str]:
        """Names of the quantities."""
        return [f"motor.check.q{k}" for k in range(self.quantities)]

    @property
    def labels(self) -> list[str]:
        """The mounting of each run of the baseline."""
        return [str(number) for number in range(self.mountings) for _ in range(self.runs)]

    def power(self) -> float:
        """Chance of `different` off by one margin, as harness.compare.power states it, for the true scatter."""
        s = math.hypot(self.mounting_s, self.reading_s)
        gap = Quantity(
            value=0.0,
            unit="V",
            budget={f"{SCATTER}#1": Contribution(u=s * math.sqrt(1.0 + 1.0 / self.mountings), dof=self.mountings - 1)},
        )
        return power(gap, self.margin or 0.0, self.terms, self.margin)


def compared_once(bench: Bench, dice: random.Random, shift: float = 0.0) -> list[Difference]:
    """The findings on one board whose true values are `shift` off those of the baseline's."""
    meters = {name: dice.uniform(-bench.meter_half, bench.meter_half) for name in ("old", "new")}
    now = "new" if bench.exchanged else "old"
    found = []
    for name in bench.names:
        places = [dice.gauss(0.0, bench.mounting_s) for _ in range(bench.mountings)]
        runs = [_run(bench, dice, "old", meters["old"] + place) for place in places for _ in range(bench.runs)]
        seen = "old" if bench.mistaken else now
        mine = _run(bench, dice, seen, meters[now] + dice.gauss(0.0, bench.mounting_s) + shift)
        found.append(difference_from(level(name, runs, bench.labels), [mine], ["now"], bench.terms))
    return found


def _run(bench: Bench, dice: random.Random, meter: str, error: float) -> ComparableValue:
    # A run's own idea of how its readings scatter is an estimate: chi-square over its degrees of freedom.
    estimate = math.sqrt(dice.gammavariate(bench.reading_dof / 2.0, 2.0) / bench.reading_dof) * bench.reading_s
    budget = {f"meter {meter}": Contribution(u=bench.meter_half / SQRT3, shape="rectangular")}
    value = 100.0 + error + dice.gauss(0.0, bench.reading_s)
    return ComparableValue(
        lasting=Quantity(value=value, unit="V", budget=budget), own_u=estimate, own_dof=float(bench.reading_dof)
    )


def boards_with(finding: Finding, bench: Bench, count: int, seed: int = 1) -> int:
    """How many of `count` unchanged boards have a quantity with this finding."""
    dice = random.Random(seed)
    return sum(any(difference.finding is finding for difference in compared_once(bench, dice)) for _ in range(count))


def quantities_with(finding: Finding, bench: Bench, count: int, shift: float, seed: int = 1) -> int:
    """How many quantities of `count` boards that are off by `shift` have this finding."""
    dice = random.Random(seed)
    return sum(difference.finding is finding for _ in range(count) for difference in compared_once(bench, dice, shift))


def mean_run_length(count: int, length: float, seed: int = 1, most: int = 4000) -> float:
    """Mean number of values, from the third on, to the first alarm of an average that nothing drifts under."""
    dice = random.Random(seed)
    total = 0
    for _ in range(count):
        # In pieces: most runs end early, and a long one is looked at again from its start.
        values: list[float] = []
        out = None
        while out is None and len(values) < most:
            values += [dice.gauss(0.0, 1.0) for _ in range(max(50, len(values)))]
            out = average(values, length=length).out_at
        total += (most if out is None else out) - 1
    return total / count


def change_points(count: int, values: int, risk: float, seed: int = 1) -> int:
    """How many of `count` histories without a step are said to have one."""
    dice = random.Random(seed)
    return sum(change_point([dice.gauss(0.0, 1.0) for _ in range(values)], risk) is not None for _ in range(count))


def drifts_seen(count: int, values: int, quantities: int, seed: int = 1) -> int:
    """How many of `count` histories of one of so many quantities, with a step of 5 s before the last 5
    runs, are said to drift in one of these.
    """
    dice = random.Random(seed)
    seen, at = 0, values - 5
    for _ in range(count):
        history = [dice.gauss(0.0, 1.0) + (5.0 if place >= at else 0.0) for place in range(values)]
        out = average(history, length=RUN_LENGTH * quantities).out_at
        seen += out is not None and out >= at
    return seen


def prices(planned: int) -> list[tuple[str, ...]]:
    """What baselines of several sizes allow and see, in standard deviations of one run."""
    terms = Terms(planned=planned)
    rows = []
    for mountings in (5, 6, 8, 10, 15, 20, 30):
        u = math.sqrt(1.0 + 1.0 / mountings)
        gap = Quantity(value=0.0, unit="V", budget={f"{SCATTER}#1": Contribution(u=u, dof=mountings - 1)})
        allowed = safe_factor(gap, terms.risk_each / 2.0) * u
        within = safe_factor(gap, terms.equivalence_risk) * u
        rows.append((str(mountings), f"{allowed:.1f}", f"{smallest_seen(gap, terms):.1f}", f"{within:.1f}"))
    return rows


BENCHES = {
    "same meter, 6 mountings": Bench(),
    "same meter, 5 mountings": Bench(mountings=5),
    "meter exchanged": Bench(exchanged=True),
    "2 runs a mounting": Bench(runs=2),
    "no reading noise": Bench(reading_s=0.0),
    "no reading noise, 44 quantities": Bench(quantities=44, reading_s=0.0),
}


def rates(count: int) -> list[tuple[str, ...]]:
    """Rates with their 95 % intervals, and the risks and chances that they are held against."""
    rows = []

    def row(words: str, hits: int, of: int, stated: str) -> None:
        low, high = interval(hits, of)
        rows.append((words, f"{hits} of {of}", percent(hits / of), f"{percent(low)} to {percent(high)}", stated))

    for words, bench in BENCHES.items():
        boards = max(1, count * 10 // bench.quantities)
        hits = boards_with(Finding.DIFFERENT, bench, boards)
        row(f"unchanged boards called different: {words}", hits, boards, "at most 1 %")
    few = max(1, count // 3)
    for words in ("same meter, 6 mountings", "meter exchanged", "2 runs a mounting"):
        off = replace(BENCHES[words], margin=12.0)
        hits = quantities_with(Finding.EQUIVALENT, off, few, 12.0)
        row(f"off by one margin, called equivalent: {words}", hits, few * off.quantities, "at most 5 %")
    for words, off in (
        ("no reading noise, margin 8 s", Bench(reading_s=0.0, mounting_s=1.0, margin=8.0)),
        ("no reading noise, margin 12 s", Bench(reading_s=0.0, mounting_s=1.0, margin=12.0)),
        ("same meter, 6 mountings, margin 12 s", Bench(margin=12.0)),
    ):
        hits = quantities_with(Finding.DIFFERENT, off, few, off.margin or 0.0)
        row(f"off by one margin, called different: {words}", hits, few * off.quantities, percent(off.power(), 1))
    steps = change_points(10 * count, 12, 0.05)
    row("steps found in 12 values that have none", steps, 10 * count, "at most 5 %")
    for values in (12, 20, 30):
        seen = drifts_seen(count, values, 44)
        row(f"a step of 5 s seen as a drift within 5 runs: {values} runs, 44 quantities", seen, count, "–")
    return rows


def body(count: int) -> str:
    """All tables."""
    length = 100.0
    return (
        f"{Bench().quantities} quantities and {Bench().mountings} mountings unless said otherwise; "
        "s: standard deviation of one run.\n\n"
        + table(("what", "times", "share", "95 % interval", "stated"), rates(count))
        + f"Values to a false alarm of an average set to {length:g}: {mean_run_length(count, length):.1f}.\n\n"
        + "What few mountings cost: limits for 44 quantities, in s of a run in a mounting of its own.\n\n"
        + table(("mountings", "different beyond", "seen 95 times in 100 from", "equivalent to within"), prices(44))
    )


if __name__ == "__main__":
    simulate(RESULTS, body, USUAL)
