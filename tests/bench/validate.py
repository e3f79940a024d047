"""Show how well the bench judges: qualify over seeds, over drawn plants, and over every rig fault.

    python tests/bench/validate.py --out FOLDER               the whole of it, written to RESULTS.md beside this file
    python tests/bench/validate.py --out FOLDER --unchanged   some of it: where every number comes out as it stands
                                                              there, RESULTS.md is good for the sources of today, too
    python tests/bench/validate.py --slice                    what .ci/run does: a seed, a drawn plant, and every fault
                                                              but those of firmware once, with the checks that show it

The records stay in FOLDER: an interrupted validation goes on where it stopped, and is judged by the analysis of
today without measuring again. Exit 1 if anything that is promised is not met.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # run as a file, it finds its neighbours

from scipy.special import bdtr, chdtri

from harness.rigfile import load
from tests.bench.cases import QUALIFIED_BY, RIG, Case, Cases, OtherBench, Run
from tests.results import Results, percent, sample_line, sample_of, table

RESULTS = Results(
    title="How well the bench judges",
    place="tests/bench/RESULTS.md",
    command="python tests/bench/validate.py --out FOLDER",
    inputs=("tests/bench/validate.py", "tests/bench/cases.py", *QUALIFIED_BY),
)
SEEDS, PLANTS, FAULT_PLANTS = 12, 10, 1
"""What half an hour holds (arbitrary)."""
CHANCE = 1.0 / 1400.0
"""Of a bound below being crossed by luck, for one name: among 70 quantities once in 20 validations (arbitrary)."""
MOTORS = tuple(load(RIG).motor)
FIRST = load(RIG).motor[MOTORS[0]]

CAUSES = {
    # rig fault: words that one of the named causes must hold, at nominal and on every drawn plant
    "crossed-leads": "phases B and C",
    "broken-lead": "phase C",
    "extra-pole-pair": f"{FIRST.pole_pairs + 1} pole pairs",
    "faded-magnet": "flux",
    "slack-gain": "loop gain",
    "late-loop": "later",
    "loose-winding": "winding to housing",
    "pulse-reading": "noisier path",
    "drooping-supply": "supply about",
}
SHOWN_BY = {
    "faded-magnet": ("stiffness",),
    "slack-gain": ("stiffness",),
    "late-loop": ("step",),
    "loose-winding": ("thermal",),
    "drooping-supply": ("stiffness",),
}
"""Checks that show a fault on drawn plants and in the thin slice; commutation alone shows the others."""
OF_FIRMWARE = ("slack-gain", "late-loop", "pulse-reading")
EXACT_HERE = ("commutation.sensor_age", "step.loop_period", "conduct.demand_growth")
"""What the board says by its own clock, which has no error on the simulated bench, and of a loop whose demand is its
error's alone: too good to try an uncertainty on."""
PAIRS = (("faded-magnet", "slack-gain"), ("late-loop", "loose-winding"), ("slack-gain", "drooping-supply"))
SAMPLE = (Case(seed=1), Case(seed=101, plant_seed=1), *(Case(seed=1, faults=(fault,)) for fault in CAUSES))
"""Cases of the whole that are measured again to see whether anything has changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One section of the results, and what in it is not as promised."""

    heading: str
    text: str
    broken: tuple[str, ...] = ()


def healthy(cases: Cases, seeds: int, plants: int) -> Part:
    """The healthy plant passes: over run seeds, and over drawn plants."""
    rows, broken = [], []
    for words, runs in (
        (f"nominal plant, {seeds} seeds", cases.run_all(Case(seed=seed) for seed in range(1, seeds + 1))),
        (f"{plants} drawn plants", cases.run_all(_drawn(plants))),
    ):
        passed = sum(run.exit_code == 0 for run in runs)
        others = "; ".join(f"{run.key}: exit {run.exit_code}: {run.off}" for run in runs if run.exit_code != 0)
        rows.append((words, f"{passed} of {len(runs)}", others or "none"))
        if passed < math.ceil(0.95 * len(runs)):
            broken.append(f"{words}: {passed} pass: {others}")
    return Part(heading="The healthy rig", text=table(("what", "exit 0", "others"), rows), broken=tuple(broken))


