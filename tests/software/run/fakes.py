"""A rig and checks that exist in memory only: what they measure, and how they fail, is said by the test."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from harness.base.errors import BenchError, FirmwareFault, LeftLive
from harness.bench.backups import INDEX
from harness.bench.safe import StepOutcome, UnsafeBench, note_unsafe, order_of
from harness.checks.catalogue import row_of
from harness.checks.definition import Check, Need, needs_multimeter, needs_supply
from harness.command.main import main
from harness.link.board import BoardIdentity
from harness.nouns.contract import Declared, Part
from harness.nouns.effort import Duration, Effort
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Expectation, Measurement, Unmeasured
from harness.rigfile import RigSpec, load
from harness.run.means import FirmwareExchange, Means

ROOT = Path(__file__).resolve().parents[3]
SLUICE = Path(__file__).with_name("rig.toml")

HEALTHY = {
    "states": {"live_pins": 0.0},
    "conduct": {"following": 0.0},
    "commutation": {"direction": 1.0, "pole_pairs": 10.0, "offset": 0.8},
    "stiffness": {"open_loop": 1.0, "closed_loop": 2.0},
    "step": {"delay": 1.0e-3},
    "thermal": {"rise": 40.0},
    "together": {"supply_sag": 0.1},
}

A_SECOND = Effort(duration=Duration.of(1.0), phase_current_a=0.0, travel_rad=0.0, energy_j=0.0, rise_k=0.0)
"""What each of them takes, and does to a motor: nothing."""
EXACT = ("direction", "live_pins", "following", "trace")


def declared(**changes: object) -> Declared:
    entries: dict[str, object] = {
        "contract": 1,
        "name": "fake",
        "version": "1",
        "pace": "own",
        "carrier_hz": 2e4,
        "loop_period_s": 1e-3,
        "counts_per_turn": 32768,
        "field_steps": 240,
        "max_static_duty": 1.0,
        "dead_time_s": 1e-7,
        "pole_pairs": 10,
        "offset_count": 32768 - round(0.8 / 10 / (2 * np.pi) * 32768),
        "direction": 1,
        "sensor_path": "bus",
        "timers": (-1,),
        "amplitude_limit": 0.4,
        "current_limit_a": None,
        "travel_limit_rad": None,
        **changes,
    }
    return Declared(**entries)  # type: ignore[arg-type]


IDENTITY = BoardIdentity(
    unique_id="ab12", system="fake", implementation="fake", version="1", machine="SIMULATED \x1b[31m board"
)


@dataclass
class FakeRig:
    """As much of a Rig as a qualification touches."""

    spec: RigSpec = field(default_factory=lambda: load(SLUICE))
    declared: dict[str, Declared] = field(default_factory=lambda: {"leaf": declared(), "wheel": declared()})
    has: Sequence[str] = ("supply", "thermometer", "multimeter")
    lacks: Sequence[Part] = ()
    events: list[str] = field(default_factory=list)
    simulated: bool = True
    unsafe: Mapping[str, str] = field(default_factory=dict)
    """Steps that fail when it is made safe, and why."""
    live_after: Collection[str] = ()
    """Checks after which a pin is live."""
    gone: BaseException | None = None
    """What getting it back after a stop raises."""
    fault: FirmwareFault | None = None
    """What asking its firmware raises."""
    not_put_back: str = ""
    """Why the firmware from before is not back at the end, where it is not."""
    identity: BoardIdentity = IDENTITY
    instruments: Mapping[str, Any] = field(default_factory=dict)
    board: object = "the board"
    mounted: dict[str, Mapping[str, float]] = field(default_factory=dict)
    """What was measured of each motor's mounting."""
    on_observation: Callable[[Observation], None] = print

    def __post_init__(self) -> None:
        wired = {name: entry for name, entry in self.spec.instrument.items() if entry.class_ in self.has}
        self.spec = self.spec.model_copy(update={"instrument": wired})

    @property
    def motors(self) -> tuple[str, ...]:
        return self.spec.motors

    @property
    def supply(self) -> object | None:
        return self if "supply" in self.has else None

    @property
    def thermometer(self) -> object | None:
        return self if "thermometer" in self.has else None

    def multimeter(self, motor: str) -> object | None:
        return self if "multimeter" in self.has else None

    def missing_parts(self) -> list[Part]:
        return list(self.lacks)

    def not_supervised(self, heated: Collection[str]) -> list[str]:
        return [f"thermal heats {motor}" for motor in heated]

    def note_mounting(self, motor: str, measured: Mapping[str, float]) -> None:
        self.mounted[motor] = measured

    def script_hashes(self) -> dict[str, str]:
        return {"safety.py": "00"}

    def firmware_sha256(self) -> str | None:
        return None

    def power_on(self) -> None:
        self.events.append("power on")

    def make_safe(self) -> tuple[StepOutcome, ...]:
        self.events.append("make safe")
        return tuple(StepOutcome(step=step, trouble=trouble) for step, trouble in self.unsafe.items())

    def switched_off(self) -> str:
        return "phases off; supply output off"

    def bring_back(self) -> None:
        self.events.append("bring back")
        if self.gone is not None:
            raise self.gone

    def require_off(self, after: str) -> None:
        self.events.append(f"off after {after}")
        if after in self.live_after:
            raise LeftLive(f"after {after} a pin is not as off leaves it")

    def note_trouble(self, error: BaseException) -> None:
        self.events.append(type(error).__name__)

    def keep(self, observation: Observation) -> None:
        self.on_observation(observation)


