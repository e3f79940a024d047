"""What --log asks for: the traffic of links and instruments in a file, time-stamped."""

from __future__ import annotations

import contextlib
import logging
import sys

from harness.base.words import visible

FORMAT = "%(asctime)s.%(msecs)03d %(name)s %(message)s"
TIME = "%Y-%m-%dT%H:%M:%S"


class TrafficLog(logging.FileHandler):
    """A file that traffic is written to. Once it cannot be, that is said, and nothing more is tried: a disk that is
    full must not keep a run from its end. Raises OSError where the file cannot be opened."""

    def __init__(self, path: str) -> None:
        super().__init__(path, encoding="utf-8", errors="backslashreplace")
        self.setFormatter(logging.Formatter(FORMAT, TIME))
        self.whole = True
        """Whether everything was written so far."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line."""
        if self.whole:
            super().emit(record)

    def handleError(self, record: logging.LogRecord) -> None:
        """What the base class calls for whatever went wrong with a line."""
        error = sys.exc_info()[1]
        if not isinstance(error, OSError):
            super().handleError(record)
            return
        self._lost(error)

    def close(self) -> None:
        """Write what is left and close."""
        try:
            super().close()
        except OSError as error:
            if self.whole:
                self._lost(error)

    def _lost(self, error: OSError) -> None:
        self.whole = False
        words = f"--log {visible(self.baseFilename)}: cannot write: {error.strerror}; what comes is not in it"
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.write(f"rotorgate: {words}\n")
            sys.stderr.flush()
