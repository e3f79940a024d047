"""Show how well the bench judges: qualify over seeds, over drawn plants, and over every rig fault.

    python tests/bench/validate.py --out FOLDER        the whole of it (the table in DEVELOPERS.md)
    python tests/bench/validate.py --slice             what .ci/run does: a seed, a drawn plant, and every
                                                       fault but those of firmware once, with the checks
                                                       that show it

The records stay in FOLDER: an interrupted validation goes on where it stopped, and is judged by the analysis of
today without measuring again. Exit 1 if anything that DEVELOPERS.md promises is not met.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # run as a file, it finds its neighbour

from harness.judge.tally import exit_code  # noqa: E402
from harness.nouns.coverage import interval  # noqa: E402
from harness.nouns.results import Measurement  # noqa: E402
from harness.record import Record, read  # noqa: E402
from harness.rigfile import load  # noqa: E402
from harness.run.judge_again import Again, judge_again  # noqa: E402
from tests.bench.conftest import stand_alone  # noqa: E402

RIG = ROOT / "rigs_demo" / "rigs" / "sluice.toml"

CAUSES = {
    # rig fault: words that one of the named causes must hold, at nominal and on every drawn plant
    "crossed-leads": "phases B and C",
    "broken-lead": "phase C",
    "extra-pole-pair": "12 pole pairs",
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
EXACT_HERE = ("commutation.sensor_age", "step.loop_period")
"""What the board says by its own clock, which has no error on the virtual bench: too good to try an uncertainty on."""
PAIRS = (("faded-magnet", "slack-gain"), ("late-loop", "loose-winding"), ("slack-gain", "drooping-supply"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One qualification to run."""

    seed: int
    plant_seed: int | None = None
    faults: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    alone: bool = False
    """On a bench that stands alone, whose rig file says nothing of seeds and faults."""

    @property
    def key(self) -> str:
        parts = [f"seed-{self.seed}", f"plant-{self.plant_seed}" if self.plant_seed is not None else "nominal"]
        return "_".join([*parts, *self.faults, *(f"only-{check}" for check in self.only)]) + self.alone * "_alone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What one qualification said: verdict words, causes, and measured values with their intervals."""

    key: str
    exit_code: int
    outcomes: dict[str, str] = field(default_factory=dict)
    causes: tuple[str, ...] = ()
    measured: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    """name: value, u, low, high of the 95 % interval."""