@dataclass
class FakeChecks:
    """Checks: values by quantity, changes and widths by full name, and what is raised in a procedure."""

    changes: dict[str, float] = field(default_factory=dict)
    widths: dict[str, float] = field(default_factory=dict)
    """Standard uncertainties of what is measured; a thousandth of the value where nothing is said."""
    raises: dict[str, BaseException] = field(default_factory=dict)
    needs: Mapping[str, tuple[Need, ...]] = field(default_factory=lambda: {"thermal": (needs_supply, needs_multimeter)})
    forgets: set[str] = field(default_factory=set)
    ran: list[str] = field(default_factory=list)
    left_open: dict[str, str] = field(default_factory=dict)
    """Motors whose conduct was seen without their loop, and why."""

    def check_named(self, name: str) -> Check[None]:
        """In place of the registry's: a check of that name with the few quantities of HEALTHY, all of them numbers."""
        row, check = row_of(name), name
        few = tuple(
            replace(measurand, unit="1")
            for full in HEALTHY[name]
            for measurand in row.quantities
            if measurand.name == full
        )

        def names(motor: str) -> dict[str, str]:
            return {q: f"{check}.{q}" if motor == "together" else f"{motor}.{check}.{q}" for q in HEALTHY[check]}

        def procedure(rig: Any, motor: str, stimulus: None) -> list[Observation]:
            self.ran.append(f"{motor}.{check}")
            columns = (Column(name="x", unit="1"),)
            taken = Observation(name=f"{motor}.{check}.raw", columns=columns, data=np.zeros(2, dtype=[("x", "<i2")]))
            rig.keep(taken)
            if f"{motor}.{check}" in self.raises:
                raise self.raises[f"{motor}.{check}"]
            return [taken]

        def analysis(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
            assert observations
            return [
                Measurement(name=full, quantity=self.quantity(full, self.changes.get(full, HEALTHY[check][q])))
                for q, full in names(motor).items()
                if full not in self.forgets
            ]

        def without_loop(rig: Any, motor: str, stimulus: None, why: str) -> list[Observation]:
            self.left_open[motor] = why
            return procedure(rig, motor, stimulus)

        return Check(
            row=replace(row, quantities=few),
            needs=self.needs.get(name, ()),
            effort=lambda _spec, _declared, _motor: A_SECOND,
            computing_s=1.0,
            stimulus=lambda _spec, _declared, _motor: None,
            procedure=procedure,
            without_loop=without_loop if name == "conduct" else None,
            analysis=analysis,
            curves=lambda _observations, _spec, _motor: [],
            model=lambda spec, stated, motor: self.expect(check, spec, stated, motor),
            overlay=None,
        )

    def quantity(self, full: str, value: float):  # type: ignore[no-untyped-def]
        return (
            exact(value, "1")
            if any(word in full for word in EXACT)
            else normal(value, self.widths.get(full, 0.001 * abs(value)), "1", full)
        )

    def expect(self, check: str, spec: RigSpec, stated: Declared, motor: str) -> list[Expectation]:
        prefix = check if motor == "together" else f"{motor}.{check}"
        return [
            Expectation(name=f"{prefix}.{q}", quantity=self.quantity(f"expected {q}", value))
            for q, value in HEALTHY[check].items()
        ]


class FakeFirmware:
    """Firmware that is exchanged on no board: what was done, and where the one from before is held."""

    def __init__(self, held: Path, putting_back: BaseException | None = None) -> None:
        """`putting_back` is raised where the firmware from before is to be put back."""
        self.held, self.putting_back = held, putting_back
        self.done: list[str] = []

    def means(self, **changes: Any) -> FirmwareExchange:
        """How a session exchanges it; `changes` are others in place of these."""
        files: dict[str, Any] = {
            "files": lambda _path, _spec: {},
            "put": self.put,
            "backup_of": lambda _rig: self.held,
            **changes,
        }
        return FirmwareExchange(**files)

    def put(
        self, _rig: object, path: Path | None, *, restore: bool, hold: bool = False, held: Path | None = None
    ) -> None:
        """Hold the one from before, or put it back."""
        if path is not None:
            assert hold and not restore
            self.held.mkdir(exist_ok=True)
            (self.held / INDEX).write_text("{}")
            self.done.append("put on, the one from before held")
            return
        assert held == self.held
        self.done.append("put back")
        if self.putting_back is not None:
            raise self.putting_back


def means_of(
    checks: FakeChecks,
    rig: FakeRig,
    opening: BaseException | None = None,
    firmware: FirmwareExchange = FirmwareExchange(),  # noqa: B008  # immutable
) -> Means:
    """What a session works with: these fakes; `opening` is raised instead of opening the rig."""

    @contextlib.contextmanager
    def open_rig(spec: RigSpec, **options: object) -> Iterator[FakeRig]:
        rig.events.append(f"open {options['seed']}")
        if opening is not None:
            raise opening
        try:
            rig.on_observation = options.get("on_observation", print)  # type: ignore[assignment]
            options["before_firmware"](rig)  # type: ignore[operator]
            if rig.fault is not None:
                options["on_fault"](rig, rig.fault)  # type: ignore[operator]
                raise rig.fault
            yield rig
        except BaseException as error:
            if unsafe := rig.make_safe():
                _urge(options, unsafe)
                note_unsafe(error, UnsafeBench(unsafe, str(error)))
            elif rig.not_put_back:
                error.args = (f"{error}; then {rig.not_put_back}", *error.args[1:])
            raise
        else:
            if unsafe := rig.make_safe():
                _urge(options, unsafe)
                raise UnsafeBench(unsafe)
            if rig.not_put_back:
                raise BenchError(rig.not_put_back)
        finally:
            rig.events.append("closed")

    return Means(open_rig=open_rig, check_named=checks.check_named, firmware=firmware)  # type: ignore[arg-type]


def _urge(options: Mapping[str, object], unsafe: Sequence[StepOutcome]) -> None:
    if (urge := options["on_unsafe"]) is not None:
        urge(order_of(unsafe))  # type: ignore[operator]


class Bench:
    """Commands on fakes: called, it takes others from then on; `main` runs one as `harness.command.main.main` does."""

    def __init__(self) -> None:
        self()

    def __call__(
        self,
        checks: FakeChecks | None = None,
        rig: FakeRig | None = None,
        opening: BaseException | None = None,
        firmware: FirmwareExchange = FirmwareExchange(),  # noqa: B008  # immutable
    ) -> tuple[FakeChecks, FakeRig]:
        """These fakes; `opening` is raised instead of opening the rig."""
        checks, rig = checks or FakeChecks(), rig or FakeRig()
        self.means = means_of(checks, rig, opening, firmware)
        return checks, rig

    def main(self, words: Sequence[str]) -> int:
        """Run a command; its exit code."""
        return main(words, self.means)
