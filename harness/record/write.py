"""A record while it is made: every observation on disk when taken, record.json whole at any moment."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from harness.errors import BenchError, HarnessError, RecordError
from harness.observation import Observation
from harness.record.disk import write_synced
from harness.record.forms import (
    clean,
    curve_entry,
    expectation_entry,
    measurement_entry,
    unmeasured_entry,
    verdict_entry,
)
from harness.results import Curve, Expectation, Measurement, Unmeasured, Verdict

SCHEMA = 1
FILE = "record.json"
FOLDER = "observations"
OBSERVATION_NAME = re.compile(r"[a-z0-9_]+(\.[a-z0-9_]+)*")


class RecordWriter:
    """The record of one run. Until `finish` it says that it is unfinished."""

    def __init__(self, folder: Path, opening: Mapping[str, Any]) -> None:
        """Start a record in `folder`, which must not hold one; `opening` is what is known before measuring.

        Raises RecordError.
        """
        self.folder = folder
        if (folder / FILE).exists():
            raise RecordError(f"{folder}: holds a record already; choose another folder with --out")
        try:
            (folder / FOLDER).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordError(f"{folder}: cannot make a folder for the record: {error.strerror}") from error
        self._content: dict[str, Any] = {
            "schema": SCHEMA,
            "finished": False,
            "ended_utc": None,
            "stop": None,
            "exit_code": None,
            **clean(opening),
            "observations": [],
            "measurements": [],
            "unmeasured": [],
            "expectations": [],
            "verdicts": [],
            "curves": [],
            "causes": [],
        }
        self._write()

    def keep(self, observation: Observation) -> None:
        """Put an observation on disk, raw, and name it in record.json. Its name must be new."""
        name = observation.name
        if not OBSERVATION_NAME.fullmatch(name):
            raise HarnessError(f"observation {name!r}: expected a dotted name of small letters, digits and _")
        if any(entry["name"] == name for entry in self._content["observations"]):
            raise HarnessError(f"observation {name}: kept already; each needs a name of its own")
        if observation.data.dtype.hasobject:
            raise HarnessError(f"observation {name}: holds Python objects; expected numbers only")
        relative = f"{FOLDER}/{name}.npy"
        try:
            write_synced(self.folder / relative, lambda stream: np.save(stream, observation.data, allow_pickle=False))
        except OSError as error:
            raise BenchError(f"{self.folder / relative}: cannot write: {error.strerror}") from error
        self._content["observations"].append(
            {
                "name": name,
                "file": relative,
                "conditions": clean(observation.conditions),
                "columns": [{"name": c.name, "unit": c.unit, "scale": c.scale} for c in observation.columns],
            }
        )
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
        content = self._content
        for result in results:
            if isinstance(result, Measurement):
                content["measurements"].append(clean(measurement_entry(result)))
            else:
                content["unmeasured"].append(clean(unmeasured_entry(result)))
        content["expectations"] += [clean(expectation_entry(entry)) for entry in expectations]
        content["verdicts"] += [clean(verdict_entry(verdict)) for verdict in verdicts]
        content["curves"] += [clean(curve_entry(curve)) for curve in curves]
        self._write()

    def put(self, **entries: Any) -> None:
        """Set other entries of record.json, whole."""
        self._content.update(clean(entries))
        self._write()

    def stop(self, kind: str, message: str) -> None:
        """Say why the run ended before its end; a first reason is not overwritten by what follows from it."""
        if self._content["stop"] is None:
            self.put(stop={"kind": kind, "message": message})

    def finish(self, exit_code: int, ended_utc: str) -> None:
        """Close the record. `finished` is true only if nothing stopped the run."""
        self._content.update(finished=self._content["stop"] is None, exit_code=int(exit_code), ended_utc=ended_utc)
        self._write(indent=1)

    @property
    def content(self) -> Mapping[str, Any]:
        """What stands in record.json."""
        return self._content

    def _write(self, indent: int | None = None) -> None:
        # Indented only at the end: without it the encoder is written in C, ten times as fast.
        text = json.dumps(self._content, ensure_ascii=True, allow_nan=False, indent=indent)
        try:
            write_synced(self.folder / FILE, lambda stream: stream.write(text.encode("ascii")))
        except OSError as error:
            raise BenchError(f"{self.folder / FILE}: cannot write: {error.strerror}") from error
