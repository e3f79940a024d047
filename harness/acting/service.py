"""A service of the board at work, as a procedure sees it: orders out, rows and events in.

    with Service(rig, "fields", "serve", motor=0) as service:
        service.send("f 0 9000 300 100 0")
        service.until("done")
        rows = service.rows("hold")

A stop that the board's own guard made arrives as StoppedByBoard, and what the firmware does against its contract as
FirmwareFault, in whichever way it shows: raised, or printed by whoever ran a callback of its own. Anything else that
goes wrong on the way is bench trouble and keeps its own error.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import DeviceError, FirmwareFault, HarnessError, LinkError, StoppedByBoard
from harness.bench.scripts import device_scripts
from harness.bench.stops import conduct, meaning
from harness.link.frames import Event, StreamRows
from harness.link.run import ScriptRun
from harness.nouns.observation import Column, Conditions, Observation

ANSWER_S = 10.0
"""Longest wait for one frame (arbitrary: no ramp of a service lasts as long)."""
GUARD, GO = "guard", "go"
"""Event by which a board's guard says what it holds to, before any order, and the one to go on."""
LONGEST_TRACEBACK = 4000
"""Bytes of what was printed before that are looked at again (arbitrary: some fifty lines)."""
SCALES = {"us": ("s", 1e-6), "ms": ("s", 1e-3), "mA": ("A", 1e-3), "mV": ("V", 1e-3)}
"""Units of a board's integers, and what makes SI of them."""


class Scripts(Protocol):
    """What a service needs of a rig."""

    def script(self, module: str, call: str, **parameters: object) -> ScriptRun:
        """Start `module.call(guard, **parameters)` of the device scripts."""
        ...

    def guard_terms(self) -> dict[str, object]:
        """What the guard of a script that is started now is to hold it to, as the guard says it."""
        ...


class Service:
    """One running device script. A context manager; left with the script still running, it is interrupted.

    `last`: the order that ends the script, sent where nothing has gone wrong.

    Raises StoppedByBoard from any method when the board has stopped itself, FirmwareFault when its firmware is at
    fault, else what the link raises (LinkTimeout, DeviceError, LinkError).
    """

    def __init__(self, rig: Scripts, module: str, call: str, *, last: str = "", **parameters: object) -> None:
        self._last = last
        self._name = f"{module}.{call}"
        self._rows: dict[str, list[NDArray[np.void]]] = {}
        self._streams: dict[str, StreamRows] = {}
        self.events: list[Event] = []
        """All events so far, in order."""
        self._looked = 0
        self._terms = rig.guard_terms()
        self._run = rig.script(module, call, **parameters)

    def __enter__(self) -> Self:
        self._run.__enter__()
        try:
            self._agree()
        except BaseException as error:
            self._run.__exit__(type(error), error, error.__traceback__)
            raise
        return self

    def _agree(self) -> None:
        """Let the script go on, with its limits and pins as sent. Raises LinkError where its guard says others."""
        said = self.step()
        if said != Event(name=GUARD, value=self._terms):
            found = said.value if isinstance(said, Event) else said
            raise LinkError(f"guard on the board: expected {self._terms}, found {found!r:.300}; no order was given")
        self.events.clear()
        self.send(GO)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None and self._last:
                self.finish(self._last)
        finally:
            self._run.__exit__(kind, error, trace)
        if error is None:
            self._look()

    def send(self, *orders: str) -> None:
        """Send orders, one a line, in ASCII."""
        for order in orders:
            try:
                self._run.send(order.encode("ascii"))
            except LinkError as error:
                raise self._meaning(error) from error

    def step(self, timeout_s: float = ANSWER_S) -> Event | StreamRows | None:
        """Take one frame: rows are gathered and handed over as well; None when the script has ended."""
        try:
            frame = self._run.next_frame(timeout_s)
        except LinkError as error:
            raise self._meaning(error) from error
        self._look()
        if isinstance(frame, StreamRows):
            self._streams[frame.stream] = frame
            self._rows.setdefault(frame.stream, []).append(frame.data)
        elif isinstance(frame, Event):
            self.events.append(frame)
        return frame

    def until(self, event: str, timeout_s: float = ANSWER_S) -> object:
        """Gather frames until an event of this name; its value.

        Raises LinkError if the script ends without it, LinkTimeout after `timeout_s` without any frame.
        """
        while True:
            frame = self.step(timeout_s)
            if frame is None:
                raise LinkError(f"{self._name}: ended without the event {event} that was awaited")
            if isinstance(frame, Event) and frame.name == event:
                return frame.value

    def finish(self, *orders: str, timeout_s: float = ANSWER_S) -> str:
        """Send last orders, gather frames to the script's end; what it printed."""
        self.send(*orders)
        while self.step(timeout_s) is not None:
            pass
        return self._run.printed

    def answers(self) -> dict[str, Any]:
        """What the script says until its end, by the names of its events; of those of one name the last."""
        self.finish()
        return {event.name: event.value for event in self.events}

    def rows(self, stream: str) -> NDArray[np.void]:
        """The rows of a stream gathered since this was last asked; an empty array if none came.

        Raises LinkError for a stream that the script has never sent.
        """
        if stream not in self._streams:
            raise LinkError(
                f"{self._name}: no rows of stream {stream} came; streams: {', '.join(self._streams) or 'none'}"
            )
        parts = self._rows.pop(stream, [])
        return np.concatenate(parts) if parts else self._streams[stream].data[:0]

    @property
    def streams(self) -> tuple[str, ...]:
        """Names of the streams of which rows have come."""
        return tuple(self._streams)

    def drop_rows(self, stream: str) -> None:
        """Drop the rows of a stream gathered since this was last asked."""
        self._rows.pop(stream, None)

    def observation(self, name: str, stream: str, conditions: Conditions, **scales: tuple[str, float]) -> Observation:
        """The rows since last time as an observation; `scales` gives a column its SI unit and factor."""
        data = self.rows(stream)
        columns = []
        for column in self._streams[stream].columns:
            unit, scale = scales.get(column.name, SCALES.get(column.unit, (column.unit, 1.0)))
            columns.append(Column(name=column.name, unit=unit, scale=scale))
        return Observation(name=name, columns=tuple(columns), data=data, conditions=conditions)

    def _look(self) -> None:
        """Look at what was printed since the last time. Raises FirmwareFault for an exception in it."""
        length = self._run.printed_bytes
        if length > self._looked:
            fresh = self._run.printed_since(max(0, self._looked - LONGEST_TRACEBACK))
            self._looked = length
            if fault := conduct(fresh, device_scripts()):
                raise fault

    def _meaning(self, error: LinkError) -> HarnessError:
        """What went wrong: the firmware's fault goes before all that may have followed from it."""
        scripts = device_scripts()
        cause = meaning(error, scripts) if isinstance(error, DeviceError) else error
        fault = None if isinstance(cause, FirmwareFault) else conduct(self._run.last_words, scripts)
        if fault is None:
            return cause
        return FirmwareFault(f"{fault}; then {cause}", fault.what) if isinstance(cause, StoppedByBoard) else fault
