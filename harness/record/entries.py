"""What record.json says of a run beside its results, part by part. A default is what a record by its silence means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.nouns.contract import Declared
from harness.nouns.observation import Description
from harness.nouns.results import Gauge


@dataclass(frozen=True, slots=True, kw_only=True)
class RigEntry:
    """The rig file, as it was read."""

    name: str
    description: str
    file: str
    sha256: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardEntry:
    """The controller board, as it says itself."""

    name: str | None = None
    """What a person called it."""
    port: str
    unique_id: str
    system: str
    implementation: str
    version: str
    machine: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareEntry:
    """The firmware under test, by its declaration for the first motor."""

    name: str
    version: str
    sha256: str | None
    """Of its module; None where the rig file names none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentEntry:
    """An instrument of the bench. `idn` is its answer to `*IDN?`."""

    class_: str
    idn: str
    address: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HashesEntry:
    """SHA-256 of the code that ran on the board."""

    scripts: Mapping[str, str]
    """By the name of a device script."""
    firmware: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatEntry:
    """Which run of its command it is, of how many."""

    number: int = 1
    of: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskEntry:
    """What was fixed before measuring: `planned` decisions, each taken `runs_sharing_risk` times, share the false-alarm
    risk."""

    false_alarm: float
    false_acceptance: float
    planned: int
    runs_sharing_risk: int = 1
    each: float
    """One decision's share of `false_alarm`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeEntry:
    """What studies of the bench the run was judged by."""

    store: str | None = None
    """Where they are; None where none could be read."""
    quantities: tuple[Gauge, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LackEntry:
    """A thing that the rig does not have, and what it would add."""

    what: str
    adds: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningEntries:
    """What is known of a run when its bench is opened; see the properties of `Record` for what each is."""

    rotorgate: str
    versions: Mapping[str, str]
    started_utc: str
    seed: int
    plant_seed: int | None
    board_seed: int | None
    lot: str | None
    repeat: RepeatEntry
    simulated: bool
    scenario: str | None
    rig: RigEntry
    board: BoardEntry
    declared: Mapping[str, Declared]
    contract_missing: tuple[str, ...]
    hashes: HashesEntry
    instruments: Mapping[str, InstrumentEntry]
    gauge: GaugeEntry | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEntries:
    """What a run is going to do, fixed before anything is measured."""

    planned: tuple[str, ...]
    risk: RiskEntry
    not_supervised: tuple[str, ...]
    missing: tuple[LackEntry, ...]
    required: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementEntry:
    """A measured quantity in the numbers of its day, which another version might compute otherwise from its budget."""

    name: str
    value: float
    unit: str
    u: float
    dof: float | None
    """None where it is infinite."""
    interval95: tuple[float, float]

    @property
    def half95(self) -> float:
        """Half the width of that interval."""
        low, high = self.interval95
        return (high - low) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StopEntry:
    """Why the run ended before its end: `kind` is `bench` or `defect`."""

    by_hand: str | None = None
    """What a person has to do, because making safe failed."""
    kind: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseEntry:
    """A cause that explains all that differs."""

    name: str
    words: str
    motors: tuple[str, ...]
    sizes: Mapping[str, float]
    explains: tuple[str, ...]
    """Full names of the quantities that differ for it."""
    confirmed_by: str
    parted_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosisEntry:
    """What the pattern of the verdicts points to; `words` are empty where nothing is off."""

    known: bool = False
    words: str = ""
    differs: tuple[str, ...] = ()
    parted_by: tuple[str, ...] = ()
    """What would tell causes apart that this rig does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationEntry(Description):
    """An observation's description, and the file that holds its samples, from the record's folder."""

    file: str
