"""The opened rig, as a procedure is given it: board, instruments, clock, limits, power. Knows no models or verdicts."""

from __future__ import annotations

import contextlib
import hashlib
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.base.clock import Clock
from harness.base.errors import (
    BenchError,
    HarnessError,
    LeftLive,
    LinkLost,
    MissingCapability,
    StoppedByBoard,
    UsageError,
)
from harness.bench import source, supervision
from harness.bench.asking import ask_firmware
from harness.bench.multimeter import Multimeter
from harness.bench.safe import SUPPLY_OFF, StepOutcome, failed, make_safe, signals_held
from harness.bench.scripts import device_scripts
from harness.bench.supply import OutputState, Supply
from harness.bench.thermometer import Thermometer
from harness.link.board import Board, BoardIdentity
from harness.link.run import ScriptRun
from harness.nouns.activity import Activity
from harness.nouns.contract import Declared, Part, missing_parts, parse_declared
from harness.nouns.mounting import DIRECTION, HANG, OFFSET, Mounting
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.guard import Guard

WATCH_S = 1.0
"""While time passes, between two looks at the guard of the supply."""
HEARTBEATS = 3.0
"""Heartbeats in one deadman time: two may be lost (arbitrary)."""
MAKE_SAFE_S = 0.9
"""For the board to answer while it is made safe; below the second that the step is promised (arbitrary)."""

AnyInstrument = Supply | Multimeter | Thermometer


def _ignore(*_: object) -> None:
    """Nobody listens."""


