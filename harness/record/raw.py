"""Raw observations from the files beside record.json."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib.format import read_array

from harness.base.errors import RecordError
from harness.nouns.observation import Observation
from harness.record.entries import ObservationEntry

RawReader = Callable[[ObservationEntry], bytes]
"""Gives the .npy file of an observation, as written. Raises RecordError."""


def beside(folder: Path) -> RawReader:
    """Reads from a record's folder, and never leaves it."""

    def read(entry: ObservationEntry) -> bytes:
        path = folder / entry.file
        try:
            inside = path.resolve().is_relative_to(folder.resolve())
        except ValueError:  # a NUL in it
            inside = False
        if not inside:
            raise RecordError(f"{folder}: observation file {entry.file!r} lies outside the record; not read")
        try:
            return path.read_bytes()
        except OSError as error:
            raise RecordError(f"{path}: cannot read the observation: {error.strerror}") from error

    return read


def observation_of(entry: ObservationEntry, data: bytes, path: Path) -> Observation:
    """An observation with its samples; `path` is for messages. Raises RecordError; never unpickles."""
    try:
        samples: np.ndarray[Any, Any] = read_array(io.BytesIO(data), allow_pickle=False)
    except (ValueError, EOFError, MemoryError) as error:
        raise RecordError(f"{path}: cannot read the observation: {error}") from error
    missing = [c.name for c in entry.columns if samples.dtype.names is None or c.name not in samples.dtype.names]
    if missing:
        raise RecordError(f"{path}: expected columns {', '.join(missing)}, which are not there")
    texts = [c.name for c in entry.columns if samples.dtype[c.name].kind not in "biuf"]
    if samples.ndim != 1 or not samples.size or texts:
        found = f"{', '.join(texts)} of other kinds" if texts else f"shape {samples.shape}"
        raise RecordError(f"{path}: expected rows of numbers, found {found}")
    return Observation(name=entry.name, columns=entry.columns, data=samples, conditions=entry.conditions)
