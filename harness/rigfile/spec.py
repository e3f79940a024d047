"""The rig file's schema, version 1, as frozen typed sections. Attribute names are the TOML keys.

Required is only what is needed to operate safely. Any other model input may be absent (None): the quantity is
measured all the same and shown as not judged, with what it needs. Ranges are arbitrary: wide enough for any
small motor bench, narrow enough to catch a slip of unit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, PrivateAttr

from harness.base import addresses
from harness.nouns.names import PhaseTerminal
from harness.nouns.results import Requirement
from harness.rigfile import fields
from harness.rigfile.fields import address, choice, integer, known, listed, number, text
from harness.rigfile.known import Accuracy, Detect, RequirementLimits, StatedValue

SCHEMA = 1

Positive = Annotated[StatedValue, known(1e-12, 1e9)]
Temperature = Annotated[StatedValue, known(-60.0, 150.0)]
AccuracyField = Annotated[Accuracy, PlainValidator(fields.accuracy)]
PinField = Annotated[int | str, PlainValidator(fields.pin)]
Path = Literal["bus", "pulse_width"]
PathField = Annotated[Path, choice("bus", "pulse_width")]
DirectionField = Annotated[int, choice(1, -1)]

LONGEST_TRAVEL_RAD = 3.0
"""The sensor reads the same after a turn, so nothing is ever seen further away than half a turn; the rest is there for
a shaft at speed to be seen in between two readings (arbitrary)."""


class SpecSection(BaseModel):
    """A section of the rig file: frozen, nothing unknown in it."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", populate_by_name=False)


class PersonsFile(SpecSection):
    """A whole file that a person wrote, with the file itself beside what it says."""

    _text: str = PrivateAttr("")
    _sha256: str = PrivateAttr("")
    _file: str = PrivateAttr("")

    @property
    def text(self) -> str:
        """The file as it was read."""
        return self._text

    @property
    def sha256(self) -> str:
        """Of the file's bytes."""
        return self._sha256

    @property
    def file(self) -> str:
        """The file's name, for messages."""
        return self._file

    def read_from(self, content: bytes, text: str, file: str) -> None:
        """Remember the file: its bytes, its text and its name."""
        self._text, self._sha256, self._file = text, hashlib.sha256(content).hexdigest(), file