def intervals(cases: Cases, plants: int) -> Part:
    """95 % intervals hold the true values, and errors are as large as their uncertainties say."""
    errors: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    for plant, run in enumerate(cases.run_all(_drawn(plants)), start=1):
        true = cases.truth(plant)
        for name, (value, u, low, high) in run.measured.items():
            if name in true and u > 0.0:
                errors[name].append(((value - true[name]) / u, low <= true[name] <= high))
    held = {name: sum(inside for _, inside in rows) for name, rows in errors.items()}
    rms = {name: math.sqrt(sum(error**2 for error, _ in rows) / len(rows)) for name, rows in errors.items()}
    mean = {name: sum(error for error, _ in rows) / len(rows) for name, rows in errors.items()}
    total = sum(map(len, errors.values()))
    share = sum(held.values()) / total
    broken = [
        f"{name}: {held[name]} of {len(rows)} intervals hold, rms error {rms[name]:.2f} u, mean {mean[name]:+.2f} u"
        for name, rows in sorted(errors.items())
        if bdtr(held[name], len(rows), 0.95) < CHANCE
        or not (_rms_bound(CHANCE, len(rows)) <= rms[name] <= _rms_bound(1.0 - CHANCE, len(rows))
                or name.endswith(EXACT_HERE))
    ]  # fmt: skip
    if not 0.93 <= share <= 0.97:
        broken.append(f"all quantities: {percent(share, 1)} of {total} intervals hold")
    rows = []
    for quantity, names in _by_quantity(errors):
        counts = ", ".join(f"{held[name]} of {len(errors[name])}" for name in names)
        rows.append((quantity, counts, *(", ".join(f"{spread[name]:{sign}.2f}" for name in names)
                                         for spread, sign in ((rms, ""), (mean, "+")))))  # fmt: skip
    return Part(
        heading="95 % intervals and the true values",
        text=f"Over {plants} drawn plants, {' and '.join(MOTORS)}: {percent(share, 1)} of {total} intervals hold the "
        f"plant's true value. The board's clock, what the firmware says of its reading's age, and a demand that is its "
        f"error's alone are exact on this bench: {', '.join(EXACT_HERE)} cannot try their uncertainty.\n\n"
        + table(("quantity", "intervals that hold", "rms of (measured - true) / u", "mean"), rows),
        broken=tuple(broken),
    )


def faults(cases: Cases, plants: int) -> Part:
    """Each rig fault is caught with its cause: at nominal by a whole qualification, on drawn plants by its checks."""
    rows, broken = [], []
    plain = cases.run_all([Case(seed=1)])[0]
    for fault, words in CAUSES.items():
        nominal, silent, alone = cases.run_all(
            [
                Case(seed=1, faults=(fault,)),
                Case(seed=1, faults=(f"{fault}=0",)),
                Case(seed=1, faults=(fault,), alone=True),
            ]
        )
        drawn = cases.run_all(
            Case(seed=200 + plant, plant_seed=plant, faults=(fault,), only=_shown_by(fault))
            for plant in range(1, plants + 1)
        )
        caught = sum(run.names(words) for run in drawn)
        rows.append((f"`{fault}`", str(nominal.exit_code), nominal.diagnosis, f"{caught} of {plants}"))
        missed = [run for run in (nominal, *drawn) if not run.names(words)]
        if nominal in missed or caught < math.ceil(0.95 * plants):
            broken += [f"{run.key}: exit {run.exit_code}, causes {run.causes}: {run.off}" for run in missed]
        if not silent.agrees_with(plain):
            broken.append(f"{fault}=0: other verdicts than without it: {silent.off}")
        if not alone.agrees_with(nominal):
            broken.append(f"{fault}: a bench that stands alone says otherwise: {alone.causes}")
    text = (
        "Nominal: a whole qualification with seed 1. Drawn plants: commutation and the checks that show the fault; "
        "exit 1 and the cause. With severity 0 each gives the healthy verdicts; a bench that stands alone, its rig "
        "file silent of seeds and faults, gives the same verdicts and cause.\n\n"
    )
    return Part(
        heading="Each rig fault",
        text=text + table(("fault", "exit", "cause in words, nominal plant", "drawn plants"), rows),
        broken=tuple(broken),
    )


def thin(cases: Cases) -> Part:
    """Every fault once at nominal, with the checks that show it; those of firmware are in test_gate.py, with causes."""
    those = [fault for fault in CAUSES if fault not in OF_FIRMWARE]
    runs = cases.run_all(Case(seed=1, faults=(fault,), only=_shown_by(fault)) for fault in those)
    said = {fault: (str(run.exit_code), run.diagnosis or "no cause") for fault, run in zip(those, runs, strict=True)}
    missed = [fault for fault, run in zip(those, runs, strict=True) if not run.names(CAUSES[fault])]
    return Part(
        heading="Each rig fault but those of firmware, by the checks that show it",
        text=table(("fault", "exit", "cause in words"), [(fault, *words) for fault, words in said.items()]),
        broken=tuple(f"{fault}: exit {said[fault][0]}: {said[fault][1]}" for fault in missed),
    )


def pairs(cases: Cases) -> Part:
    """Two faults at once must never be explained by a wrong single cause."""
    runs = {" and ".join(pair): run for pair, run in zip(PAIRS, cases.run_all(_pairs()), strict=True)}
    return Part(
        heading="Two rig faults at once",
        text=table(("faults", "exit", "cause in words"), [
            (faults, str(run.exit_code), run.diagnosis or "none") for faults, run in runs.items()
        ]),
        broken=tuple(
            f"{faults}: exit {run.exit_code}: {run.diagnosis}"
            for faults, run in runs.items()
            if not (run.exit_code == 1 and "not known" in run.diagnosis)
        ),
    )  # fmt: skip