class Store:
    """Records of the cases run so far, each in a folder of its own; a case is measured at most once."""

    def __init__(self, folder: Path, workers: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._workers = workers
        self._runs: dict[str, Run] = {}

    def run_all(self, cases: Iterable[Case]) -> list[Run]:
        """Runs of these cases in their order: measured now where there is no record yet, judged by today's code."""
        wanted = list(cases)
        missing = [case for case in wanted if case.key not in self._runs]
        with ProcessPoolExecutor(self._workers) as pool:
            self._runs.update((run.key, run) for run in pool.map(partial(run_one, self.folder), missing))
        return [self._runs[case.key] for case in wanted]

    def truth(self, plant_seed: int) -> dict[str, float]:
        """A drawn plant's true values, from integrating it without noise; kept, too."""
        kept = self.folder / f"truth-{plant_seed}.json"
        if not kept.exists():
            command = [sys.executable, "-m", "rigs_demo", "truth", "sluice", "--plant-seed", str(plant_seed)]
            answer = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout
            kept.write_text(answer, encoding="utf-8")
        return {name: entry["value"] for name, entry in json.loads(kept.read_text(encoding="utf-8")).items()}


def run_one(store: Path, case: Case) -> Run:
    """One case: its record judged by today's code where there is one, otherwise measured now."""
    folder = store / case.key
    if (folder / "record.json").exists():
        record = read(folder)
        if record.finished:
            return judged(case.key, record, judge_again(record, load(RIG)))
        shutil.rmtree(folder)
    options = [] if case.plant_seed is None else ["--plant-seed", str(case.plant_seed)]
    options += [word for fault in case.faults for word in ("--with-fault", fault)]
    if not case.alone:
        return qualify(case, folder, str(RIG), options)
    with (
        tempfile.TemporaryDirectory() as place,
        stand_alone(Path(place), "sluice", "--seed", str(case.seed), *options) as bench,
    ):
        return qualify(case, folder, str(bench.rig_file))


def qualify(case: Case, folder: Path, rig: str, options: Iterable[str] = ()) -> Run:
    """One qualification in a process of its own, as a user would."""
    command = [str(Path(sys.executable).parent / "rotorgate"), "--quiet", "qualify", rig, "--no-store"]
    command += ["--out", str(folder), "--seed", str(case.seed), *options]
    command += ["--only", *case.only] if case.only else []
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if not (folder / "record.json").exists():
        sys.stderr.write(f"{case.key}: no record; {done.stderr.strip()[-500:]}\n")
        return Run(key=case.key, exit_code=done.returncode)
    content = read(folder).content
    run = Run(
        key=case.key,
        exit_code=done.returncode,
        outcomes=outcomes((v["name"], v["requirement"] is not None, v["outcome"]) for v in content["verdicts"]),
        causes=tuple(cause["words"] for cause in content["causes"]) or (content["diagnosis"]["words"],),
        measured={m["name"]: (m["value"], m["u"], *m["interval95"]) for m in content["measurements"]},
    )
    sys.stderr.write(f"{case.key}: exit {run.exit_code} {'; '.join(run.causes)}\n")
    return run


def judged(key: str, record: Record, again: Again) -> Run:
    """A run as it stands in its record, judged by today's code."""
    measured = {one.name: one.quantity for one in again.results if isinstance(one, Measurement)}
    return Run(
        key=key,
        exit_code=int(exit_code(again.verdicts, record.content["required"])),
        outcomes=outcomes((v.name, v.requirement is not None, v.outcome.value) for v in again.verdicts),
        causes=tuple(cause.words for cause in again.diagnosis.causes) or (again.diagnosis.words,),
        measured={name: (found.value, found.u, *interval(found)) for name, found in measured.items()},
    )


def outcomes(verdicts: Iterable[tuple[str, bool, str]]) -> dict[str, str]:
    """Verdict words by quantity, and by requirement."""
    return {f"{name}{' (requirement)' if required else ''}": word for name, required, word in verdicts}


def _off(run: Run) -> str:
    return ", ".join(f"{name} {word}" for name, word in run.outcomes.items() if word not in {"agrees", "conforming"})


def healthy(store: Store, seeds: int, plants: int) -> Iterator[tuple[str, bool]]:
    """The healthy plant passes: over run seeds, and over drawn plants."""
    over_seeds = store.run_all(Case(seed=seed) for seed in range(1, seeds + 1))
    passed = sum(run.exit_code == 0 for run in over_seeds)
    yield f"nominal plant, {passed} of {seeds} seeds pass", passed >= math.ceil(0.95 * seeds)
    over_plants = store.run_all(Case(seed=100 + plant, plant_seed=plant) for plant in range(1, plants + 1))
    passed = sum(run.exit_code == 0 for run in over_plants)
    yield f"drawn plants, {passed} of {plants} pass", passed >= math.ceil(0.95 * plants)
    for run in [*over_seeds, *over_plants]:
        if run.exit_code != 0:
            yield f"  {run.key}: exit {run.exit_code}: {_off(run)}", True


def coverage(store: Store, plants: int) -> Iterator[tuple[str, bool]]:
    """95 % intervals hold the true values, and errors are as large as their uncertainties say."""
    runs = store.run_all(Case(seed=100 + plant, plant_seed=plant) for plant in range(1, plants + 1))
    errors: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    for plant, run in enumerate(runs, start=1):
        true = store.truth(plant)
        for name, (value, u, low, high) in run.measured.items():
            if name in true and u > 0.0:
                errors[name].append(((value - true[name]) / u, low <= true[name] <= high))
    held_in_all = total = 0
    for name, rows in sorted(errors.items()):
        held = sum(inside for _, inside in rows)
        rms = math.sqrt(sum(error**2 for error, _ in rows) / len(rows))
        mean = sum(error for error, _ in rows) / len(rows)
        held_in_all, total = held_in_all + held, total + len(rows)
        # With 95 % coverage fewer than 33 of 40 come once in 1400 times (binomial), among 70 quantities once in 20.
        spread = 0.65 <= round(rms, 2) <= 1.4 or name.endswith(EXACT_HERE)
        good = plants < 20 or (held >= math.floor(33 / 40 * len(rows)) and spread)
        yield f"  {name}: {held} of {len(rows)} intervals hold, rms error {rms:.2f} u, mean {mean:+.2f} u", good
    share = held_in_all / max(1, total)
    yield f"all quantities: {100 * share:.1f} % of {total} intervals hold", plants < 20 or 0.93 <= share <= 0.97


def same(one: Run, other: Run) -> bool:
    """Whether two runs say the same."""
    return (one.outcomes, one.causes, one.exit_code) == (other.outcomes, other.causes, other.exit_code)


def named(run: Run, words: str) -> bool:
    """Whether the run ended with 1 and a named cause holds the words."""
    return run.exit_code == 1 and any(words.lower() in cause.lower() for cause in run.causes)


def shown_by(fault: str) -> tuple[str, ...]:
    """Checks to run where only this fault is looked for; commutation comes before any closed loop."""
    return ("commutation", *SHOWN_BY.get(fault, ()))


def faults(store: Store, plants: int) -> Iterator[tuple[str, bool]]:
    """Each rig fault is caught with its cause: at nominal by a whole qualification, on drawn plants by its checks."""
    for fault, words in CAUSES.items():
        nominal = store.run_all([Case(seed=1, faults=(fault,))])[0]
        drawn = store.run_all(
            Case(seed=200 + plant, plant_seed=plant, faults=(fault,), only=shown_by(fault))
            for plant in range(1, plants + 1)
        )
        caught = sum(named(run, words) for run in drawn)
        yield (
            f"{fault}: nominal {'caught' if named(nominal, words) else 'MISSED'}, {caught} of {plants} drawn plants",
            (named(nominal, words) and caught >= math.ceil(0.95 * plants)),
        )
        for run in [nominal, *drawn]:
            if not named(run, words):
                yield f"  {run.key}: exit {run.exit_code}, causes {run.causes}: {_off(run)}", True
    plain = store.run_all([Case(seed=1)])[0]
    for fault in CAUSES:
        silent, known, alone = store.run_all(
            [
                Case(seed=1, faults=(f"{fault}=0",)),
                Case(seed=1, faults=(fault,)),
                Case(seed=1, faults=(fault,), alone=True),
            ]
        )
        yield f"{fault}=0: verdicts as without it", same(silent, plain)
        yield f"{fault}: a bench that stands alone gives the same verdicts and cause", same(alone, known)


OF_FIRMWARE = ("slack-gain", "late-loop", "pulse-reading")


def thin(store: Store) -> Iterator[tuple[str, bool]]:
    """Every fault once at nominal, with the checks that show it; those of firmware are in test_gate.py, with causes."""
    those = [fault for fault in CAUSES if fault not in OF_FIRMWARE]
    cases = [Case(seed=1, faults=(fault,), only=shown_by(fault)) for fault in those]
    for fault, run in zip(those, store.run_all(cases), strict=True):
        said = "; ".join(run.causes) or "no cause"
        yield f"{fault}: exit {run.exit_code}: {said}", named(run, CAUSES[fault])


def pairs(store: Store) -> Iterator[tuple[str, bool]]:
    """Two faults at once must never be explained by a wrong single cause."""
    for pair in PAIRS:
        run = store.run_all([Case(seed=1, faults=pair)])[0]
        words = "; ".join(run.causes) or "none"
        yield f"{' + '.join(pair)}: {words}", run.exit_code == 1 and "not known" in words


def matrix(store: Store) -> Iterator[str]:
    """Rows of the matrix fault x quantity: measured with the fault over measured without, on the nominal plant."""
    plain = store.run_all([Case(seed=1)])[0].measured
    runs = {fault: store.run_all([Case(seed=1, faults=(fault,))])[0].measured for fault in CAUSES}
    yield "| quantity (gate) | " + " | ".join(runs) + " |"
    yield "|---" * (len(runs) + 1) + "|"
    for name, (value, u, _, _) in plain.items():
        if not name.startswith("gate.") or value == 0.0:
            continue
        cells = []
        for measured in runs.values():
            if name not in measured:
                cells.append("not run")
                continue
            moved = abs(measured[name][0] - value) > 3.0 * math.hypot(u, measured[name][1])
            cells.append(f"**{measured[name][0] / value:.2f}**" if moved else f"{measured[name][0] / value:.2f}")
        yield f"| {name.removeprefix('gate.')} | " + " | ".join(cells) + " |"


def main() -> int:
    """Run the parts asked for, print each line, and tell whether all of it held."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--slice", action="store_true", help="the thin slice that every change runs")
    parser.add_argument("--matrix", action="store_true", help="only print the matrix fault x quantity")
    parser.add_argument("--out", type=Path, help="folder that keeps the runs, so that a stopped validation goes on")
    parser.add_argument("--workers", type=int, default=1, help="qualifications at a time (each keeps two cores busy)")
    options = parser.parse_args()
    seeds, plants, fault_plants = (1, 1, 0) if options.slice else (20, 40, 20)
    with tempfile.TemporaryDirectory() as scratch:
        store = Store(options.out or Path(scratch), options.workers)
        if options.matrix:
            sys.stdout.writelines(f"{row}\n" for row in matrix(store))
            return 0
        parts = [healthy(store, seeds, plants)]
        parts += (
            [thin(store)] if options.slice else [coverage(store, plants), faults(store, fault_plants), pairs(store)]
        )
        good = True
        for part in parts:
            for line, holds in part:
                good &= holds
                sys.stdout.write(f"{'ok  ' if holds else 'FAIL'} {line}\n")
                sys.stdout.flush()
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
