"""A VISA session that ends in one-line errors: silent, lost, refused, over range.

What it works round is measured, not guessed: raw sockets need both terminations named; opening a closed port
succeeds, so *IDN? is the real open; a reply that comes late would be taken for the next one, so after any
broken exchange the session is opened anew; and without TCP_NODELAY two writes in a row cost 44 ms.
"""

from __future__ import annotations

import contextlib
import logging
import math
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Self

from harness.base.addresses import INSTRUMENT_FORMS, is_instrument_address
from harness.base.clock import Clock
from harness.base.closable import Closable
from harness.base.errors import HarnessError, InstrumentError, UsageError
from harness.base.words import visible

LIBRARY = "@py"  # the pure-Python backend; needs no vendor's installation
TIMEOUT_S = 2.0  # VISA's own default
LONGEST_TEXT = 200  # arbitrary: of an instrument's text, in a message
MOST_ERRORS = 32  # common practice: error queues hold 10 to 30

# Special numbers (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r'\s*([+-]?\d{1,6})\s*,\s*"(.*)"\s*', re.ASCII | re.DOTALL)
_CLASSES = {1: "command error", 2: "execution error", 3: "device-specific error", 4: "query error"}

log = logging.getLogger("harness.visa")


def preload() -> None:
    """Load VISA and its backend, some 0.3 s, so that the first connection is quick. Connects to nothing."""
    import pyvisa

    pyvisa.ResourceManager(LIBRARY)


def printable(text: str) -> str:
    """An instrument's text fit for a terminal: ASCII as IEEE 488.2 has it, all else spelled out; cut where too long."""
    shown = visible(text).encode("ascii", "backslashreplace").decode("ascii")
    return shown if len(shown) <= LONGEST_TEXT else shown[: LONGEST_TEXT - 3] + "..."


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuedError:
    """One entry of an instrument's error queue."""

    number: int
    text: str

    def __str__(self) -> str:
        return f"{self.number} {printable(self.text)}"

    @property
    def kind(self) -> str:
        """Class of the error by its hundred (SCPI-1999 volume 2, 21.8); positive numbers are the maker's own."""
        if self.number == 0:
            return "no error"
        return "device-specific error" if self.number > 0 else _CLASSES.get(-self.number // 100, "event")


def parse_error(reply: str) -> QueuedError:
    """Read a reply to SYSTem:ERRor?, such as `-113,"Undefined header"`. Raises ValueError for anything else."""
    match = _ERROR.fullmatch(reply)
    if match is None:
        raise ValueError(f'a number, a comma and a "text" expected, found {printable(reply)!r}')
    return QueuedError(number=int(match[1]), text=match[2].replace('""', '"'))


def parse_number(reply: str) -> float:
    """Read one number. Raises ValueError for several, a decimal comma, over range, or not a number."""
    text = reply.strip()
    if "," in text:
        raise ValueError(f"one number with a decimal point expected, found {printable(text)!r}")
    if _NUMBER.fullmatch(text) is None:
        raise ValueError(f"a number expected, found {printable(text)!r}")
    value = float(text)
    if math.isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-6):
        raise ValueError(f"it has no reading ({text} means not a number)")
    if abs(value) >= INFINITY * (1.0 - 1e-6):
        raise ValueError(f"over range ({text}); choose a larger range or check the wiring")
    return value


