"""Firmwares with a slip in them, each qualified once on a simulated bench, and kept in a folder.

The bench stands alone, so that neither its rig file nor the command that qualifies knows what is on the board.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from harness.base.errors import RecordError
from harness.nouns.names import Name
from harness.nouns.standing import Standing
from harness.record import Record, read
from rigs_demo.slips import RIGS, slip_of, source_of
from tests import warm
from tests.bench.cases import QUALIFIED_BY, claim
from tests.bench.conftest import environment, stand_alone
from tests.results import ROOT

BENCH = tuple(
    f"rigs_demo/{name}"
    for name in ("__main__.py", "clock*.py", "scenario.py", "streams.py", "board", "shadow", "instruments", "plant",
                 "plants", "rigs")
)  # fmt: skip
"""The simulated bench without what it is given to qualify."""
HARNESS = (
    *(name for name in QUALIFIED_BY if not name.startswith("rigs_demo")),
    *("harness/bench", "harness/link", "harness/run"),
)
LONGEST_S = 900.0
"""Wall time for one qualification, many times what it takes (arbitrary); one that takes longer is told as such."""
ENDS_S = 30.0
"""Wall time for the bench to end by itself after its host (arbitrary; it takes at most half of it)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One firmware on one bench."""

    seed: int
    plant_seed: int | None = None
    only: tuple[str, ...] = ()
    slip: str | None = None
    """None for the demo's firmware as it is."""
    firmware: str

    @property
    def key(self) -> str:
        """Name of the trial and of its folder."""
        parts = [self.slip or self.firmware, "nominal" if self.plant_seed is None else f"plant-{self.plant_seed}"]
        return "_".join([*parts, f"seed-{self.seed}", *(f"only-{check}" for check in self.only)])

    @property
    def source(self) -> str:
        """The firmware's text."""
        if self.slip is not None:
            return source_of(self.slip)
        return (ROOT / "rigs_demo" / "firmware" / f"{self.firmware}.py").read_text(encoding="utf-8")


def trial_of(slip: str, seed: int, plant_seed: int | None = None, only: tuple[str, ...] = ()) -> Trial:
    """A slip on a bench."""
    return Trial(seed=seed, plant_seed=plant_seed, only=only, slip=slip, firmware=slip_of(slip).firmware)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that is not as it should be: name without motor, verdict word, reason."""

    name: str
    word: str
    bad: bool
    """Whether it speaks against the firmware; otherwise it is only open."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How one trial ended."""

    key: str
    folder: str
    exit_code: int | None
    """None where the command did not end in LONGEST_S."""
    findings: tuple[Finding, ...]
    """In the order in which they were judged, what speaks against the firmware before what is open."""
    causes: tuple[str, ...]
    said: str
    """The command's last line on its error stream."""
    driven: tuple[str, ...] | None
    """Motors whose bridge was enabled when the host left; None where the bench could not tell."""
    duties: tuple[str, ...] | None
    supply: bool | None
    time_ms: float | None
    """Of the bench's own clock, from its start to when the host left."""

    @property
    def energised(self) -> str:
        """What was energised at the end, in words."""
        if self.driven is None or self.duties is None:
            return "not known"
        words = [f"bridge of {name}" for name in self.driven] + [f"duties of {name}" for name in self.duties]
        return " and ".join(words) or "nothing"

    @property
    def record(self) -> Record | None:
        """What the run left, where it came so far and can be read."""
        try:
            return read(Path(self.folder))
        except RecordError:
            return None


class Trials:
    """Trials run so far, each in a folder of its own; one is run again only where its firmware is another one."""

    def __init__(self, folder: Path, workers: int) -> None:
        """Raises OtherBench if the folder holds runs of other sources."""
        claim(folder, (*BENCH, *HARNESS, "device_scripts"))
        self.folder = folder.absolute()
        self._workers = workers

    def run_all(self, trials: Iterable[Trial]) -> list[Ended]:
        """How these ended, in their order."""
        with ThreadPoolExecutor(self._workers) as pool:
            return list(pool.map(partial(_ended, self.folder), trials))


