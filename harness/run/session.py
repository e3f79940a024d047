"""One run of the bench from options to report: opens the rig, keeps the record, closes both whatever happens.

The command and the pytest plugin both use it; neither knows how a rig is opened.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from harness.base.clock import utc_now
from harness.base.errors import BenchError, ExitCode, FirmwareFault, RecordError, UsageError
from harness.base.guard_log import GUARD_LOG
from harness.base.versions import version_of, versions
from harness.base.words import visible
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, order_first, signals_held
from harness.bench.simulated import scenario_of
from harness.checks.catalogue import CHECK_NAMES, needed_by
from harness.judge.tally import headline
from harness.nouns.activity import Activity
from harness.nouns.contract import Part
from harness.nouns.observation import Observation
from harness.record import RecordWriter
from harness.record.entries import (
    BoardEntry,
    HashesEntry,
    InstrumentEntry,
    OpeningEntries,
    RepeatEntry,
    RigEntry,
)
from harness.record.record import FILE
from harness.rigfile import RigSpec, load
from harness.run.gauges import record_entry, studies_in_force
from harness.run.means import Means
from harness.run.qualification import Qualification
from harness.run.refusal import Refusal
from harness.store.address import Address


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a person asked for."""

    rig: Path
    out: Path | None = None
    only: tuple[str, ...] = ()
    seed: int | None = None
    plant_seed: int | None = None
    faults: tuple[str, ...] = ()
    firmware: Path | None = None
    restore: bool = False
    hold: bool = False
    """The firmware from before stays in its backup: what becomes of it is decided after the run."""
    require_all: bool = False
    number: int = 1
    runs_sharing_risk: int = 1
    """This run is number `number` of `runs_sharing_risk` that share the false-alarm risk."""
    board: str | None = None
    """What a person calls the board."""
    lot: str | None = None
    board_seed: int | None = None
    store: Address | None = None
    """Where studies of the gauge are looked up; None: beside the run's folder."""
    studied: bool = True
    """Whether they are: the demo is the same whatever somebody has studied."""
    name: str = ""
    """What the rig is called where several are used at once; its rig file's name otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What a session ended with: verdicts counted, causes, where record and report are."""

    order: str = ""
    """What a person must do first, where making safe failed."""
    lines: tuple[str, ...] = ()

    @property
    def all(self) -> tuple[str, ...]:
        """Every line, the order first."""
        return (self.order, *self.lines) if self.order else self.lines


