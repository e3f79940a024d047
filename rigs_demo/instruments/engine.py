"""An instrument as IEEE 488.2 and SCPI-1999 describe it: a message in, perhaps a reply out, status beside it.

Every operation is finished before the next message unit is read (sequential commands only), so *OPC, *OPC?
and *WAI have nothing to wait for: an instrument that takes time runs the bench's clock while it works.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .errors import OPERATION_COMPLETE, POWER_ON, ErrorQueue, ScpiError, event_bit
from .headers import HeaderPattern
from .status import SERVICE_REQUEST, WIDTH_MASK, Register, Status
from .syntax import Parameter, Unit, units
from .values import Span, nr3, read_boolean, read_word

Arguments = tuple[Parameter, ...]
BYTE = Span(low=0, high=255, default=0)
WORD = Span(low=0, high=65535, default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One header, as setting or as query, with the number of parameters that it takes."""

    pattern: HeaderPattern
    query: bool
    fewest: int
    most: int
    perform: Callable[[Arguments], str | None]


class Instrument:
    """The part that all instruments share. A class of instruments adds its commands in its constructor."""

    def __init__(self, identity: str) -> None:
        self.status = Status()
        self.errors = ErrorQueue()
        self._identity = identity
        self._commands: list[Command] = []
        self._known: dict[tuple[str, bool], Command] = {}
        self._reply: list[str] = []
        self._add_common()
        self._add_status()
        self.status.set_event(POWER_ON)

    # What a class of instruments overrides.

    def reset(self) -> None:
        """*RST: settings to their defaults, outputs off. Masks, events and error queue stay."""

    def refresh(self) -> None:
        """Bring the condition registers up to date with the world; called before every message unit."""

    # Messages.

    def receive(self, message: str) -> None:
        """Obey one program message, without its terminator. A reply is then waiting for `read`."""
        if self._reply:
            self._reply.clear()
            self.report(ScpiError(-410))
        try:
            for unit in units(message):
                self._obey(unit)
        except ScpiError as error:
            # Not understood: what follows in the same message cannot be trusted and is dropped.
            self.report(error)

    def read(self) -> str:
        """Take the waiting reply, without terminator. With none waiting: empty, and -420 in the queue."""
        if not self._reply:
            self.report(ScpiError(-420))
        reply = ";".join(self._reply)
        self._reply.clear()
        return reply

    @property
    def reply_waiting(self) -> bool:
        """Message available."""
        return bool(self._reply)

    def report(self, error: ScpiError) -> None:
        """Put an error into the queue and set the event bit of its class."""
        self.errors.add(error)
        bit = event_bit(error.number)
        if bit is not None:
            self.status.set_event(bit)

    def _obey(self, unit: Unit) -> None:
        command = self._find(unit)
        self.refresh()
        try:
            if len(unit.parameters) < command.fewest:
                raise ScpiError(-109, unit.header)
            if len(unit.parameters) > command.most:
                raise ScpiError(-108, unit.header)
            reply = command.perform(unit.parameters)
        except ScpiError as error:
            if error.is_command_error:
                raise
            self.report(error)
            return
        finally:
            self.refresh()
        if reply is not None:
            self._reply.append(reply)

    def _find(self, unit: Unit) -> Command:
        key = (unit.header, unit.query)
        if key not in self._known:
            for command in self._commands:
                if command.query == unit.query and command.pattern.matches(unit.header):
                    self._known[key] = command
                    break
            else:
                raise ScpiError(-113, unit.header + "?" * unit.query)
        return self._known[key]

    # How commands are declared.

    def add_query(self, header: str, answer: Callable[[Arguments], str], most: int = 0) -> None:
        """A query; `answer` gets up to `most` parameters."""
        self._commands.append(Command(pattern=HeaderPattern(header), query=True, fewest=0, most=most, perform=answer))

    def add_setting(self, header: str, act: Callable[[Arguments], None], fewest: int = 0, most: int = 0) -> None:
        """A command that answers nothing; `act` gets `fewest` to `most` parameters."""

        def perform(arguments: Arguments) -> None:
            act(arguments)

        pattern = HeaderPattern(header)
        self._commands.append(Command(pattern=pattern, query=False, fewest=fewest, most=most, perform=perform))

    def add_action(self, header: str, act: Callable[[], None]) -> None:
        """A command without parameters, and without a query form."""
        self.add_setting(header, lambda _: act())

    def add_number(self, header: str, span: Span, get: Callable[[], float], put: Callable[[float], None]) -> None:
        """A numeric setting with its query; MINimum, MAXimum and DEFault in both."""

        def answer(arguments: Arguments) -> str:
            if not arguments:
                return nr3(get())
            bound = span.bound(arguments[0])
            if bound is None:
                raise ScpiError(-224, arguments[0].text)
            return nr3(bound)

        self.add_query(header, answer, most=1)
        self.add_setting(header, lambda arguments: put(span.read(arguments[0])), fewest=1, most=1)

    def add_mask(self, header: str, span: Span, get: Callable[[], int], put: Callable[[int], None]) -> None:
        """A bit mask with its query, answered as a plain integer."""
        self.add_query(header, lambda _: str(get()))
        self.add_setting(header, lambda arguments: put(round(span.read(arguments[0]))), fewest=1, most=1)

    def add_boolean(self, header: str, get: Callable[[], bool], put: Callable[[bool], None]) -> None:
        """A switch with its query, answered as 0 or 1."""
        self.add_query(header, lambda _: str(int(get())))
        self.add_setting(header, lambda arguments: put(read_boolean(arguments[0])), fewest=1, most=1)

    def add_word(self, header: str, words: Sequence[str], get: Callable[[], str], put: Callable[[str], None]) -> None:
        """A choice among words with its query, answered in the short form."""
        self.add_query(header, lambda _: "".join(letter for letter in get() if not letter.islower()))
        self.add_setting(header, lambda arguments: put(read_word(arguments[0], tuple(words))), fewest=1, most=1)

    # The commands that every instrument must have (IEEE 488.2, 10; SCPI-1999 volume 1, 4.2.1).

    def _add_common(self) -> None:
        status = self.status

        def put_event_enable(mask: int) -> None:
            status.standard.enable = mask

        def put_service_enable(mask: int) -> None:
            status.service_enable = mask & ~SERVICE_REQUEST

        self.add_action("*CLS", self._clear_status)
        self.add_mask("*ESE", BYTE, lambda: status.standard.enable, put_event_enable)
        self.add_query("*ESR", lambda _: str(status.standard.take_event()))
        self.add_query("*IDN", lambda _: self._identity)
        self.add_action("*OPC", lambda: status.set_event(OPERATION_COMPLETE))
        self.add_query("*OPC", lambda _: "1")
        self.add_action("*RST", self.reset)
        self.add_mask("*SRE", BYTE, lambda: status.service_enable, put_service_enable)
        self.add_query("*STB", lambda _: str(self.status_byte()))
        self.add_query("*TST", lambda _: "0")
        self.add_action("*WAI", lambda: None)

    def _add_status(self) -> None:
        self.add_query("SYSTem:ERRor[:NEXT]", lambda _: self.errors.next())
        self.add_query("SYSTem:ERRor:COUNt", lambda _: str(len(self.errors)))
        self.add_query("SYSTem:VERSion", lambda _: "1999.0")
        self.add_action("STATus:PRESet", self.status.preset)
        self._add_register("STATus:OPERation", self.status.operation)
        self._add_register("STATus:QUEStionable", self.status.questionable)

    def _add_register(self, header: str, register: Register) -> None:
        def put_enable(mask: int) -> None:
            register.enable = mask & WIDTH_MASK

        self.add_query(f"{header}[:EVENt]", lambda _: str(register.take_event()))
        self.add_query(f"{header}:CONDition", lambda _: str(register.condition))
        self.add_mask(f"{header}:ENABle", WORD, lambda: register.enable, put_enable)

    def status_byte(self) -> int:
        """The status byte with the master summary in bit 6."""
        return self.status.byte(errors_waiting=len(self.errors) > 0, reply_waiting=self.reply_waiting)

    def _clear_status(self) -> None:
        self.status.clear_events()
        self.errors.clear()
