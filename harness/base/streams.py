"""Standard streams that a person may close, or leave while we work: what is measured must not depend on them."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from typing import Any, TextIO


class LossyStream:
    """A text stream to write to that may be lost: from then on what is written to it is dropped."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.trouble = ""
        """Why it was lost, in words; empty while it is there, and where its reader has just left."""
        self._lost = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write, or drop."""
        if not self._lost:
            try:
                self._stream.write(text)
            except UnicodeError:
                raise
            except (OSError, ValueError) as error:
                self._lose(error)
        return len(text)

    def flush(self) -> None:
        """Flush what is not dropped."""
        if not self._lost:
            try:
                self._stream.flush()
            except (OSError, ValueError) as error:
                self._lose(error)

    def _lose(self, error: OSError | ValueError) -> None:
        self._lost = True
        if not isinstance(error, OSError):
            self.trouble = str(error)
        elif error.errno != errno.EPIPE:
            self.trouble = error.strerror or str(error)
        # What stands in its buffer would be tried again when Python ends, and change the exit code.
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)


def open_closed_streams() -> None:
    """Give a process that was started with closed standard streams ones that lead nowhere.

    Otherwise the next file that is opened takes their number, and is written to by whoever means them.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != number:
                os.dup2(nowhere, number)
                os.close(nowhere)
            setattr(sys, name, open(number, "r" if number == 0 else "w", encoding="utf-8", closefd=False))  # noqa: SIM115
