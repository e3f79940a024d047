"""Healthy boards, qualified on paper many times: how often does the verdict code refuse one?

    python -m tests.software.judge.simulation [QUALIFICATIONS]

Each simulated qualification draws every error from the shape that its budget states: what the rig file
knows (shared by many expectations, rectangular), gains of meters (shared by many measurements), scatter
of few repeats (the standard uncertainty is then an estimate too). Then every number goes through
harness.judge.verdict, as in a real qualification.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from harness.judge.verdict import Rule, against_expectation
from harness.nouns.quantity import Contribution, Quantity, Shape, combine, repeats
from harness.nouns.results import Detect, Expectation, Measurement, Outcome
from tests.results import Results, percent, simulate, table

RESULTS = Results(
    title="How often a healthy board is refused",
    place="tests/software/judge/RESULTS.md",
    command="python -m tests.software.judge.simulation",
    inputs=(
        *("tests/software/judge/simulation.py", "harness/judge/verdict.py"),
        *("harness/nouns/quantity.py", "harness/nouns/coverage.py"),
    ),
)
USUAL = 2_000
SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Sources with their half-widths, and quantities as sensitivities to them. Every true value is 10."""

    file: dict[str, float]
    meters: dict[str, float]
    expected: tuple[dict[str, float], ...]
    measured: tuple[dict[str, float], ...]
    scatter: tuple[tuple[float, int], ...]
    """Standard deviation of one reading and how many repeats; 0 repeats: type B only."""
    shape: Shape = "rectangular"
    """Of what the rig file and the meters' data sheets state."""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f"motor.check.q{k}" for k in range(len(self.expected)))


def demo_plan(
    count: int = 44, seed: int = 7, *, readings: tuple[int, ...] = (0, 3, 5, 5, 10, 30), shared: bool = True
) -> Plan:
    """As many quantities as two motors have, in the manner of a real rig: a dozen inputs and four meters feed them all.

    Not `shared`: each has inputs and a meter of its own.
    """
    dice = random.Random(seed)
    file = {f"rig.{name}": dice.uniform(0.02, 0.3) for name in "abcdefghijkl"}
    meters = {f"instrument.{name}": dice.uniform(0.01, 0.1) for name in "pqrs"}
    expected = tuple(
        {name: dice.choice([-1.0, 0.5, 1.0]) for name in dice.sample(sorted(file), dice.randint(1, 4))}
        for _ in range(count)
    )
    measured = tuple({dice.choice(sorted(meters)): 1.0} for _ in range(count))
    scatter = tuple((dice.uniform(0.02, 0.3), dice.choice(readings)) for _ in range(count))
    if not shared:
        file, expected = _apart(file, expected)
        meters, measured = _apart(meters, measured)
    return Plan(file=file, meters=meters, expected=expected, measured=measured, scatter=scatter)


def _apart(
    halves: dict[str, float], rows: tuple[dict[str, float], ...]
) -> tuple[dict[str, float], tuple[dict[str, float], ...]]:
    """Sources by which no two rows are fed, as wide as those that were."""
    own = tuple({f"{name} of {number}": factor for name, factor in row.items()} for number, row in enumerate(rows))
    return {name: halves[name.partition(" ")[0]] for row in own for name in row}, own


def bell_plan(count: int = 44) -> Plan:
    """Independent normal errors of known size: the one case in which the rule spends its whole risk."""
    file = {f"rig.{k}": 0.1 for k in range(count)}
    return Plan(
        file=file,
        meters={"instrument.p": 0.0},
        expected=tuple({name: 1.0} for name in file),
        measured=({},) * count,
        scatter=((0.0, 0),) * count,
        shape="normal",
    )


def _errors(sources: dict[str, float], shape: Shape, dice: random.Random) -> dict[str, float]:
    if shape == "normal":
        return {name: dice.gauss(0.0, half / SQRT3) for name, half in sources.items()}
    return {name: dice.uniform(-half, half) for name, half in sources.items()}


def _type_b(value: float, sensitivities: dict[str, float], halves: dict[str, float], shape: Shape) -> Quantity:
    budget = {
        name: Contribution(u=factor * halves[name] / SQRT3, shape=shape) for name, factor in sensitivities.items()
    }
    return Quantity(value=value, unit="V", budget=budget)