class Session(Closable):
    """One instrument at one VISA address. One exchange at a time, whichever thread asks."""

    def __init__(self, name: str, address: str, *, timeout_s: float = TIMEOUT_S, clock: Clock | None = None) -> None:
        """`clock` is told of every exchange, which takes time on a bench that owns it."""
        self.name = name
        self.address = address
        self.timeout_s = timeout_s
        self.identity = ""
        """The *IDN? text, made printable."""
        self.found_errors: tuple[QueuedError, ...] = ()
        """What stood in the error queue when the session was opened."""
        self._lock = threading.RLock()
        self._resource: Any = None
        self._in_step = False
        self._clock = clock

    @classmethod
    def open(
        cls,
        name: str,
        address: str,
        *,
        timeout_s: float = TIMEOUT_S,
        identity: str | None = None,
        clock: Clock | None = None,
    ) -> Self:
        """Connect and prove it by *IDN?; empties the error queue into `found_errors`, and sends queries only.

        `identity` is text that the *IDN? reply must contain. Raises InstrumentError.
        """
        session = cls(name, address, timeout_s=timeout_s, clock=clock)
        try:
            session.identity = printable(session.query("*IDN?"))
            if identity is not None and identity not in session.identity:
                raise session.error(f"its *IDN? should contain {identity!r}, found {session.identity!r}")
            session.found_errors = session.errors()
        except BaseException:
            session.close()
            raise
        return session

    def close(self) -> None:
        """Close the connection; closing twice is nothing."""
        with self._lock:
            resource, self._resource = self._resource, None
            self._in_step = False
            if resource is not None:
                # Nothing can be done about a connection that will not close.
                with contextlib.suppress(Exception):
                    resource.close()

    def error(self, words: str) -> InstrumentError:
        """An error that names instrument and address."""
        return InstrumentError(f"instrument {self.name} at {self.address}: {words}")

    def query(self, command: str, *, timeout_s: float | None = None) -> str:
        """Send a query and return the reply without its terminator. Raises InstrumentError."""
        with self._lock:
            limit_s = self.timeout_s if timeout_s is None else timeout_s
            if not self._in_step:
                self._reopen()
            self._in_step = False
            with self._edge(command, limit_s):
                self._resource.timeout = max(1, round(limit_s * 1000.0))
                log.debug("%s > %s", self.name, printable(command))
                self._resource.write(command)
                try:
                    reply: str = self._resource.read()
                finally:
                    if self._clock is not None:
                        self._clock.note_passed()
            # Reached only when the whole reply came: a timeout or Ctrl-C leaves the session out of step.
            self._in_step = True
            log.debug("%s < %s", self.name, printable(reply))
            return reply.rstrip("\r\n")

    def number(self, command: str, *, timeout_s: float | None = None) -> float:
        """Query one number, in the unit the instrument answers in. Raises InstrumentError, also over range."""
        reply = self.query(command, timeout_s=timeout_s)
        try:
            return parse_number(reply)
        except ValueError as error:
            raise self.error(f"{command}: {error}") from error

    def numbers(self, command: str, *, timeout_s: float | None = None) -> list[float]:
        """Query a list of numbers. Raises InstrumentError, also where any is over range."""
        reply = self.query(command, timeout_s=timeout_s)
        try:
            return [parse_number(part) for part in reply.split(",")]
        except ValueError as error:
            raise self.error(f"{command}: {error}") from error

    def setting(self, command: str, *, timeout_s: float | None = None) -> None:
        """Send a setting, wait until it has taken effect (*OPC?), and read the error queue. Raises InstrumentError."""
        with self._lock:
            try:
                done = self.query(f"{command};*OPC?", timeout_s=timeout_s)
            except InstrumentError as error:
                raise self._explained(error) from error
            if done.strip() != "1":
                raise self.error(f"{command};*OPC?: 1 expected, found {printable(done)!r}")
            refused = self.errors()
            if refused:
                raise self.error(f"refused {command}: {'; '.join(map(str, refused))}")

    def errors(self) -> tuple[QueuedError, ...]:
        """Read the error queue until it is empty, oldest first. Raises InstrumentError."""
        queued: list[QueuedError] = []
        for _ in range(MOST_ERRORS):
            try:
                entry = parse_error(self.query("SYST:ERR?"))
            except ValueError as error:
                raise self.error(f"SYST:ERR?: {error}") from error
            if entry.number == 0:
                return tuple(queued)
            queued.append(entry)
        raise self.error(f"SYST:ERR?: still errors after {MOST_ERRORS}; the last was {queued[-1]}")

    def _explained(self, error: InstrumentError) -> InstrumentError:
        """An instrument that cannot read a message drops the rest of it, *OPC? too: its queue says so."""
        try:
            refused = self.errors()
        except InstrumentError:
            return error
        return InstrumentError(f"{error}; its error queue: {'; '.join(map(str, refused))}") if refused else error

    def _reopen(self) -> None:
        if not is_instrument_address(self.address):
            # A serial instrument's name goes to pyserial, one of whose forms opens a file for writing.
            raise UsageError(f"instrument {self.name}: expected {INSTRUMENT_FORMS}, found {printable(self.address)}")
        import pyvisa  # loads numpy: only when an instrument is really used

        self.close()
        milliseconds = max(1, round(self.timeout_s * 1000.0))
        with self._edge("open", self.timeout_s):
            self._resource = pyvisa.ResourceManager(LIBRARY).open_resource(
                self.address,
                open_timeout=milliseconds,
                timeout=milliseconds,
                read_termination="\n",
                write_termination="\n",
                encoding="latin-1",  # never fails on what an instrument sends
            )
        _send_at_once(self._resource)

    @contextlib.contextmanager
    def _edge(self, doing: str, limit_s: float) -> Iterator[None]:
        """Translate whatever VISA and its backend raise; they raise bare Exception too (an unknown host)."""
        try:
            yield
        except HarnessError:
            raise
        except Exception as error:
            raise self.error(f"{doing}: {_reason(error, limit_s)}") from error


def _send_at_once(resource: Any) -> None:
    """Turn Nagle's delay off where the backend lets us reach the socket; elsewhere it is slower, not wrong."""
    with contextlib.suppress(AttributeError, KeyError, TypeError, OSError):
        interface = resource.visalib.sessions[resource.session].interface
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _reason(error: Exception, limit_s: float) -> str:
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    if isinstance(error, VisaIOError):
        if error.error_code == StatusCode.error_timeout:
            return f"no answer within {limit_s:g} s"
        if error.error_code == StatusCode.error_connection_lost:
            return "connection lost"
        return printable(error.description)
    if isinstance(error, ConnectionRefusedError):
        return "connection refused; is it switched on, and is the address right?"
    if isinstance(error, OSError):
        return f"connection lost ({printable(error.strerror or type(error).__name__)})"
    return printable(str(error) or type(error).__name__)