class Rig:
    """One opened bench. Made by `open_rig` only."""

    def __init__(
        self,
        spec: RigSpec,
        *,
        board: Board,
        clock: Clock,
        identity: BoardIdentity,
        instruments: Mapping[str, AnyInstrument],
        seed: int,
        guard: Guard | None = None,
        may_energise: Callable[[], None] = _ignore,
        on_observation: Callable[[Observation], None] = _ignore,
        on_progress: Callable[[Activity], None] = _ignore,
    ) -> None:
        """Take what was opened.

        Args:
            spec: the rig file.
            board: the board, at its raw prompt.
            clock: the bench's.
            identity: what the board says of itself.
            instruments: opened, by their names in the rig file.
            seed: of everything that a procedure draws.
            guard: switches the supply off if this process dies; looked at before anything is energised.
            may_energise: raises BenchError where this process may not any more: its hold on a device is lost.
            on_observation: called with every observation when it is taken.
            on_progress: called with what is done now and how far this check is.
        """
        self.spec = spec
        self.board = board
        self.clock = clock
        self.identity = identity
        self.instruments = instruments
        self.seed = seed
        self.random = np.random.default_rng(seed)
        self.declared: dict[str, Declared] = {}
        self.firmware_names: tuple[str, ...] = ()
        self.guard = guard
        self._may_energise = may_energise
        self._on_observation = on_observation
        self._on_progress = on_progress
        self._mounted: dict[str, Mapping[str, float]] = {}
        self.powered = False
        """Whether the supply may be on."""
        self._link_lost = False
        self._scripts: dict[str, bytes] = {}

    # --- what is there -----------------------------------------------------------------------------

    @property
    def motors(self) -> tuple[str, ...]:
        """Names of the motors, in the order of the drive contract."""
        return self.spec.motors

    def index(self, motor: str) -> int:
        """A motor's number in the drive contract."""
        return self.spec.motors.index(motor)

    @property
    def simulated(self) -> bool:
        """Whether the board or an instrument says that it is SIMULATED."""
        return self.identity.simulated or any(
            "SIMULATED" in entry.identity.upper() for entry in self.instruments.values()
        )

    @property
    def supply(self) -> Supply | None:
        """The programmable supply, if there is one."""
        return next((entry for entry in self.instruments.values() if isinstance(entry, Supply)), None)

    @property
    def thermometer(self) -> Thermometer | None:
        """The thermometer, if there is one."""
        return next((entry for entry in self.instruments.values() if isinstance(entry, Thermometer)), None)

    def multimeter(self, motor: str) -> Multimeter | None:
        """The multimeter across two terminals of a motor, if there is one."""
        for name, entry in self.instruments.items():
            if isinstance(entry, Multimeter) and self.spec.instrument[name].is_at(motor):
                return entry
        return None

    # --- where it stands ----------------------------------------------------------------------------

    def note_mounting(self, motor: str, measured: Mapping[str, float]) -> None:
        """Take what was measured of a motor's mounting (nouns/mounting.py), for where the file is silent."""
        self._mounted[motor] = measured

    def hang_rad(self, motor: str) -> float | None:
        """Reading with a motor's arm hanging: as the rig file states it, else as measured; None before it was."""
        hang = self.spec.motor[motor].stated_hang_rad
        if hang is not None:
            return hang.value
        return self._mounted.get(motor, {}).get(HANG)

    def mounting(self, motor: str) -> Mounting:
        """How a motor is mounted, as stated, else as measured. Raises MissingCapability where it was neither."""
        entry, measured, hang = self.spec.motor[motor], self._mounted.get(motor, {}), self.hang_rad(motor)
        offset = entry.electrical_offset_rad.value if entry.electrical_offset_rad is not None else measured.get(OFFSET)
        direction = entry.direction or measured.get(DIRECTION) or None  # 0: nothing has moved
        if hang is None or offset is None or direction is None:
            places = {"load.hang_reading_rad": hang, "electrical_offset_rad": offset, "direction": direction}
            lacking = ", ".join(f"motor.{motor}.{key}" for key, value in places.items() if value is None)
            raise MissingCapability(f"because nobody knows {lacking}: state it, commutation has not measured it")
        return Mounting(direction=int(direction), offset_rad=offset, hang_rad=hang)

    # --- what a procedure does -----------------------------------------------------------------------

    def script(self, module: str, call: str, **parameters: object) -> ScriptRun:
        """Start `module.call(guard, **parameters)` of the device scripts, under the board's own guard.

        While the host waits for frames the board's deadman is fed, as long as the guard of the supply watches. Raises
        LinkError, DeviceError; BenchError where that guard has ended, or a device may be somebody else's by now.
        """
        self._look_first()
        self._deploy()
        text = source.script(self.spec, module, call, parameters, self._hangs_rad)
        watch = None if self.guard is None else self.guard.check
        return self.board.run(text, heartbeat_s=self.spec.board.deadman_s / HEARTBEATS, before_beat=watch)

    def guard_terms(self) -> dict[str, object]:
        """What the guard of a script that is started now holds it to: pins, levels, counts and milliseconds."""
        return source.guard_terms(self.spec, self._hangs_rad)

    @property
    def _hangs_rad(self) -> dict[str, float]:
        return {motor: at for motor in self.motors if (at := self.hang_rad(motor)) is not None}

    def pass_time(self, seconds: float) -> None:
        """Let time pass, with a look whether the supply's guard still watches: at once, and each second of it.

        A bench that computes its time lets all of it pass at once. Raises BenchError where the guard has ended.
        """
        longest_s = WATCH_S if self.spec.clock is None else math.inf
        until_s = self.clock.now_s() + seconds
        self.watch()
        while seconds > 0.0:
            self.clock.sleep_s(min(seconds, longest_s))
            self.watch()
            seconds = until_s - self.clock.now_s() if longest_s < math.inf else 0.0

    def watch(self) -> None:
        """Raises BenchError where the guard of the supply no longer watches."""
        if self.guard is not None:
            self.guard.check()

    def keep(self, observation: Observation) -> None:
        """Record an observation at once. A stop signal waits meanwhile: what was measured is kept whole."""
        with signals_held():
            self._on_observation(observation)

    def progress(self, words: str, fraction: float, count: str = "") -> None:
        """Show what is done now and how far this check is, 0 to 1; `count`: how far it has come where it counts up."""
        self._on_progress(Activity(words=words, fraction=fraction, count=count))

    def check_limits(
        self,
        *,
        phase_current_a: float | None = None,
        winding_temperature_c: float | None = None,
        driver_temperature_c: float | None = None,
    ) -> None:
        """Compare what was read with the rig file's limits. Raises StoppedByBoard; nothing given, nothing checked."""
        limits = self.spec.limits
        for words, value, limit, unit in (
            ("phase current", phase_current_a, limits.phase_current_a, "A"),
            ("winding temperature", winding_temperature_c, limits.winding_temperature_c, "degC"),
            ("driver temperature", driver_temperature_c, limits.driver_temperature_c, "degC"),
        ):
            if value is not None and limit is not None and abs(value) > limit:
                raise StoppedByBoard(f"{words} {value:.3g} {unit}, limit {limit:g} {unit}")

    def power_on(self) -> None:
        """Set the supply's limits, read them back, then switch its output on. A battery is taken to be on.

        Raises BenchError where the guard of the supply has ended, or the hold on a device is lost, although the output
        may be on already.
        """
        supply = self.supply
        self._look_first()
        if supply is None or self.powered:
            return
        wanted = self.spec.supply
        if wanted.current_limit_a is None or wanted.protection_v is None:
            raise UsageError(f"{self.spec.file}: supply: expected current_limit_a and protection_v, to set them first")
        supply.configure(
            voltage_v=wanted.voltage_v.value, current_limit_a=wanted.current_limit_a, protection_v=wanted.protection_v
        )
        self.powered = True  # from here on it may be on, whatever the next line raises
        if supply.output_on() is OutputState.CONSTANT_CURRENT:
            raise BenchError(
                f"{supply.session.name}: at its current limit of {wanted.current_limit_a:g} A although nothing was "
                "energised; look for a short circuit, or raise supply.current_limit_a"
            )

    def make_safe(self) -> tuple[StepOutcome, ...]:
        """Phases off, then supply off. Returns the steps that failed; raises as `safe.make_safe`."""
        supply = self.supply
        with signals_held():
            undone = failed(
                make_safe(
                    phases_off=lambda: self.board.interrupt(MAKE_SAFE_S),
                    supply_off=None if supply is None else lambda: supply.output_off(timeout_s=MAKE_SAFE_S),
                    link_lost=self._link_lost,
                )
            )
            self.powered = any(outcome.step == SUPPLY_OFF for outcome in undone)
        return undone

    def switched_off(self) -> str:
        """What `make_safe` has switched off where no step of it failed, and what it could not ask or switch."""
        phases, supply = "phases off", "supply output off"
        if self._link_lost:
            phases = "the link was lost, the phases are left to the board's own timer"
        if self.supply is None:
            supply = "this rig has no supply that could be switched, what powers the board still does"
            if self._link_lost:
                supply += ": SWITCH THE POWER OFF BY HAND"
        return f"{phases}; {supply}"

    def bring_back(self) -> None:
        """After a stop and `make_safe`: restart the board and prove it and the supply as at the opening.

        Raises BenchError where either cannot be had; nothing is energised then.
        """
        self.board.enter()
        self.board.soft_reset()
        self.board.execute_checked(source.make_safe(self.spec))
        if self.supply is not None and self.supply.output_enabled():
            raise BenchError(f"{self.supply.session.name}: its output is still on after it was switched off")
        self.ask_firmware()

    def note_trouble(self, error: BaseException) -> None:
        """Tell the rig what ended a check: after a lost link the supply goes off without waiting for the board."""
        if isinstance(error, LinkLost):
            self._link_lost = True

    # --- what the drive left behind ------------------------------------------------------------------

    def require_off(self, after: str, among: Mapping[str, Sequence[int]] | None = None) -> None:
        """Raises LeftLive where a pin is not as off leaves it; `after` says what should have switched it off.

        `among`: the live pins of each motor as a device script has found them; without it they are read now.
        """
        live = self.live_pins() if among is None else among
        names = [
            f"{motor}'s {_pin_words(self.spec, motor, pin)}"
            for motor, pins in live.items()
            for pin in dict.fromkeys(pins)
        ]
        if names:
            are = "is" if len(names) == 1 else "are"
            raise LeftLive(
                f"after {after} {' and '.join(names)} {are} not as off leaves it: the firmware leaves its bridge live"
            )

    def live_pins(self) -> dict[str, list[int]]:
        """Of each motor, the pins that are not as off leaves them. Reads; sets nothing."""
        self._deploy()
        return source.pins_answered(self.board.execute_checked(source.live_pins(self.spec)), self.motors)

    # --- the firmware --------------------------------------------------------------------------------

    def ask_firmware(self) -> None:
        """Import the firmware and take what it declares.

        Raises as `asking.ask_firmware` does, and DeclarationError.
        """
        self.firmware_names, answers = ask_firmware(self.board, self.spec)
        for motor, answer in answers.items():
            self.declared[motor] = parse_declared(motor, answer)

    def missing_parts(self) -> list[Part]:
        """Parts of the drive contract that the firmware lacks."""
        pace = next((declared.pace for declared in self.declared.values()), "own")
        return missing_parts(self.firmware_names, pace)

    def firmware_sha256(self) -> str | None:
        """Hash of the firmware's file on the board; None where it is not a file there (frozen in)."""
        stem = self.spec.firmware.module.replace(".", "/")
        for ending in ("/__init__.py", "/__init__.mpy", ".py", ".mpy"):  # as MicroPython looks for what it imports
            with contextlib.suppress(HarnessError):
                return hashlib.sha256(self.board.read_file(stem + ending)).hexdigest()
        return None

    def script_hashes(self) -> dict[str, str]:
        """Hashes of the device scripts."""
        return {name: hashlib.sha256(data).hexdigest() for name, data in device_scripts().items()}

    def not_supervised(self, heated: Collection[str]) -> list[str]:
        """Limits of the rig file that nothing sees while a check runs, where thermal is run on the `heated` motors."""
        return supervision.not_supervised(self.spec, self.firmware_names, heated)

    def _look_first(self) -> None:
        self._may_energise()
        if self.guard is not None:
            self.guard.check()

    def _deploy(self) -> None:
        self._scripts = self._scripts or device_scripts()
        if not self.board.deployed.issuperset(self._scripts):  # a soft reset forgets where they lie
            self.board.deploy(self._scripts)


def _pin_words(spec: RigSpec, motor: str, pin: int) -> str:
    entry = spec.motor[motor]
    return f"enable pin {pin}" if pin == entry.enable_pin else f"phase {'ABC'[entry.phase_pins.index(pin)]} (pin {pin})"
