"""The simulated clock: one integer, in nanoseconds, that moves only while somebody waits.

Rules: the host's wait is a horizon; within it the board moves time by what it does (every touch has a cost, a sleep
names its end); a request beyond the horizon stays unanswered; a board at rest lets time jump to its next callback
or to the horizon. Each decision falls at a point that the board's own program fixes, so that a run repeats to the bit.
"""

from __future__ import annotations

from collections.abc import Generator
from enum import StrEnum
from typing import Generic, TypeVar

from rigs_demo.board import page as p
from rigs_demo.board.board import Cause, SimulatedBoard
from rigs_demo.board.hardware import PlantPort
from rigs_demo.board.process import State
from rigs_demo.clock_wall import pause_us, wall_ns

IRQ_FALLING, IRQ_RISING = 4, 8
"""Bits of a pin interrupt's trigger, as in the shadow module."""
DEAF_NS = 2_000_000_000
"""Wall time after which a board that does not wake for its callbacks is left alone (arbitrary)."""
Pulse = Generator[int, None, int]
P = TypeVar("P", bound=PlantPort)


class Reason(StrEnum):
    """Why a run ended."""

    OUTPUT = "output"
    DEADLINE = "deadline"
    PARKED = "parked"
    STUCK = "stuck"


class Bench(Generic[P]):
    """Plant and board under one clock."""

    def __init__(self, plant: P, board: SimulatedBoard) -> None:
        self.plant = plant
        self.board = board
        self.now_ns = 0
        self._horizon_ns = 0
        self._pulse: tuple[int, Pulse, int] | None = None
        self._serving = False
        self._may_stay = False
        self._woken_ns = 0

    def start(self) -> None:
        """Power the board up and let it come to its prompt, or to the first wait of its main.py."""
        self.board.restart(self.now_ns, Cause.POWER)
        self.run(self.now_ns)

    def run_for(self, duration_ns: int) -> None:
        """Let `duration_ns` pass: what an instrument does while its reply is awaited."""
        self.board.take_input()
        self.run(self.now_ns + duration_ns)

    def run(self, horizon_ns: int, received: int | None = None) -> Reason:
        """Run until `horizon_ns`, or until the board has put out more than `received` bytes in all.

        The board's program decides where within the horizon output is noticed: at its requests, and at rest.
        """
        board = self.board
        self._horizon_ns = max(horizon_ns, self.now_ns)
        if not board.powered:
            self._reach(self._horizon_ns)
            self.plant.advance_to(self.now_ns)
            return Reason.DEADLINE
        while True:
            state = board.wait(in_callback=self._serving)
            if state is State.ENDED:
                self._ended()
                continue
            # A stuck board's clock tells nothing: what it has posted happens now.
            self._reach(min(board.page.times[p.TIME], self._horizon_ns) if state is not State.STUCK else self.now_ns)
            board.collect(at_rest=state is State.PARKED)
            if state is State.STUCK and board.interrupt_waits and board.deliver(state, self.now_ns, self.now_ns):
                continue
            if received is not None and board.line.put > received:
                reason = Reason.OUTPUT
                break
            if board.coming_up and state is State.PARKED:
                continue
            # In callbacks that the bench woke, input waits: Ctrl-C is for the program below.
            in_callback = state is State.ASKS and self._serving
            if not in_callback and board.deliver(state, self.now_ns, self._until(self.now_ns)):
                continue
            if state is State.ASKS:
                if not self._serve():
                    reason = Reason.DEADLINE
                    break
            elif not self._pass_time_at_rest(state):
                reason = Reason.STUCK if state is State.STUCK else Reason.PARKED
                break
        self.plant.advance_to(self.now_ns)
        return reason

    def reset_button(self) -> None:
        """A hard reset from outside."""
        self.board.restart(self.now_ns, Cause.HARD)
        self._serving = False

    def power_off(self) -> None:
        """The board loses its power, for good."""
        self.board.power_off()

    # --- moving time --------------------------------------------------------------------------------------------

    def _until(self, time_ns: int) -> int:
        return min(time_ns + p.AHEAD_NS, self._horizon_ns)

    def _reach(self, t_ns: int) -> None:
        for written_ns, what, value in self.board.page.posted(max(t_ns, self.now_ns)):
            self.board.hardware.write(max(written_ns, self.now_ns), what, value)
        self.now_ns = max(self.now_ns, t_ns)

    def _advance(self, t_ns: int) -> bool:
        """Move on to `t_ns`; False if the watchdog bit on the way."""
        watchdog_ns = self.board.hardware.watchdog_ns
        if watchdog_ns is not None and watchdog_ns <= t_ns:
            self._reach(watchdog_ns)
            if self.board.hardware.watchdog_ns == watchdog_ns:
                self.board.restart(self.now_ns, Cause.WATCHDOG)
                self._serving = False
                return False
        self._reach(t_ns)
        return True

    def _pass_time_at_rest(self, state: State) -> bool:
        """Jump to the board's next callback; False when the horizon comes first."""
        board = self.board
        if self._serving:
            if state is State.PARKED and wall_ns() - self._woken_ns < DEAF_NS:
                pause_us(20)  # the signal crossed the board's way into its read
                board.running().look_up()
                return True
            self._serving = state is not State.PARKED
            return not self._advance(self._horizon_ns)
        due_ns = max(board.page.times[p.DUE], self.now_ns)
        if due_ns > self._horizon_ns:
            return not self._advance(self._horizon_ns)
        if self._advance(due_ns):
            self._serving, self._may_stay, self._woken_ns = True, state is State.PARKED, wall_ns()
            if state is State.PARKED:
                board.wake_for_callbacks(self.now_ns, self._until(self.now_ns))
            else:
                board.running().poke()
        return True

    def _ended(self) -> None:
        self._serving = False
        times = self.board.page.times
        self._reach(min(times[p.TIME], self._horizon_ns))
        self.board.ended(self.now_ns)

    # --- the board's requests -----------------------------------------------------------------------------------

    def _serve(self) -> bool:
        """Answer the request that waits; False if it reaches beyond the horizon, where time now stands."""
        board, page = self.board, self.board.page
        issued_ns: int = max(page.times[p.TIME], self.now_ns)
        if issued_ns > self._horizon_ns:
            return not self._advance(self._horizon_ns)
        operation, argument = page.words[p.OP], page.words[p.ARG]
        if operation == p.WAIT:
            return self._wait(issued_ns)
        if operation == p.POLL:
            if board.running().unread() > 0:
                self._answer(issued_ns, 1)
                return True
            return self._wait(issued_ns)
        if operation == p.STAY:
            return self._stay(issued_ns)
        if operation == p.PULSE:
            return self._time_pulse(issued_ns, argument)
        if operation == p.RESET:
            board.restart(self.now_ns, Cause.HARD)
            self._serving = False
            return True
        result = 0
        self.plant.advance_to(issued_ns)
        if operation == p.SPI_TRANSFER:
            length = page.words[p.LENGTH]
            page.memory[p.PAYLOAD : p.PAYLOAD + length] = board.hardware.transfer(length)
        elif operation == p.ADC_READ:
            result = board.hardware.converter(argument)
        elif operation == p.LEVEL:
            result = board.hardware.level(issued_ns, argument)
        elif operation == p.EDGE:
            result = self._delay_to_edge(issued_ns, argument & 0xFF, argument >> 8)
        self._answer(issued_ns, result)
        return True

    def _answer(self, time_ns: int, result: int = 0) -> None:
        self.board.answer(time_ns, self._until(time_ns), result)

    def _wait(self, issued_ns: int) -> bool:
        if self.board.interrupted:
            self._answer(issued_ns)
            return True
        target_ns = max(self.board.page.times[p.TARGET], issued_ns)
        if target_ns > self._horizon_ns:
            return not self._advance(self._horizon_ns)
        if self._advance(target_ns):
            self._answer(target_ns)
        return True

    def _stay(self, issued_ns: int) -> bool:
        """The board has run what was due and could wait for more; not above a program, nor for ever."""
        wanted = self.board.has_input or self.board.running().unread() > 0
        if wanted or not self._may_stay or self.board.page.times[p.TARGET] >= p.NEVER_NS:
            self._serving = False
            self._answer(issued_ns, 1)
            return True
        return self._wait(issued_ns)

    def _time_pulse(self, issued_ns: int, argument: int) -> bool:
        seq = self.board.page.words[p.SEQ]
        if self._pulse is None or self._pulse[0] != seq:
            pulse = self._pulse_of(issued_ns, argument & 0xFF, argument >> 8, self.board.page.times[p.TARGET] * 1000)
            self._pulse = (seq, pulse, issued_ns)
        _, pulse, wanted_ns = self._pulse
        while wanted_ns <= self._horizon_ns:
            if not self._advance(wanted_ns):
                return True
            self.plant.advance_to(wanted_ns)
            try:
                wanted_ns = next(pulse)
            except StopIteration as end:
                self._pulse = None
                self._answer(wanted_ns, int(end.value))
                return True
            self._pulse = (seq, pulse, wanted_ns)
        return not self._advance(self._horizon_ns)

    def _pulse_of(self, t_ns: int, pin: int, level: int, timeout_ns: int) -> Pulse:
        """machine.time_pulse_us: yields the time it wants to see next, returns microseconds, -1 or -2."""
        hardware = self.board.hardware
        for outcome in (-2, -1):
            limit_ns = t_ns + timeout_ns
            begun_ns = t_ns
            wanted = level if outcome == -2 else 1 - level
            while hardware.level(t_ns, pin) != wanted:
                edge = hardware.next_edge(t_ns, pin)
                if edge is None or edge[0] > limit_ns:
                    yield limit_ns
                    return outcome
                t_ns = edge[0]
                yield t_ns
        return t_ns // 1000 - begun_ns // 1000

    def _delay_to_edge(self, t_ns: int, pin: int, trigger: int) -> int:
        edge = self.board.hardware.next_edge(t_ns, pin)
        if edge is not None and not trigger & (IRQ_RISING if edge[1] else IRQ_FALLING):
            edge = self.board.hardware.next_edge(edge[0], pin)
        return 0 if edge is None else max(1, edge[0] - t_ns)