class BenchSession:
    """The opened rig with its record and qualification. `open` once, `close` once; both from the main thread."""

    def __init__(
        self,
        settings: Settings,
        *,
        on_step: Callable[[Activity, float | None], None] | None = None,
        on_open: Callable[[Rig], None] | None = None,
        on_unsafe: Callable[[str], None] | None = None,
        locks: DeviceLocks | None = None,
        means: Means | None = None,
    ) -> None:
        """Check what can be checked before anything is opened. Raises UsageError with every problem.

        `on_open` is called with the opened rig before its firmware is exchanged or asked, the record is begun and
        anything is energised; what it raises ends the run. `on_unsafe` is called with the order to a person where
        making safe has failed, before anything is closed, which may take long where a bench hangs. `locks` may hold
        devices of the rig already, and also beyond this machine; it is released with the rig. `means`: other than
        those of every session.
        """
        self.settings = settings
        self.means = means or Means()
        self.spec: RigSpec = load(settings.rig)
        check_names(settings.only)
        if settings.firmware is not None:
            self.means.firmware.files(settings.firmware, self.spec)
        self.seed = secrets.randbelow(2**31) if settings.seed is None else settings.seed
        started = utc_now()
        self.started_utc = started.isoformat(timespec="seconds")
        self.name = settings.name or self.spec.rig.name
        self.folder = settings.out or _new_folder(self.name, started)
        refuse_used(self.folder)
        self._studies = studies_in_force(settings.store, self.folder, self.spec.rig.name) if settings.studied else {}
        self.rig: Rig | None = None
        self.qualification: Qualification | None = None
        self.record: RecordWriter | None = None
        self.report: Path | None = None
        self.code: ExitCode | None = None
        self.trouble = ""
        """Why it could not be closed as it should, the order to a person left out: `record.stop` has it."""
        self.backup: Path | None = None
        """Where the firmware from before is held, once an exchange has begun."""
        self._on_step = on_step
        self._on_open = on_open
        self._on_unsafe = on_unsafe
        self._made: list[Path] = []
        self._refusal: Refusal | None = None
        self._locks = locks
        self._stack = ExitStack()

    def open(self) -> Qualification:
        """Open the rig and begin the record. Raises BenchError, UsageError; then nothing is left open.

        Raises FirmwareFault where the firmware cannot be imported or asked; then there are a record and its page.
        """
        if self.qualification is not None:
            return self.qualification
        settings = self.settings
        self._tell(Activity(words="opening the rig", fraction=0.0))
        self._made = [path for path in (self.folder, *self.folder.parents) if not path.exists()]
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{visible(str(self.folder))}: cannot make the folder: {error.strerror}") from error
        try:
            with ExitStack() as stack:
                self.rig = stack.enter_context(
                    self.means.open_rig(
                        self.spec,
                        seed=self.seed,
                        plant_seed=settings.plant_seed,
                        board_seed=settings.board_seed,
                        faults=settings.faults,
                        guard_log=self.folder / GUARD_LOG,
                        before_firmware=self._before_firmware,
                        locks=self._locks,
                        on_observation=self._on_observation,
                        on_progress=self._on_progress,
                        on_fault=self._on_fault,
                        on_unsafe=self._on_unsafe,
                    )
                )
                self.record = RecordWriter(self.folder, self._opening(self.rig))
                self.qualification = Qualification(
                    self.rig,
                    self.record,
                    only=settings.only,
                    require_all=settings.require_all,
                    runs_sharing_risk=settings.runs_sharing_risk,
                    gauge=self.record.read().gauges,
                    check_named=self.means.check_named,
                    on_step=self._tell,
                )
                self._stack = stack.pop_all()
        except BaseException as error:
            with signals_held():
                if self._refusal is not None:
                    from harness.report import write_report

                    self._refusal.finish(error)
                    self.report = write_report(self.folder)
                elif self.record is not None:
                    order, rest = order_first(error)
                    self.record.stop("bench", rest or "the run ended", by_hand=order)
                self._tidy()
            if isinstance(error, StopSignal):
                order, words = order_first(error)
                said = f"{words} while the rig was being opened: rotorgate had switched nothing on yet"
                error.args = (f"{order}\n{said}" if order else said,)
            raise
        return self.qualification

    def close(self, *, whole: bool = True) -> ExitCode:
        """Make safe, finish the record, write the report; return the exit code. Cannot be interrupted half-way.

        Raises BenchError for what failed, and StopSignal in its place for a signal: `trouble` says it in both cases.
        """
        if self.code is not None:
            return self.code
        if self.qualification is None or self.record is None:
            raise BenchError("the rig was not opened")
        with signals_held():
            trouble: BenchError | None = None
            try:
                self._stack.close()
            except BenchError as error:
                trouble = error
                order, self.trouble = order_first(error)
                self.record.stop("bench", self.trouble or "not made safe", by_hand=order)
            else:
                self.record.end_with(self.qualification.rig.switched_off())
            code = self.qualification.finish(whole=whole)
            if trouble is not None:
                code = ExitCode.first_of((code, trouble.exit_code))
            self.record.finish(code, utc_now().isoformat(timespec="seconds"))
            self.code = code
            from harness.report import write_report

            self.report = write_report(self.folder)
        if trouble is not None:
            raise trouble
        return code

    def causes(self) -> tuple[str, ...]:
        """Causes that the record of a closed session names, in words."""
        return tuple(visible(cause.words) for cause in self.record.read().causes) if self.record is not None else ()

    def summary(self) -> Summary:
        """What a closed session has to say; nothing before it is closed."""
        if self.code is None or self.qualification is None or self.record is None:
            return Summary()
        record = self.record.read()
        simulated = " (SIMULATED)" if record.simulated else ""
        lines = [
            f"{visible(self.name)}{simulated}: {headline(self.qualification.verdicts)}",
            *(f"cause: {visible(cause.words)}" for cause in record.causes),
            *(visible(remark) for remark in (record.gauge.remarks if record.gauge is not None else ())),
            f"record {visible(str(self.folder))}, report {visible(str(self.report))}",
        ]
        order = record.stop.by_hand if record.stop is not None else None
        return Summary(order=visible(order or ""), lines=tuple(lines))

    def _on_observation(self, observation: Observation) -> None:
        """Keep what was observed; nothing is before there is a record."""
        if self.record is not None:
            self.record.keep(observation)

    def _on_progress(self, activity: Activity) -> None:
        if self.qualification is not None:
            self.qualification.progress(activity)

    def _on_fault(self, rig: Rig, fault: FirmwareFault) -> None:
        """Begin the record of firmware that is at fault before anything could be planned."""
        self.record = RecordWriter(self.folder, self._opening(rig))
        self._refusal = Refusal(rig, self.record, fault)
        self._refusal.begin()

    def _before_firmware(self, rig: Rig) -> Callable[[], None] | None:
        if self._on_open is not None:
            self._on_open(rig)
        settings = self.settings
        if settings.firmware is None and not settings.restore:
            return None
        firmware = self.means.firmware
        if settings.hold:
            self.backup = firmware.backup_of(rig)
        return firmware.put(rig, settings.firmware, restore=settings.restore, hold=settings.hold)

    def _opening(self, rig: Rig) -> OpeningEntries:
        spec, settings, identity = self.spec, self.settings, rig.identity
        identities = {name: instrument.identity for name, instrument in rig.instruments.items()}
        return OpeningEntries(
            rotorgate=version_of("rotorgate"),
            versions=versions(),
            started_utc=self.started_utc,
            seed=self.seed,
            plant_seed=settings.plant_seed,
            board_seed=settings.board_seed,
            lot=settings.lot,
            repeat=RepeatEntry(number=settings.number, of=settings.runs_sharing_risk),
            simulated=rig.simulated,
            scenario=scenario_of(spec),
            rig=RigEntry(
                name=spec.rig.name,
                description=spec.rig.description,
                file=spec.file,
                sha256=spec.sha256,
                text=spec.text,
            ),
            board=BoardEntry(
                name=settings.board,
                port=spec.board.port,
                unique_id=identity.unique_id,
                system=identity.system,
                implementation=identity.implementation,
                version=identity.version,
                machine=identity.machine,
            ),
            declared=rig.declared,
            contract_missing=tuple(missing_in_words(part) for part in rig.missing_parts() if rig.declared),
            hashes=HashesEntry(scripts=rig.script_hashes(), firmware=rig.firmware_sha256()),
            instruments={
                name: InstrumentEntry(
                    class_=spec.instrument[name].class_, idn=idn, address=spec.instrument[name].address
                )
                for name, idn in identities.items()
            },
            gauge=record_entry(self._studies.get(rig.simulated), identities),
        )

    def _tell(self, activity: Activity, remaining_s: float | None = None) -> None:
        if self._on_step is not None:
            self._on_step(activity, remaining_s)

    def _tidy(self) -> None:
        """Leave no empty folder behind when nothing came of the run."""
        try:
            log = self.folder / GUARD_LOG
            if log.exists() and not log.stat().st_size:
                log.unlink()
            for folder in self._made:
                folder.rmdir()
        except OSError:
            return