def matrix(cases: Cases) -> Part:
    """Fault x quantity: measured with the fault over measured without, on the nominal plant."""
    plain = cases.run_all([Case(seed=1)])[0].measured
    runs = [run.measured for run in cases.run_all(Case(seed=1, faults=(fault,)) for fault in CAUSES)]
    rows = []
    for name, (value, u, _, _) in plain.items():
        if not name.startswith(f"{MOTORS[0]}.") or value == 0.0:
            continue
        cells = []
        for measured in runs:
            if name not in measured:
                cells.append("not run")
                continue
            moved = abs(measured[name][0] - value) > 3.0 * math.hypot(u, measured[name][1])
            cells.append(f"**{measured[name][0] / value:.2f}**" if moved else f"{measured[name][0] / value:.2f}")
        rows.append((name.removeprefix(f"{MOTORS[0]}."), *cells))
    return Part(
        heading="What each rig fault moves",
        text="Measured with the fault over measured without it, nominal plant, seed 1; bold: moved by more than three "
        f"standard uncertainties.\n\n{table((f'quantity ({MOTORS[0]})', *CAUSES), rows)}",
    )


def whole(cases: Cases) -> Iterator[Part]:
    """All parts, as they stand in the results."""
    yield healthy(cases, SEEDS, PLANTS)
    yield intervals(cases, PLANTS)
    yield faults(cases, FAULT_PLANTS)
    yield pairs(cases)
    yield matrix(cases)
    yield Part(heading="Sample", text=sample_line(digest(cases.run_all(SAMPLE))))


def digest(runs: Iterable[Run]) -> str:
    """Hash of all that some runs say, numbers to six digits: the last ones are the processor's affair."""
    said = [
        (
            *(run.key, run.exit_code, sorted(run.outcomes.items()), run.causes),
            sorted((name, [f"{number:.6g}" for number in numbers]) for name, numbers in run.measured.items()),
        )
        for run in runs
    ]
    return sample_of(said)


def unchanged(cases: Cases) -> bool:
    """Whether a sample says what it said when the results were written; if so, they are renewed."""
    return RESULTS.renew_for(digest(cases.run_all(SAMPLE)))


def _rms_bound(share: float, number: int) -> float:
    """The rms of so many standard normal errors that a share of all such sets stays below."""
    return math.sqrt(float(chdtri(number, 1.0 - share)) / number)


def _drawn(plants: int) -> list[Case]:
    return [Case(seed=100 + plant, plant_seed=plant) for plant in range(1, plants + 1)]


def _pairs() -> list[Case]:
    return [Case(seed=1, faults=pair) for pair in PAIRS]


def _shown_by(fault: str) -> tuple[str, ...]:
    """Checks to run where only this fault is looked for; commutation comes before any closed loop."""
    return ("commutation", *SHOWN_BY.get(fault, ()))


def _by_quantity(names: Iterable[str]) -> list[tuple[str, list[str]]]:
    """Full names by quantity, whichever motor's, in the order of the motors."""
    found: dict[str, list[str]] = defaultdict(list)
    for name in sorted(names, key=lambda name: MOTORS.index(name.split(".")[0]) if name.split(".")[0] in MOTORS else 0):
        motor, _, quantity = name.partition(".")
        found[quantity if motor in MOTORS else name].append(name)
    return sorted(found.items())


def _show(parts: Iterable[Part]) -> tuple[str, list[str]]:
    """Show each part as soon as it is there; give all of their text, and what is not as promised."""
    texts, broken = [], []
    for part in parts:
        texts.append(f"## {part.heading}\n\n{part.text}")
        broken += part.broken
        sys.stdout.write(texts[-1] + "".join(f"NOT MET {line}\n" for line in part.broken))
        sys.stdout.flush()
    return "\n".join(texts), broken


def main() -> int:
    """Run the parts asked for, show each, and tell whether all of it held."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--slice", action="store_true", help="the thin slice that every change runs, shown only")
    parser.add_argument("--unchanged", action="store_true", help="only see whether the results hold still")
    parser.add_argument("--out", type=Path, help="folder that keeps the runs, so that a stopped validation goes on")
    parser.add_argument("--workers", type=int, default=1, help="qualifications at a time (each keeps two cores busy)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        try:
            cases = Cases(options.out or Path(scratch), options.workers)
        except OtherBench as error:
            sys.stderr.write(f"{error}\n")
            return 4
        if options.unchanged:
            same = unchanged(cases)
            sys.stdout.write("the same, digit for digit\n" if same else "not the same: write the results anew\n")
            return 0 if same else 1
        text, broken = _show([healthy(cases, 1, 1), thin(cases)] if options.slice else whole(cases))
    if not options.slice:
        promises = "".join(f"- not met: {line}\n" for line in broken) or "Everything that is promised below is met.\n"
        RESULTS.write(f"All of it on the simulated bench.\n\n{promises}\n{text}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
