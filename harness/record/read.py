"""Reading records, whole or unfinished, of this schema and of older ones."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from harness.base.errors import RecordError
from harness.base.words import visible
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Expectation, Measurement, Unmeasured
from harness.record.forms import expectation_from, measurement_from, unmeasured_from
from harness.record.write import FILE, SCHEMA

NEEDED: Mapping[str, type] = {
    "finished": bool,
    "virtual": bool,
    "rig": dict,
    "planned": list,
    "observations": list,
    "measurements": list,
    "unmeasured": list,
    "expectations": list,
    "verdicts": list,
}
"""Entries that every record of schema 1 has from its first write, with their types."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record on disk: its folder and record.json as parsed."""

    folder: Path
    content: Mapping[str, Any]

    @property
    def finished(self) -> bool:
        """Whether the run came to its end."""
        return bool(self.content["finished"])

    @property
    def results(self) -> list[Measurement | Unmeasured]:
        """Measurements and planned quantities without a number. Raises RecordError where one is damaged."""
        try:
            measured = [measurement_from(entry) for entry in self.content["measurements"]]
            return [*measured, *(unmeasured_from(entry) for entry in self.content["unmeasured"])]
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            what = f"a measurement lacks {error}" if isinstance(error, KeyError) else visible(str(error))
            raise RecordError(f"{visible(str(self.folder))}: damaged: {what}") from error

    @property
    def expectations(self) -> list[Expectation]:
        """What the models predicted."""
        return [expectation_from(entry) for entry in self.content["expectations"]]

    def observation(self, name: str) -> Observation:
        """One observation with its raw data. Raises RecordError; never unpickles, never leaves the folder."""
        for entry in self.content["observations"]:
            if entry["name"] == name:
                return self._observation(entry)
        raise RecordError(f"{self.folder}: no observation {name}")

    def observations(self) -> list[Observation]:
        """All observations, in the order they were taken."""
        return [self._observation(entry) for entry in self.content["observations"]]

    def raw(self, entry: Mapping[str, Any]) -> bytes:
        """The .npy file of an observation's entry, as written. Raises RecordError; never leaves the folder."""
        path = self.folder / str(entry["file"])
        if not path.resolve().is_relative_to(self.folder.resolve()):
            raise RecordError(f"{self.folder}: observation file {entry['file']!r} lies outside the record; not read")
        try:
            return path.read_bytes()
        except OSError as error:
            raise RecordError(f"{path}: cannot read the observation: {error.strerror}") from error

    def _observation(self, entry: Mapping[str, Any]) -> Observation:
        path = self.folder / str(entry["file"])
        try:
            data = np.load(io.BytesIO(self.raw(entry)), allow_pickle=False)
        except (ValueError, EOFError) as error:
            raise RecordError(f"{path}: cannot read the observation: {error}") from error
        columns = tuple(Column(name=c["name"], unit=c["unit"], scale=c["scale"]) for c in entry["columns"])
        missing = [c.name for c in columns if data.dtype.names is None or c.name not in data.dtype.names]
        if missing:
            raise RecordError(f"{path}: expected columns {', '.join(missing)}, which are not there")
        return Observation(name=entry["name"], columns=columns, data=data, conditions=entry["conditions"])


def read(folder: Path) -> Record:
    """The record in a folder (or beside the record.json it names). Raises RecordError in one line."""
    return parsed(*text_of(folder))


def text_of(folder: Path) -> tuple[Path, bytes]:
    """A folder's record.json and what stands in it. Raises RecordError."""
    path = folder if folder.name == FILE else folder / FILE
    try:
        return path, path.read_bytes()
    except FileNotFoundError as error:
        raise RecordError(f"{folder}: no record here; expected a folder that holds {FILE}") from error
    except NotADirectoryError as error:
        raise RecordError(f"{folder}: expected a folder that holds {FILE}, found a file") from error
    except OSError as error:
        raise RecordError(f"{path}: cannot read: {error.strerror}") from error


def parsed(path: Path, text: bytes) -> Record:
    """The record whose record.json, at `path`, says `text`. Raises RecordError."""
    return Record(folder=path.parent, content=content_of(path, text))


def content_of(path: Path, text: bytes) -> Mapping[str, Any]:
    """What a record.json of this schema or of an older one says; `path` is for messages. Raises RecordError."""
    try:
        content = json.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{path}: damaged: not valid JSON ({error})") from error
    if not isinstance(content, dict) or not isinstance(content.get("schema"), int):
        raise RecordError(f"{path}: not a record: expected a schema number, found none")
    if content["schema"] > SCHEMA:
        raise RecordError(
            f"{path}: schema {content['schema']}, written by a newer rotorgate; this one reads up to {SCHEMA}"
        )
    if content["schema"] < 1:
        raise RecordError(f"{path}: expected a schema number from 1, found {content['schema']}")
    for key, kind in NEEDED.items():
        found = content.get(key)
        if not isinstance(found, kind):
            raise RecordError(f"{path}: damaged: expected {key} as {kind.__name__}, found {type(found).__name__}")
    return content