def folder_for(settings: Settings) -> Path:
    """The folder that a person named, or a new one under runs. Raises RigFileError."""
    return settings.out or _new_folder(settings.name or load(settings.rig).rig.name, utc_now())


def refuse_used(folder: Path) -> None:
    """Raises RecordError for a folder that holds a record, UsageError for one that cannot be."""
    if is_there(folder / FILE):
        raise RecordError(f"{visible(str(folder))}: holds a record already; choose another folder with --out")


def is_there(path: Path) -> bool:
    """Whether a file is there already. Raises UsageError where nobody can tell."""
    try:
        return path.exists()
    except OSError as error:
        raise UsageError(f"{visible(str(path)[:200])}: cannot be looked for: {error.strerror}") from error


def _new_folder(name: str, started: datetime) -> Path:
    return Path("runs") / f"{started.strftime('%Y%m%dT%H%M%SZ')}-{name}"


def check_names(only: Sequence[str]) -> None:
    """Whether --only names checks that there are. Raises UsageError."""
    import difflib

    problems = []
    for name in only:
        if name not in CHECK_NAMES:
            close = difflib.get_close_matches(name, CHECK_NAMES, n=1)
            hint = f"did you mean {close[0]}?" if close else f"there are {', '.join(CHECK_NAMES)}"
            if all(part in CHECK_NAMES for part in name.split(",")):
                hint = "put spaces between names"
            problems.append(f"--only {visible(name)}: no such check; {hint}")
    if problems:
        raise UsageError("\n".join(problems))


def missing_in_words(part: Part) -> str:
    """A part of the drive contract that the firmware lacks, and the checks that are lost with it."""
    return f"{part.call}: {part.meaning}; needed by {', '.join(needed_by(part.name)) or 'nothing'}"