def board(plan: Plan, dice: random.Random, deviation: float = 0.0) -> list[tuple[Measurement, Expectation]]:
    """One board's numbers; every true value stands `deviation` off what a perfect rig file would let expect."""
    file, meters = _errors(plan.file, plan.shape, dice), _errors(plan.meters, plan.shape, dice)
    numbers = []
    for name, inputs, reads, (spread, count) in zip(
        plan.names, plan.expected, plan.measured, plan.scatter, strict=True
    ):
        known = 10.0 + sum(k * file[source] for source, k in inputs.items())
        expected = _type_b(known, inputs, plan.file, plan.shape)
        error = sum(k * meters[source] for source, k in reads.items()) + deviation
        measured = _type_b(10.0 + error, reads, plan.meters, plan.shape)
        if count:
            scattered = repeats([dice.gauss(0.0, spread) for _ in range(count)], "V", f"{name}.scatter")
            measured = combine(((1.0, measured), (1.0, scattered)), "V")
        numbers.append((Measurement(name=name, quantity=measured), Expectation(name=name, quantity=expected)))
    return numbers


def one_qualification(plan: Plan, rule: Rule, dice: random.Random, deviation: float = 0.0) -> list[Outcome]:
    """Verdicts on one board, as `board` draws it."""
    return [against_expectation(*each, rule).outcome for each in board(plan, dice, deviation)]


def caught(count: int, plan: Plan, risk: float = 0.01, seed: int = 2) -> tuple[int, int]:
    """Of the numbers of `count` boards, each off by what it says that it sees, up or down: how many differ, and all."""
    rule, dice = Rule(planned=len(plan.names), false_alarm_risk=risk), random.Random(seed)
    outcomes = []
    for measurement, expectation in (each for _ in range(count) for each in board(plan, dice)):
        sees = against_expectation(measurement, expectation, rule).detectable or 0.0
        off = replace(measurement.quantity, value=measurement.quantity.value + dice.choice([-sees, sees]))
        outcomes.append(against_expectation(replace(measurement, quantity=off), expectation, rule).outcome)
    return outcomes.count(Outcome.DIFFERS), len(outcomes)


def false_alarms(count: int, plan: Plan | None = None, risk: float = 0.01, seed: int = 1) -> int:
    """How many of `count` healthy boards are refused."""
    plan = plan or demo_plan()
    detect = {name: Detect(absolute=1e3) for name in plan.names}
    rule = Rule(planned=len(plan.names), false_alarm_risk=risk, detect=detect)
    dice = random.Random(seed)
    return sum(Outcome.DIFFERS in one_qualification(plan, rule, dice) for _ in range(count))


def interval(alarms: int, count: int, z: float = 1.96) -> tuple[float, float]:
    """Wilson score interval of a share (95 % for z = 1.96)."""
    share = alarms / count
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2)) / (1 + z**2 / count)
    return middle - half, middle + half


PLANS = (
    ("as a rig has them", demo_plan(), "at most 1 %"),
    ("as a rig has them, 3 readings of each", demo_plan(readings=(3,)), "at most 1 %"),
    ("nothing shared", demo_plan(shared=False), "at most 1 %"),
    ("nothing shared, 3 readings of each", demo_plan(shared=False, readings=(3,)), "at most 1 %"),
    ("nothing shared, 100 readings of each", demo_plan(shared=False, readings=(100,)), "at most 1 %"),
    ("tolerances alone, nothing shared", demo_plan(shared=False, readings=(0,)), "1 %"),
    ("independent, normal, of known size", bell_plan(), "1 %"),
)
"""In words, the plan, and the share of healthy boards refused that the rule states."""


def body(count: int) -> str:
    """Rates of false alarms over all numbers of a qualification, and of deviations seen, with their 95 % intervals."""
    refused, seen = [], []
    for words, plan, stated in PLANS:
        refused.append((words, *_share(false_alarms(count, plan), count), stated))
        seen.append((words, *_share(*caught(max(count // 20, 1), plan)), "at least 95 %"))
    numbers = len(demo_plan().names)
    return "\n".join(
        (
            f"Healthy boards with {numbers} numbers each, every number through the verdict code.\n",
            table(("errors", "boards refused", "share", "95 % interval", "stated"), refused),
            "Numbers whose true value is off by the deviation that stands beside them as seen 95 times in 100.\n",
            table(("errors", "deviations seen", "share", "95 % interval", "stated"), seen),
        )
    )


def _share(found: int, count: int) -> tuple[str, str, str]:
    low, high = interval(found, count)
    return f"{found} of {count}", percent(found / count), f"{percent(low)} to {percent(high)}"


if __name__ == "__main__":
    simulate(RESULTS, body, USUAL)
