"""Raw observations from the files beside record.json."""

from __future__ import annotations

import errno
import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy

from harness.base.disk import LINKED, read_bytes
from harness.base.errors import RecordError
from harness.base.words import visible
from harness.nouns.observation import Observation
from harness.record.entries import ObservationEntry

LONGEST_WORDS = 200
"""Characters of what numpy says of a damaged file, in a message (arbitrary)."""
RawReader = Callable[[ObservationEntry], bytes]
"""Gives the .npy file of an observation, as written. Raises RecordError."""


def beside(folder: Path) -> RawReader:
    """Reads from a record's folder, and never leaves it."""

    def read(entry: ObservationEntry) -> bytes:
        path = folder / entry.file  # whose form has been looked at
        try:
            if path.parent.is_symlink():
                raise OSError(errno.ELOOP, LINKED)
            return read_bytes(path)
        except OSError as error:
            raise RecordError(f"{visible(str(path))}: cannot read the observation: {error.strerror}") from error

    return read


def observation_of(entry: ObservationEntry, data: bytes, path: Path) -> Observation:
    """An observation with its samples; `path` is for messages. Raises RecordError; never unpickles."""
    try:
        samples = _samples(data)
    except Exception as error:  # what numpy's reader meets in damaged bytes has no end of kinds
        words = visible(str(error).partition("\n")[0])[:LONGEST_WORDS]
        raise RecordError(f"{path}: cannot read the observation: {words}") from error
    missing = [c.name for c in entry.columns if samples.dtype.names is None or c.name not in samples.dtype.names]
    if missing:
        raise RecordError(f"{path}: expected columns {', '.join(missing)}, which are not there")
    texts = [c.name for c in entry.columns if samples.dtype[c.name].kind not in "biuf"]
    if samples.ndim != 1 or not samples.size or texts:
        found = f"{', '.join(texts)} of other kinds" if texts else f"shape {samples.shape}"
        raise RecordError(f"{path}: expected rows of numbers, found {found}")
    return Observation(name=entry.name, columns=entry.columns, data=samples, conditions=entry.conditions)


def _samples(data: bytes) -> np.ndarray[Any, Any]:
    """The array of a .npy file (numpy.lib.format, versions 1.0 and 2.0), which holds as many bytes as it says."""
    stream = io.BytesIO(data)
    version = npy.read_magic(stream)
    if version not in ((1, 0), (2, 0)):
        raise ValueError(f"expected a .npy file of version 1.0 or 2.0, found {version}")
    header = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
    shape, _, dtype = header(stream)
    held, said = len(data) - stream.tell(), math.prod(shape) * dtype.itemsize
    if held != said:
        raise ValueError(f"expected {said} bytes of samples, as its header says, found {held}")
    return npy.read_array(io.BytesIO(data), allow_pickle=False)
