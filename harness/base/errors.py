"""What can go wrong, as one small tree. Each error knows the exit code it ends a command with.

A message is one line and says where, what was expected, what was found, and what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the command: promises to users, listed in the README."""

    AGREES = 0
    DIFFERS = 1
    UNDECIDED = 2
    BENCH = 3
    USAGE = 4
    DEFECT = 5

    @classmethod
    def first_of(cls, codes: Iterable[ExitCode]) -> ExitCode:
        """The exit code that several come to, by their precedence; 2 where there is none."""
        return min(codes, key=PRECEDENCE.index, default=cls.UNDECIDED)

    @property
    def ends_row(self) -> bool:
        """Whether after a run that ended with it no other is begun: wrong use, a defect, trouble of the bench."""
        return self in (ExitCode.USAGE, ExitCode.DEFECT, ExitCode.BENCH)


PRECEDENCE = (ExitCode.USAGE, ExitCode.DEFECT, ExitCode.BENCH, ExitCode.DIFFERS, ExitCode.UNDECIDED, ExitCode.AGREES)
"""Of several exit codes the first of these counts (README): a bench that failed goes before a board that differs."""


class HarnessError(Exception):
    """Anything that this package raises on purpose."""

    exit_code = ExitCode.DEFECT


class UsageError(HarnessError):
    """The command line, a path or an option is wrong."""

    exit_code = ExitCode.USAGE


class FileProblems(UsageError):
    """A file that a person wrote has problems; all of them, one line each."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class RigFileError(FileProblems):
    """Problems of a rig file."""


class PoolFileError(FileProblems):
    """Problems of a pool file, and of the rig files that it lists."""


class PolicyError(FileProblems):
    """Problems of a policy file."""


class RecordError(UsageError):
    """A record cannot be read, or must not be overwritten."""


class StoreError(UsageError):
    """A store's address is wrong, or what lies there is no store that this version reads."""


class BenchError(HarnessError):
    """The bench could not be operated; says nothing about the board under test."""

    exit_code = ExitCode.BENCH


class StoreUnavailable(BenchError):
    """The store cannot be reached, read or written now: no permission, disk full, no database server."""


class DiskFull(BenchError):
    """There is no room to write what was asked for; what was measured before stands where it is."""


class BenchBusy(BenchError):
    """Somebody else holds a device of this rig."""


class Interrupted(BenchError):
    """A person or the system asked to stop (Ctrl-C, SIGTERM, SIGHUP)."""


class LinkError(BenchError):
    """The link to the board is lost, or what came over it is damaged."""

    def __init__(self, message: str, received: bytes = b"") -> None:
        super().__init__(message)
        self.received = received


class LinkLost(LinkError):
    """The port is gone: nothing can be asked of the board any more."""


class BoardBusy(LinkError):
    """The board runs a program of its own and was not to be interrupted."""


class LinkTimeout(LinkError):
    """The board did not answer in time; `received` holds what had come."""


SENT = ("<stdin>", "<string>")
"""Names, in a traceback, of what the host has sent: no place that a person could look at."""


class DeviceError(LinkError):
    """Code on the board raised; `board_traceback` holds what it printed."""

    def __init__(self, message: str, board_traceback: str = "") -> None:
        super().__init__(message)
        self.board_traceback = board_traceback

    @property
    def last_words(self) -> str:
        """The last line of the traceback, with the place that it names."""
        lines = self.board_traceback.strip().splitlines() or [str(self)]
        files = [line.strip() for line in lines[:-1] if line.strip().startswith("File ")]
        places = [line for line in files if not any(sent in line for sent in SENT)]
        return lines[-1] + (f" ({places[-1]})" if places else "")


class InstrumentError(BenchError):
    """An instrument is silent, refuses a command, or reads over range."""


class MissingCapability(BenchError):
    """This rig lacks what a check needs; the message says what to add. Becomes `not run`."""


class StoppedByBoard(HarnessError):
    """The board under test provoked a stop (over a limit, runaway): a nonconformity, not bench trouble."""

    exit_code = ExitCode.DIFFERS


class FirmwareFault(StoppedByBoard):
    """The firmware does what the drive contract forbids, or not what it asks: a nonconformity that nobody can waive.

    `what` names it, as a quantity is named: the verdict on it is `motor.conduct.what`.
    """

    def __init__(self, message: str, what: str = "exception") -> None:
        super().__init__(message)
        self.what = what


class LeftLive(FirmwareFault):
    """A bridge was found live where the drive contract has it off; nothing more is energised on any motor."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "left_live")


class MeasurementError(HarnessError):
    """Observations do not support the number asked of them; becomes `cannot tell`, with the reason."""

    exit_code = ExitCode.UNDECIDED
