"""Qualifications to try the judging on: seeds, drawn plants, rig faults; each measured once and kept in a folder.

A kept run is judged by the code of today without being measured again.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from harness.judge.tally import exit_code
from harness.nouns.coverage import interval
from harness.nouns.results import Measurement
from harness.record import Record, read
from harness.rigfile import load
from harness.run.judge_again import Judgement, judge_again
from tests.bench.conftest import stand_alone
from tests.results import ROOT, fingerprint

RIG = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
MEASURED_BY = (
    *("rigs_demo", "device_scripts", "harness/acting", "harness/checks/strength.py"),
    *("harness/checks/*/stimulus.py", "harness/checks/*/procedure.py", "harness/checks/thermal/heating.py"),
)
"""Sources that an observation comes from: once they change, kept runs are those of another bench."""
DEMO = ("*.py", "board", "firmware", "instruments", "plant", "plants", "policies", "rigs", "shadow", "truth")
"""Of the demo, without its slips, which nothing but their own trials reads."""
QUALIFIED_BY = (
    *(*(f"rigs_demo/{part}" for part in DEMO), "device_scripts", "harness/checks", "harness/fits"),
    *("harness/corrections", "harness/acting", "harness/physics", "harness/judge", "harness/nouns/quantity.py"),
    *("harness/nouns/coverage.py", "harness/nouns/reading.py", "harness/nouns/gravity.py", "harness/nouns/effects.py"),
)
"""Sources that what a qualification says comes from."""


class OtherBench(Exception):
    """A folder holds runs that the sources of today would not have measured."""


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
        """Name of the case and of its folder."""
        parts = [f"seed-{self.seed}", f"plant-{self.plant_seed}" if self.plant_seed is not None else "nominal"]
        return "_".join([*parts, *self.faults, *(f"only-{check}" for check in self.only)]) + self.alone * "_alone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What one qualification said: verdict words, causes, and measured values with their intervals."""

    key: str
    exit_code: int
    outcomes: dict[str, str] = field(default_factory=dict)
    causes: tuple[str, ...] = ()
    diagnosis: str = ""
    """The causes in one line, as a person reads them; or that none is known."""
    measured: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    """name: value, u, low, high of the 95 % interval."""

    def agrees_with(self, other: Run) -> bool:
        """Whether both say the same."""
        return (self.outcomes, self.causes, self.exit_code) == (other.outcomes, other.causes, other.exit_code)

    def names(self, words: str) -> bool:
        """Whether the run ended with 1 and a named cause holds the words."""
        return self.exit_code == 1 and any(words.lower() in cause.lower() for cause in self.causes)

    @property
    def off(self) -> str:
        """What is neither as expected nor conforming."""
        return ", ".join(
            f"{name} {word}" for name, word in self.outcomes.items() if word not in {"agrees", "conforming"}
        )


def claim(folder: Path, measured_by: Sequence[str]) -> None:
    """Make a folder for runs, noting the sources that they come from. Raises OtherBench if it holds those of others."""
    folder.mkdir(parents=True, exist_ok=True)
    note, now = folder / "measured-by", fingerprint(measured_by)
    then = note.read_text(encoding="utf-8") if note.exists() else now
    if then != now:
        raise OtherBench(
            f"{folder}: expected runs measured by the sources of today ({now}), found those of {then}: "
            "name another folder, or delete this one"
        )
    note.write_text(now, encoding="utf-8")


class Cases:
    """Records of the cases run so far, each in a folder of its own; a case is measured at most once."""

    def __init__(self, folder: Path, workers: int) -> None:
        """Raises OtherBench if the folder holds runs of other sources."""
        claim(folder, MEASURED_BY)
        self.folder = folder
        self._workers = workers
        self._runs: dict[str, Run] = {}

    def run_all(self, cases: Iterable[Case]) -> list[Run]:
        """Runs of these cases in their order: measured now where there is no record yet, judged by today's code."""
        wanted = list(cases)
        missing = [case for case in wanted if case.key not in self._runs]
        with ProcessPoolExecutor(self._workers) as pool:
            self._runs.update((run.key, run) for run in pool.map(partial(_run, self.folder), missing))
        return [self._runs[case.key] for case in wanted]

    def truth(self, plant_seed: int) -> dict[str, float]:
        """A drawn plant's true values, from integrating it without noise; kept, too."""
        kept = self.folder / f"truth-{plant_seed}.json"
        if not kept.exists():
            command = [sys.executable, "-m", "rigs_demo", "truth", "sluice", "--plant-seed", str(plant_seed)]
            answer = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout
            kept.write_text(answer, encoding="utf-8")
        return {name: entry["value"] for name, entry in json.loads(kept.read_text(encoding="utf-8")).items()}


def _run(store: Path, case: Case) -> Run:
    """One case: its record judged by today's code where there is one, otherwise measured now."""
    folder = store / case.key
    if (folder / "record.json").exists():
        record = read(folder)
        if record.finished:
            return _judged(case.key, record, judge_again(record, load(RIG)))
        shutil.rmtree(folder)
    options = [] if case.plant_seed is None else ["--plant-seed", str(case.plant_seed)]
    options += [word for fault in case.faults for word in ("--with-fault", fault)]
    if not case.alone:
        return _qualified(case, folder, str(RIG), options)
    with (
        tempfile.TemporaryDirectory() as place,
        stand_alone(Path(place), "sluice", "--seed", str(case.seed), *options) as bench,
    ):
        return _qualified(case, folder, str(bench.rig_file))


def _qualified(case: Case, folder: Path, rig: str, options: Iterable[str] = ()) -> Run:
    """One qualification in a process of its own, as a user would."""
    command = [str(Path(sys.executable).parent / "rotorgate"), "--quiet", "qualify", rig, "--no-store"]
    command += ["--out", str(folder), "--seed", str(case.seed), *options]
    command += ["--only", *case.only] if case.only else []
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if not (folder / "record.json").exists():
        sys.stderr.write(f"{case.key}: no record; {done.stderr.strip()[-500:]}\n")
        return Run(key=case.key, exit_code=done.returncode)
    record = read(folder)
    words = record.diagnosis.words
    run = Run(
        key=case.key,
        exit_code=done.returncode,
        outcomes=_outcomes((v.name, v.requirement is not None, v.outcome.value) for v in record.verdicts),
        causes=tuple(cause.words for cause in record.causes) or (words,),
        diagnosis=words,
        measured={m.name: (m.value, m.u, *m.interval95) for m in record.measurement_entries},
    )
    sys.stderr.write(f"{case.key}: exit {run.exit_code} {words}\n")
    return run


def _judged(key: str, record: Record, again: Judgement) -> Run:
    """A run as it stands in its record, judged by today's code."""
    measured = {result.name: result.quantity for result in again.results if isinstance(result, Measurement)}
    return Run(
        key=key,
        exit_code=int(exit_code(again.verdicts, record.required)),
        outcomes=_outcomes((v.name, v.requirement is not None, v.outcome.value) for v in again.verdicts),
        causes=tuple(cause.words for cause in again.diagnosis.causes) or (again.diagnosis.words,),
        diagnosis=again.diagnosis.words,
        measured={name: (found.value, found.u, *interval(found, 0.95)) for name, found in measured.items()},
    )


def _outcomes(verdicts: Iterable[tuple[str, bool, str]]) -> dict[str, str]:
    """Verdict words by quantity, and by requirement."""
    return {f"{name}{' (requirement)' if required else ''}": word for name, required, word in verdicts}