def _ended(store: Path, trial: Trial) -> Ended:
    folder, sha = store / trial.key, hashlib.sha256(trial.source.encode()).hexdigest()
    note = folder / "ended.json"
    if note.exists():
        kept = json.loads(note.read_text(encoding="utf-8"))
        if kept.pop("sha256") == sha:
            return _read(kept)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    ended = _qualified(trial, folder)
    note.write_text(json.dumps({**asdict(ended), "sha256": sha}, indent=1), encoding="utf-8")
    sys.stderr.write(f"{trial.key}: exit {ended.exit_code}: {'; '.join(ended.causes) or ended.said}\n")
    return ended


def _read(kept: dict[str, Any]) -> Ended:
    lists = {key: tuple(value) for key, value in kept.items() if isinstance(value, list)}
    return Ended(**{**kept, **lists, "findings": tuple(Finding(**finding) for finding in kept["findings"])})


def _qualified(trial: Trial, folder: Path) -> Ended:
    """One qualification in a process of its own, as a person would run it, and what its bench was left in."""
    firmware, run, witness = folder / "firmware", folder / "run", folder / "left.json"
    firmware.mkdir()
    (firmware / f"{trial.firmware}.py").write_text(trial.source, encoding="utf-8")
    options = ["--seed", str(trial.seed)]
    options += [] if trial.plant_seed is None else ["--plant-seed", str(trial.plant_seed)]
    with (
        tempfile.TemporaryDirectory() as scratch,
        stand_alone(Path(scratch), RIGS[trial.firmware], *options, witness=witness) as bench,
    ):
        words = ["--quiet", "qualify", str(bench.rig_file), "--no-store", "--out", str(run), "--seed", str(trial.seed)]
        words += ["--firmware", str(firmware), *(["--only", *trial.only] if trial.only else [])]
        code, said = _run(words, Path(scratch))
        try:
            bench.process.wait(ENDS_S)
        except subprocess.TimeoutExpired:
            sys.stderr.write(f"{trial.key}: the bench did not end by itself\n")
    left = json.loads(witness.read_text(encoding="utf-8")) if witness.exists() else {}
    findings, causes = _found(run)
    return Ended(
        key=trial.key,
        folder=str(run),
        exit_code=code,
        findings=findings,
        causes=causes,
        said=said,
        driven=tuple(left["driven"]) if left else None,
        duties=tuple(left["duties"]) if left else None,
        supply=left.get("supply"),
        time_ms=left.get("time_ms"),
    )


def _run(words: list[str], scratch: Path) -> tuple[int | None, str]:
    """Exit code of the command, None after too long, and the last line of its error stream."""
    try:
        # Its locks are its own: a port of one bench is another's as soon as it has ended.
        done = warm.run("rotorgate", words, ROOT, {**environment(scratch), "TMPDIR": str(scratch)}, LONGEST_S)
    except subprocess.TimeoutExpired:
        return None, ""
    lines = done.stderr.strip().splitlines()
    return done.returncode, lines[-1].removeprefix("rotorgate: ") if lines else ""


def _found(folder: Path) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    try:
        record = read(folder)
    except RecordError:
        return (), ()
    found = [
        Finding(
            name=Name(verdict.name).suffix,
            word=verdict.outcome.value,
            bad=verdict.outcome.standing is Standing.BAD,
            reason=verdict.reason,
        )
        for verdict in record.verdicts
        if verdict.outcome.standing in (Standing.BAD, Standing.OPEN)
    ]
    causes = tuple(cause.words for cause in record.causes) or tuple(filter(None, [record.diagnosis.words]))
    return tuple(sorted(found, key=lambda finding: not finding.bad)), causes
