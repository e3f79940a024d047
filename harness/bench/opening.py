"""Opening a rig: locks, clock, instruments, board and guard in that order, and all of it undone on every way out.

Opening proves that everything answers and is what the rig file says before anything is energised.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from harness.base.clock import BenchClock, Clock, WallClock
from harness.base.errors import BenchError, FirmwareFault, HarnessError, UsageError
from harness.bench import source
from harness.bench.devices import board_device, port_device, visa_device
from harness.bench.guard import Guard
from harness.bench.locks import DeviceLocks
from harness.bench.multimeter import Multimeter
from harness.bench.rig import AnyInstrument, Rig
from harness.bench.safe import StepOutcome, UnsafeBench, note_unsafe, order_of, signals_held
from harness.bench.simulated import SimulatedBench, scenario_of
from harness.bench.supply import Supply
from harness.bench.thermometer import Thermometer
from harness.bench.visa import Session
from harness.link.board import Board, BoardIdentity
from harness.link.port import find
from harness.nouns.activity import Activity
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec
from harness.rigfile.spec import Instrument

BeforeFirmware = Callable[[Rig], Callable[[], None] | None]
OnFault = Callable[[Rig, FirmwareFault], None]


def open_instrument(name: str, entry: Instrument, clock: Clock) -> AnyInstrument:
    """Connect to one instrument of the rig file, by queries only. Raises InstrumentError."""
    volts, amperes, celsius = entry.voltage_accuracy, entry.current_accuracy, entry.temperature_accuracy
    driver: Callable[[Session], AnyInstrument]
    if entry.class_ == "supply" and volts is not None and amperes is not None:
        driver = partial(Supply, voltage_accuracy=volts, current_accuracy=amperes, channel=entry.channel)
    elif entry.class_ == "multimeter" and volts is not None:
        driver = partial(Multimeter, voltage_accuracy=volts)
    elif entry.class_ == "thermometer" and celsius is not None:
        driver = partial(Thermometer, temperature_accuracy=celsius)
    else:
        raise UsageError(f"instrument.{name}: a {entry.class_} needs its accuracies")
    return driver(Session.open(name, entry.address, timeout_s=entry.timeout_s, identity=entry.identity, clock=clock))


def open_board(spec: RigSpec, clock: Clock, *, interrupt: bool, make_safe_source: str) -> Board:
    """Open the board of the rig file and bring it to its raw prompt. Raises LinkError, BenchBusy."""
    return Board.open(
        spec.board.port, clock, baudrate=spec.board.baud, make_safe_source=make_safe_source, interrupt=interrupt
    )


def devices_of(spec: RigSpec) -> list[str]:
    """Names of the devices to lock before any is opened."""
    return [port_device(find(spec.board.port)), *(visa_device(entry.address) for entry in spec.instrument.values())]


@contextlib.contextmanager
def addressed(
    spec: RigSpec,
    *,
    seed: int,
    plant_seed: int | None = None,
    board_seed: int | None = None,
    faults: Sequence[str] = (),
    simulated_bench: type[SimulatedBench] = SimulatedBench,
) -> Iterator[RigSpec]:
    """The rig file with addresses that can be opened: starts the simulated bench where they name a scenario.

    Raises UsageError where options of the simulated bench are given for a real rig.
    """
    scenario = scenario_of(spec)
    if scenario is None:
        if board_seed is not None:
            raise UsageError("--board-seed is for a rig whose addresses begin with simulated:")
        if plant_seed is not None or faults:
            raise UsageError("--plant-seed and --with-fault are for a rig whose addresses begin with simulated:")
        yield spec
        return
    with simulated_bench(scenario, seed=seed, plant_seed=plant_seed, board_seed=board_seed, faults=faults) as bench:
        try:
            yield bench.addressed(spec)
        except BenchError as error:
            ended = bench.ended()
            if not ended:
                raise
            raise BenchError(f"{error}; {ended}") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class Doors:
    """By what a bench is opened; a stand-in brings its own."""

    addressed: Callable[..., AbstractContextManager[RigSpec]] = addressed
    locks: Callable[[], DeviceLocks] = DeviceLocks
    instrument: Callable[[str, Instrument, Clock], AnyInstrument] = open_instrument
    board: Callable[..., Board] = open_board
    guard: Callable[..., Guard] = Guard.start


DOORS = Doors()


def open_clock(spec: RigSpec) -> WallClock | BenchClock:
    """The wall clock, or that of a bench which owns the time."""
    return WallClock() if spec.clock is None else BenchClock(spec.clock.address)


def check_board(spec: RigSpec, identity: BoardIdentity) -> None:
    """Whether the board is the one that the rig file names. Raises BenchError."""
    wanted = spec.board.unique_id
    if wanted is not None and wanted.lower() != identity.unique_id.lower():
        raise BenchError(
            f"{spec.board.port}: expected the board with unique id {wanted}, found {identity.unique_id}; "
            "another board is plugged in there"
        )


@contextlib.contextmanager
def open_rig(
    spec: RigSpec,
    *,
    seed: int,
    plant_seed: int | None = None,
    board_seed: int | None = None,
    faults: Sequence[str] = (),
    guard_log: Path | None = None,
    interrupt: bool = True,
    ask_firmware: bool = True,
    before_firmware: BeforeFirmware | None = None,
    locks: DeviceLocks | None = None,
    on_observation: Callable[[Observation], None] | None = None,
    on_progress: Callable[[Activity], None] | None = None,
    on_fault: OnFault | None = None,
    on_unsafe: Callable[[str], None] | None = None,
    doors: Doors = DOORS,
) -> Iterator[Rig]:
    """Open everything that the rig file names, prove it, and make it safe at the end, whatever the end is.

    `before_firmware` is called with the rig when its supply is known to be off and before the firmware is asked; what
    it returns is called at the end, with everything made safe and the board still open.
    `ask_firmware=False`: there may be none, such as after what was there before was put back, and it was nothing.
    `interrupt=False` and no `guard_log`: for looking only. `locks` may hold devices of the rig already, and also beyond
    this machine; it is released at the end. `on_observation` and `on_progress` are the rig's.
    `on_fault` is called, with all made safe, where the firmware cannot be imported or asked, before that is raised.
    `on_unsafe` is called with the order to a person where making safe has failed, before anything is closed.
    `doors`: by what all this is opened.
    Raises BenchBusy, LinkError, InstrumentError, UsageError, FirmwareFault.
    """
    with ExitStack() as stack:
        started_here = scenario_of(spec) is not None  # then nobody else can reach it, and its names are soon another's
        held = stack.enter_context(doors.locks() if locks is None or started_here else locks)
        spec = stack.enter_context(
            doors.addressed(spec, seed=seed, plant_seed=plant_seed, board_seed=board_seed, faults=faults)
        )
        if not started_here:
            held.hold(devices_of(spec))
        clock = open_clock(spec)
        if isinstance(clock, BenchClock):
            stack.callback(clock.close)
        instruments: dict[str, AnyInstrument] = {}
        for name, entry in spec.instrument.items():
            instruments[name] = doors.instrument(name, entry, clock)
            stack.callback(instruments[name].close)
        safe = source.make_safe(spec)
        board = stack.enter_context(doors.board(spec, clock, interrupt=interrupt, make_safe_source=safe))
        identity = board.identity()
        check_board(spec, identity)
        if identity.unique_id and not identity.simulated:  # every simulated board has the same one
            held.hold([board_device(identity.unique_id)])
        guard = None if guard_log is None else _guard_of(spec, guard_log, doors.guard)
        rig = Rig(
            spec,
            board=board,
            clock=clock,
            identity=identity,
            instruments=instruments,
            seed=seed,
            guard=guard,
            may_energise=held.check,
            on_observation=on_observation or (lambda _observation: None),
            on_progress=on_progress or (lambda _activity: None),
        )
        if guard is not None:
            # A supply that could not be switched off is left to the guard, which tries again when this process ends.
            stack.callback(lambda: None if rig.powered else guard.release())
            guard.wait_ready()
        end = _End()
        at_end: Callable[[], None] | None = None
        with end.as_error():
            try:
                if interrupt:
                    if rig.supply is not None:
                        rig.supply.output_off()
                    board.soft_reset()
                    board.execute_checked(safe)
                if before_firmware is not None:
                    at_end = before_firmware(rig)
                if ask_firmware:
                    _ask(rig, on_fault)
                yield rig
            except BaseException as error:
                rig.note_trouble(error)
                raise
            finally:
                with signals_held():
                    if interrupt:
                        end.unsafe = rig.make_safe()
                        if end.unsafe and on_unsafe is not None:
                            on_unsafe(order_of(end.unsafe))
                    end.not_put_back = _put_back(at_end)


def _ask(rig: Rig, on_fault: OnFault | None) -> None:
    try:
        rig.ask_firmware()
    except FirmwareFault as fault:
        if on_fault is not None:
            rig.make_safe()
            on_fault(rig, fault)
        raise


def _guard_of(spec: RigSpec, log: Path, start: Callable[..., Guard]) -> Guard | None:
    """The guard of the rig's supply, started; None where it has none."""
    name = next(iter(spec.instruments_of("supply")), None)
    if name is None:
        return None
    entry = spec.instrument[name]
    return start(entry.address, log=log, channel=entry.channel)


def _put_back(at_end: Callable[[], None] | None) -> str:
    """Why the firmware from before is not back; "" where it is, or none was exchanged."""
    if at_end is not None:
        try:
            at_end()
        except HarnessError as error:
            return f"firmware not put back, `rotorgate qualify RIG --restore` does it: {error}"
    return ""


@dataclass(slots=True)
class _End:
    """What went wrong at the end: steps of making safe that failed, and why the firmware was not put back."""

    unsafe: tuple[StepOutcome, ...] = ()
    not_put_back: str = ""

    @contextlib.contextmanager
    def as_error(self) -> Iterator[None]:
        """Say it in the error that is on its way, or in one of its own."""
        try:
            yield
        except BaseException as error:
            ended_by = str(error.args[0]) if error.args else ""
            rest = "; then ".join(words for words in (ended_by, self.not_put_back) if words)
            if self.unsafe:
                note_unsafe(error, UnsafeBench(self.unsafe, rest))
            elif self.not_put_back:
                error.args = (rest, *error.args[1:])
            raise
        if self.unsafe:
            raise UnsafeBench(self.unsafe, self.not_put_back)
        if self.not_put_back:
            raise BenchError(self.not_put_back)