class RigSection(SpecSection):
    """[rig]: its name and the risks of a qualification."""

    name: Annotated[str, text("a name of letters, digits, _ and -, at most 40", r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")]
    description: Annotated[str, text("text of at most 200 characters")] = ""
    false_alarm_risk: Annotated[float, number(1e-6, 0.5)] = 0.01
    false_acceptance_risk: Annotated[float, number(1e-6, 0.5)] = 0.05
    gauge_share_max: Annotated[float, number(0.01, 1.0)] = 0.30
    """Share of a requirement's tolerance that the bench's own scatter may take, as harness.judge.verdict has it."""
    required: Annotated[
        tuple[str, ...],
        listed("a list of names of checks or quantities", fields.name_of_quantity, 0, 200),
    ] = ()


class BoardSection(SpecSection):
    """[board]: where it is and how soon it makes itself safe."""

    port: Annotated[str, address(addresses.PORT_FORMS, addresses.is_board_port)]
    deadman_s: Annotated[float, number(0.05, 5.0)]
    baud: Annotated[int, integer(1200, 4_000_000)] = 115200
    unique_id: Annotated[str | None, text("the board's unique id, hexadecimal", r"[0-9a-fA-F]{2,64}")] = None


class FirmwareSection(SpecSection):
    """[firmware]: what its author says it does."""

    module: Annotated[str, text("the name of a MicroPython module", r"[A-Za-z_][A-Za-z0-9_.]{0,63}")]
    contract: Annotated[int, integer(1, 1)]
    gain_per_rad: Positive | None = None
    amplitude_limit: Annotated[StatedValue, known(1e-3, 1.0)] | None = None
    loop_period_s: Annotated[StatedValue, known(1e-5, 1.0)] | None = None
    loop_delay_s: Annotated[StatedValue, known(0.0, 1.0)] | None = None
    sensor_path: PathField | None = None
    carrier_hz: Annotated[float, number(100.0, 1e6)] | None = None
    dead_time_s: Annotated[StatedValue, known(0.0, 1e-4)] | None = None
    exchange: Annotated[
        tuple[str, ...], listed('a list of file names, such as ["main.py"]', fields.file_name, 0, 20)
    ] = ()
    """Files that a firmware exchange may replace although the board runs them at start (boot.py, main.py)."""


class LimitsSection(SpecSection):
    """[limits]: over any of these at any sample, phases off and then supply off."""

    phase_current_a: Annotated[float, number(0.01, 200.0)]
    speed_rad_s: Annotated[float, number(0.1, 10_000.0)]
    travel_rad: Annotated[float, number(0.01, LONGEST_TRAVEL_RAD)]
    winding_temperature_c: Annotated[float, number(30.0, 250.0)]
    driver_temperature_c: Annotated[float, number(30.0, 200.0)] | None = None


class RoomSection(SpecSection):
    """[room]: the air round the bench, where no thermometer says better."""

    temperature_c: Temperature


class SupplySection(SpecSection):
    """[supply]: what feeds the bridges; limits and protection are set where an instrument of that class is there."""

    voltage_v: Annotated[StatedValue, known(1.0, 100.0)]
    current_limit_a: Annotated[float, number(0.01, 200.0)] | None = None
    protection_v: Annotated[float, number(1.0, 120.0)] | None = None
    internal_resistance_ohm: Annotated[StatedValue, known(0.0, 100.0)] | None = None


class DriverSection(SpecSection):
    """[driver]: the power stage."""

    on_resistance_ohm: Annotated[StatedValue, known(0.0, 100.0)] | None = None
    idle_current_a: Annotated[StatedValue, known(0.0, 10.0)] | None = None
    thermal_resistance_k_w: Annotated[StatedValue, known(0.01, 1000.0)] | None = None


class MotorThermal(SpecSection):
    """[motor.NAME.thermal]: two nodes, winding and housing."""

    winding_to_housing_k_w: Annotated[StatedValue, known(1e-3, 1e3)] | None = None
    housing_to_ambient_k_w: Annotated[StatedValue, known(1e-3, 1e3)] | None = None
    winding_capacity_j_k: Annotated[StatedValue, known(1e-3, 1e6)] | None = None
    housing_capacity_j_k: Annotated[StatedValue, known(1e-3, 1e6)] | None = None
    conductor: Annotated[Literal["copper", "aluminium"], choice("copper", "aluminium")] | None = None
    mounting: Annotated[Literal["free", "bolted"], choice("free", "bolted")] | None = None
    """Whether it hangs free, or is bolted to a body that takes up heat: then, and where nothing is said, a third body
    may stand behind the housing."""
    flux_per_k: Annotated[StatedValue, known(-0.1, 0.1)] | None = None


class Sensor(SpecSection):
    """[motor.NAME.sensor]: the absolute angle sensor on the shaft."""

    path: PathField
    bits: Annotated[int, integer(4, 24)]
    noise_rad: Annotated[StatedValue, known(0.0, 1.0)] | None = None
    age_s: Annotated[StatedValue, known(0.0, 1.0)] | None = None
    eccentricity_rad: Annotated[float, number(0.0, 0.5)] | None = None

    @property
    def counts(self) -> int:
        """Counts a mechanical turn."""
        return 1 << self.bits


class Load(SpecSection):
    """[motor.NAME.load]: how known torque reaches the shaft."""

    kind: Annotated[Literal["gravity_arm"], choice("gravity_arm")]
    mass_kg: Annotated[StatedValue, known(1e-5, 1e3)] | None = None
    length_m: Annotated[StatedValue, known(1e-4, 10.0)] | None = None
    own_inertia_kg_m2: Annotated[StatedValue, known(0.0, 1e3)] | None = None
    hang_reading_rad: Annotated[StatedValue, known(-6.2832, 6.2832)] | None = None


class Motor(SpecSection):
    """[motor.NAME]: one three-phase motor, per phase of the equivalent star."""

    pole_pairs: Annotated[int, integer(1, 100)]
    phase_pins: Annotated[
        tuple[int | str, int | str, int | str], listed("a list of three pins, of phases A, B, C", fields.pin, 3, 3)
    ]
    enable_pin: PinField
    enable_active: Annotated[Literal["high", "low"], choice("high", "low")] = "high"
    resistance_ohm: Annotated[StatedValue, known(1e-3, 1e3)]
    inductance_h: Annotated[StatedValue, known(1e-7, 10.0)] | None = None
    flux_linkage_v_s: Annotated[StatedValue, known(1e-6, 100.0)] | None = None
    rotor_inertia_kg_m2: Annotated[StatedValue, known(1e-10, 1e3)] | None = None
    viscous_friction_n_m_s: Annotated[StatedValue, known(0.0, 1e3)] | None = None
    coulomb_friction_n_m: Annotated[StatedValue, known(0.0, 1e3)] | None = None
    cogging_n_m: Annotated[StatedValue, known(0.0, 1e3)] | None = None
    cogging_periods: Annotated[int | None, integer(1, 10000)] = None
    electrical_offset_rad: Annotated[StatedValue, known(-6.2832, 6.2832)] | None = None
    direction: DirectionField | None = None
    sensor: Sensor
    thermal: MotorThermal | None = None
    load: Load | None = None

    @property
    def stated_hang_rad(self) -> StatedValue | None:
        """The sensor's reading with the arm hanging; None without an arm, or where nobody has stated it."""
        return self.load.hang_reading_rad if self.load is not None else None


class Instrument(SpecSection):
    """[instrument.NAME]: `class` (here `class_`) is the class of instrument; accuracies are those of its data sheet."""

    class_: Annotated[Literal["supply", "multimeter", "thermometer"], choice("supply", "multimeter", "thermometer")] = (
        Field(alias="class")
    )
    address: Annotated[str, address(addresses.INSTRUMENT_FORMS, addresses.is_instrument_address)]
    identity: Annotated[str | None, text("part of its *IDN? reply, up to 100 characters", longest=100)] = None
    """Text that its *IDN? reply must contain, where the rig is to be sure of this very instrument."""
    channel: Annotated[int, integer(1, 16)] | None = None
    timeout_s: Annotated[float, number(0.1, 60.0)] = 2.0
    across: (
        Annotated[
            tuple[PhaseTerminal, PhaseTerminal],
            listed('two terminals, such as ["leaf.B", "leaf.C"]', fields.terminal, 2, 2),
        ]
        | None
    ) = None
    voltage_accuracy: AccuracyField | None = None
    current_accuracy: AccuracyField | None = None
    temperature_accuracy: AccuracyField | None = None

    def is_at(self, motor: str) -> bool:
        """Whether it stands across two terminals of this motor."""
        return self.across is not None and self.across[0].motor == motor


class ClockSection(SpecSection):
    """[clock]: a bench that owns the time."""

    address: Annotated[str, address(addresses.CLOCK_FORM, addresses.is_clock_address)]


class RigSpec(PersonsFile):
    """A whole rig file."""

    schema_: Annotated[int, integer(SCHEMA, SCHEMA)] = Field(alias="schema")
    rig: RigSection
    board: BoardSection
    firmware: FirmwareSection
    limits: LimitsSection
    room: RoomSection | None = None
    supply: SupplySection
    driver: DriverSection = DriverSection()
    motor: Mapping[str, Motor]
    instrument: Mapping[str, Instrument] = Field(default_factory=dict)
    requirements: Mapping[str, Annotated[RequirementLimits, PlainValidator(fields.limits)]] = Field(
        default_factory=dict
    )
    detect: Mapping[str, Annotated[Detect, PlainValidator(fields.detect)]] = Field(default_factory=dict)
    clock: ClockSection | None = None

    @property
    def motors(self) -> tuple[str, ...]:
        """Names of the motors in the file's order; a motor's place is its number in the drive contract."""
        return tuple(self.motor)

    def instruments_of(self, class_: str) -> tuple[str, ...]:
        """Names of the instruments of a class, in the file's order."""
        return tuple(name for name, entry in self.instrument.items() if entry.class_ == class_)

    @property
    def required(self) -> dict[str, Requirement]:
        """What the application requires, by quantity of one motor or of all."""
        return {name: Requirement(name=name, low=ends.min, high=ends.max) for name, ends in self.requirements.items()}
