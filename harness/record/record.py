"""A record, typed: what one run says of itself. Nobody outside this room reads a key of record.json."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.errors import ExitCode, RecordError, RigFileError
from harness.base.words import visible
from harness.nouns.contract import Declared
from harness.nouns.observation import Observation
from harness.nouns.results import Curve, Expectation, Gauge, Measurement, Outcome, Unmeasured, Verdict
from harness.record import results
from harness.record.entries import (
    BoardEntry,
    CauseEntry,
    DiagnosisEntry,
    FirmwareEntry,
    GaugeEntry,
    HashesEntry,
    InstrumentEntry,
    LackEntry,
    MeasurementEntry,
    ObservationEntry,
    RepeatEntry,
    RigEntry,
    RiskEntry,
    StopEntry,
)
from harness.record.parts import DamagedRecord, mapping_of, optional, part, tuple_of, value
from harness.record.raw import RawReader, beside, observation_of
from harness.record.schema import record_content
from harness.record.values import Damage, listed, read_as, table, text, whole

if TYPE_CHECKING:
    from harness.rigfile import RigSpec

FILE = "record.json"


class Record:
    """A record as it was written. Properties raise DamagedRecord for what is not as it should be, each for itself."""

    def __init__(self, folder: Path, data: bytes, *, raw: RawReader | None = None) -> None:
        """`data`: record.json, byte for byte. `raw`: reads observations, where they are not in `folder`.

        Raises RecordError where it is no record of this schema or of an older one.
        """
        self.folder = folder
        self.data = data
        self.raw = raw or beside(folder)
        self.content = record_content(folder / FILE, data)
        """Its entries as JSON has them, raised to today's schema; unchecked but for those that none can lack."""

    # --- the run -------------------------------------------------------------------------------------

    schema = value(int)
    """In which it was written."""
    rotorgate = value(str)
    """The release that wrote it."""
    versions = mapping_of(str)
    """Of Python and the libraries that it ran with."""
    finished = value(bool)
    """Whether the run came to its end."""
    simulated = value(bool)
    """Whether the bench was simulated."""
    started_utc = value(str)
    """When it was started, as written."""
    stop = optional(StopEntry)
    """Why it ended before its end; None where it did not, or was killed."""
    running = optional(str)
    """The check that was at work when it was killed."""
    seed = optional(int)
    """What its random numbers were drawn from."""
    plant_seed = optional(int)
    """What the motors of a simulated bench were drawn from; None: as the plant file says."""
    board_seed = optional(int)
    """What the board of a simulated bench was drawn from; None: as the plant file says."""
    lot = optional(str)
    """The lot that the board belongs to."""
    repeat = value(RepeatEntry)
    """Which run of its command it is."""

    @part
    def started(self) -> datetime:
        """When it was started, in UTC."""
        return _time(self.started_utc, "started_utc")

    @part
    def ended(self) -> datetime | None:
        """When it ended, in UTC; None for a run that was killed."""
        ended = self._entry("ended_utc")
        return None if ended is None else _time(text(ended, "ended_utc"), "ended_utc")

    @part
    def exit_code(self) -> ExitCode | None:
        """What the command ended with; None for a run that was killed."""
        code = self._entry("exit_code")
        if code is None:
            return None
        try:
            return ExitCode(whole(code, "exit_code"))
        except Damage:
            raise
        except ValueError as error:
            raise Damage(f"exit_code: expected one that this command ends with, found {code}") from error

    @cached_property
    def fingerprint(self) -> str:
        """SHA-256 of what it says: two that have it in common are one run, wherever they lie."""
        return hashlib.sha256(self.data).hexdigest()

    # --- what was qualified, on what -----------------------------------------------------------------

    rig = value(RigEntry)
    """The rig file, as it was read."""
    board = value(BoardEntry)
    """The controller board."""
    declared = mapping_of(Declared)
    """What the firmware declared for each motor."""
    hashes = value(HashesEntry)
    """Of the code that ran on the board."""
    instruments = mapping_of(InstrumentEntry)
    """Of the bench, by their names in the rig file."""

    @property
    def spec(self) -> RigSpec:
        """The rig file, checked. Raises RecordError where this version does not read it."""
        from harness.rigfile import loads  # a store and its commands read no rig file

        try:
            return _spec_of(self.rig.text, loads)
        except RigFileError as error:
            raise RecordError(f"{visible(str(self.folder))}: its rig file does not read: {error}") from error

    @property
    def sections(self) -> Mapping[str, Any]:
        """The rig file as TOML has it, unchecked. Raises DamagedRecord."""
        try:
            return _sections_of(self.rig.text)
        except tomllib.TOMLDecodeError as error:
            raise DamagedRecord(self.folder, f"rig.text: {error}") from error

    @part
    def motors(self) -> tuple[str, ...]:
        """The rig's motors, in its order."""
        return tuple(table(self._entry("declared"), "declared"))

    @part
    def firmware(self) -> FirmwareEntry | None:
        """The firmware under test, by what it declares for the first motor; None where it declared nothing."""
        for motor, said in table(self._entry("declared"), "declared").items():
            entry = table(said, f"declared.{motor}")
            name, version = (text(entry.get(key), f"declared.{motor}.{key}") for key in ("name", "version"))
            return FirmwareEntry(name=name, version=version, sha256=self.hashes.firmware)
        return None

    @part
    def gauge(self) -> GaugeEntry | None:
        """Studies of the bench that it was judged by; None where there was none."""
        return results.gauge_from(self._entry("gauge"))

    @property
    def gauges(self) -> Mapping[str, Gauge]:
        """What they found, by the full name of a quantity."""
        return {} if self.gauge is None else {quantity.name: quantity for quantity in self.gauge.quantities}

    # --- what was planned ----------------------------------------------------------------------------

    planned = tuple_of(str)
    """Full names of the quantities that were to be measured, in order."""
    required = tuple_of(str)
    """What rig file or person required to be judged: names, `check.quantity`s or checks."""
    risk = value(RiskEntry)
    """What was fixed before measuring."""
    missing = tuple_of(LackEntry)
    """What the rig lacks."""
    not_supervised = tuple_of(str)
    """Limits that nothing on the rig watches, in words."""

    switched_off = optional(str)
    """What was switched off when the run ended and what could not be, in words; None where nobody has said so."""
    not_exercised = tuple_of(str)
    """Where no loop was exercised, motor by motor, in words."""

    # --- what was found ------------------------------------------------------------------------------

    causes = tuple_of(CauseEntry)
    """Each of those that explain all that differs."""

    @part
    def diagnosis(self) -> DiagnosisEntry:
        """What the pattern of the verdicts points to."""
        said = self._entry("diagnosis")
        if said is None:  # an older record has the causes alone
            return DiagnosisEntry(words="; ".join(cause.words for cause in self.causes))
        return read_as(DiagnosisEntry, said, "diagnosis")

    @property
    def confirmed_by(self) -> str:
        """What would confirm that it is the cause that is named; "" where there is none, or several, which
        `diagnosis.parted_by` tells apart. Raises DamagedRecord.
        """
        return self.causes[0].confirmed_by if len(self.causes) == 1 else ""

    @part
    def measurements(self) -> Mapping[str, Measurement]:
        """By full name, in the order in which they were made."""
        made = (results.measurement_from(entry) for entry in self._entries("measurements"))
        return {measurement.name: measurement for measurement in made}

    @part
    def measurement_entries(self) -> tuple[MeasurementEntry, ...]:
        """The same in the numbers of their day."""
        return read_as(tuple[MeasurementEntry, ...], self._entry("measurements"), "measurements")

    @part
    def unmeasured(self) -> tuple[Unmeasured, ...]:
        """Planned quantities without a number."""
        return tuple(results.unmeasured_from(entry) for entry in self._entries("unmeasured"))

    @property
    def results(self) -> list[Measurement | Unmeasured]:
        """Both of them."""
        return [*self.measurements.values(), *self.unmeasured]

    @part
    def expectations(self) -> list[Expectation]:
        """What the models predicted."""
        return [results.expectation_from(entry) for entry in self._entries("expectations")]

    @part
    def outcomes(self) -> list[tuple[str, Outcome]]:
        """Quantity and word of each decision, in their order: for who needs nothing else of thousands of records."""
        return [results.outcome_from(entry) for entry in self._entries("verdicts")]

    @part
    def verdicts(self) -> list[Verdict]:
        """The decisions, in their order, each with what it was taken from."""
        expected = {expectation.name: expectation for expectation in self.expectations}
        return [results.verdict_from(entry, self.measurements, expected) for entry in self._entries("verdicts")]

    @part
    def curves(self) -> tuple[Curve, ...]:
        """Measured curves with their models, for a page."""
        return tuple(results.curve_from(entry) for entry in self._entries("curves"))

    # --- observations --------------------------------------------------------------------------------

    @part
    def observation_entries(self) -> tuple[ObservationEntry, ...]:
        """Observations without their samples, in the order they were taken."""
        return tuple(results.observation_from(entry) for entry in self._entries("observations"))

    def observation(self, name: str) -> Observation:
        """One observation with its samples. Raises RecordError."""
        for entry in self.observation_entries:
            if entry.name == name:
                return observation_of(entry, self.raw(entry), self.folder / entry.file)
        raise RecordError(f"{self.folder}: no observation {name}")

    def observations(self) -> list[Observation]:
        """All observations with their samples, in the order they were taken. Raises RecordError."""
        return [observation_of(entry, self.raw(entry), self.folder / entry.file) for entry in self.observation_entries]

    # --- inside --------------------------------------------------------------------------------------

    def _entry(self, name: str) -> Any:
        if name not in self.content:
            raise Damage(f"expected {name!r} in it")
        return self.content[name]

    def _entries(self, name: str) -> list[Mapping[str, Any]]:
        return [table(entry, name) for entry in listed(self._entry(name), name)]


@lru_cache(maxsize=8)
def _spec_of(words: str, loads: Callable[[bytes, str], RigSpec]) -> RigSpec:
    # Most records of a rig hold the same text, and to check it takes longer than to read all else of a record.
    return loads(words.encode("utf-8", "surrogatepass"), "rig.toml")


@lru_cache(maxsize=8)
def _sections_of(words: str) -> Mapping[str, Any]:
    return tomllib.loads(words)


def _time(words: str, where: str) -> datetime:
    try:
        when = datetime.fromisoformat(words)
    except ValueError as error:
        raise Damage(f"{where}: {error}") from error
    if when.tzinfo is None:
        raise Damage(f"{where}: expected a time with its zone, found {words}")
    return when.astimezone(UTC)
