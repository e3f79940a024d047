"""A record while it is made: every observation on disk when taken, record.json whole at any moment."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from harness.base.disk import LINKED, write_bytes, write_synced
from harness.base.errors import BenchError, HarnessError, RecordError
from harness.nouns.observation import Observation
from harness.nouns.results import Curve, Expectation, Measurement, Unmeasured, Verdict
from harness.record.entries import CauseEntry, DiagnosisEntry, OpeningEntries, PlanEntries, StopEntry
from harness.record.forms import FOLDER, OBSERVATION_FILE, RecordEntry, clean, result_entries
from harness.record.record import FILE, Record
from harness.record.schema import SCHEMA

GROWING = ("observations", "measurements", "unmeasured", "expectations", "verdicts", "curves")
"""Lists of record.json to which entries are only added."""


class RecordWriter:
    """The record of one run. Until `finish` it says that it is unfinished."""

    def __init__(self, folder: Path, opening: OpeningEntries) -> None:
        """Start a record in `folder`, which must not hold one.

        Raises RecordError.
        """
        self.folder = folder
        if (folder / FILE).exists():
            raise RecordError(f"{folder}: holds a record already; choose another folder with --out")
        try:
            (folder / FOLDER).mkdir(parents=True, exist_ok=True)
            if (folder / FOLDER).is_symlink():
                raise RecordError(f"{folder / FOLDER}: {LINKED}; choose another folder with --out")
        except OSError as error:
            raise RecordError(f"{folder}: cannot make a folder for the record: {error.strerror}") from error
        self._content: dict[str, Any] = {}
        # The same as JSON, of a list that grows each entry, so that nothing is encoded twice.
        self._set_texts: dict[str, str] = {}
        self._added_texts: dict[str, list[str]] = {name: [] for name in GROWING}
        self._stop: StopEntry | None = None
        self._set(schema=SCHEMA, finished=False, ended_utc=None, stop=None, exit_code=None, causes=[])
        self._set(**_entries(opening))
        self._content.update({name: [] for name in GROWING})
        self._write()

    def keep(self, observation: Observation) -> None:
        """Put an observation on disk, raw, and name it in record.json. Its name must be new."""
        name = observation.name
        relative = f"{FOLDER}/{name}.npy"
        if not OBSERVATION_FILE.fullmatch(relative):
            raise HarnessError(f"observation {name!r}: expected a dotted name of small letters, digits and _")
        if any(entry["name"] == name for entry in self._content["observations"]):
            raise HarnessError(f"observation {name}: kept already; each needs a name of its own")
        if observation.data.dtype.hasobject:
            raise HarnessError(f"observation {name}: holds Python objects; expected numbers only")
        try:
            write_synced(self.folder / relative, lambda stream: np.save(stream, observation.data, allow_pickle=False))
        except OSError as error:
            raise BenchError(f"{self.folder / relative}: cannot write: {error.strerror}") from error
        entry = {
            "name": name,
            "file": relative,
            "conditions": observation.conditions,
            "columns": [{"name": c.name, "unit": c.unit, "scale": c.scale} for c in observation.columns],
        }
        self._append("observations", [entry])
        self._write()

    def add(
        self,
        *,
        results: Iterable[Measurement | Unmeasured] = (),
        expectations: Iterable[Expectation] = (),
        verdicts: Iterable[Verdict] = (),
        curves: Iterable[Curve] = (),
    ) -> None:
        """Add what an analysis gave, what the models predict, decisions, and curves for the report; one write."""
        made = result_entries(results=results, expectations=expectations, verdicts=verdicts, curves=curves)
        for name, entries in made.items():
            self._append(name, entries)
        self._write()

    def plan(self, plan: PlanEntries) -> None:
        """Say what the run is going to do."""
        self._put(**_entries(plan))

    def begin(self, words: str) -> None:
        """Say which check is at work, in case the host dies meanwhile."""
        self._put(running=words)

    def explain(self, causes: Sequence[CauseEntry], diagnosis: DiagnosisEntry, *, whole: bool) -> None:
        """Say what the verdicts point to. `whole`: the run came to its end, and nothing is at work any more."""
        self._put(causes=causes, diagnosis=diagnosis, **({"running": None} if whole else {}))

    def end_with(self, switched_off: str) -> None:
        """Say what was switched off at the end, once it is."""
        self._put(switched_off=switched_off)

    def leave_unexercised(self, lines: Sequence[str]) -> None:
        """Say where no loop was exercised."""
        self._put(not_exercised=lines)

    def stop(self, kind: str, message: str, *, by_hand: str = "") -> None:
        """Say why the run ended before its end; a first reason is not overwritten by what follows from it.

        `by_hand`: what a person must do now; it comes first, and is added to a reason that stands.
        """
        known = self._stop or StopEntry(kind=kind, message=message)
        if self._stop is None or by_hand:
            self._stop = replace(known, by_hand=known.by_hand or by_hand or None)
            self._put(stop=self._stop)

    def finish(self, exit_code: int, ended_utc: str) -> None:
        """Close the record. `finished` is true only if nothing stopped the run."""
        self._put(finished=self._stop is None, exit_code=int(exit_code), ended_utc=ended_utc)

    def read(self) -> Record:
        """What has been written so far, as a reader finds it."""
        return Record(self.folder, self._bytes())

    def _put(self, **entries: object) -> None:
        """Set entries, whole, on disk when this returns."""
        self._set(**entries)
        self._write()

    def _set(self, **entries: object) -> None:
        for name, value in entries.items():
            self._content[name] = clean(value)
            self._set_texts[name] = _encoded(self._content[name])

    def _append(self, name: str, entries: Iterable[RecordEntry]) -> None:
        for entry in map(clean, entries):
            self._content[name].append(entry)
            self._added_texts[name].append(_encoded(entry))

    def _write(self) -> None:
        whole = self._bytes()
        try:
            write_bytes(self.folder / FILE, whole)
        except OSError as error:
            raise BenchError(f"{self.folder / FILE}: cannot write: {error.strerror}") from error

    def _bytes(self) -> bytes:
        """An entry a line: a record is read by eye and compared, and an indenting encoder is ten times as slow."""
        lines = [f"{_encoded(name)}: {text}" for name, text in self._set_texts.items()]
        for name, texts in self._added_texts.items():
            lines.append(f"{_encoded(name)}: [\n  " + ",\n  ".join(texts) + "\n ]")
        return ("{\n " + ",\n ".join(lines) + "\n}\n").encode("ascii")


def _entries(parts: OpeningEntries | PlanEntries) -> dict[str, object]:
    return {field.name: getattr(parts, field.name) for field in fields(parts)}


def _encoded(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True, allow_nan=False)
