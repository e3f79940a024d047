"""`rotorgate qualify` and `rotorgate demo`: one qualification, or repeats of it, run and shown."""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness.base.defects import write_defect
from harness.base.errors import BenchError, ExitCode, FirmwareFault
from harness.base.words import visible
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, signals_held, stop_on_signals
from harness.judge.tally import counts, headline
from harness.plan.plan import length_of
from harness.pool import locks_for
from harness.record import Record
from harness.record.forms import clean
from harness.report.gaps import open_lines
from harness.run.board_names import BoardNameCheck, lot_for
from harness.run.means import Means
from harness.run.qualification import is_bench, stop_in_words, why_stopped
from harness.run.repeats import Repeats, repeat
from harness.run.session import BenchSession, Settings, folder_for
from harness.run.whole_run import FinishedRun, Keep, run_session
from harness.show.terminal import Terminal, cause_line, confirming_line
from harness.store.address import Address, beside
from harness.store.keeping import KeepOutcome, keep_run

DEMO_SEED = 1
"""The demo is the same for everybody (arbitrary)."""


def demo(arguments: argparse.Namespace) -> int:
    """Qualify the shipped sluice rig on the simulated bench."""
    package = importlib.util.find_spec("rigs_demo")
    if package is None or not package.submodule_search_locations:
        raise BenchError("demo: rigs_demo is not installed here: python -m pip install 'rotorgate[demo]'")
    rig = Path(package.submodule_search_locations[0]) / "rigs" / "sluice.toml"
    out = Path(arguments.out) if arguments.out else None
    return run(Settings(rig=rig, out=out, seed=DEMO_SEED, studied=False), arguments)


def qualify(arguments: argparse.Namespace) -> int:
    """Qualify the board of a rig, and keep the run in the store."""
    store = Address.parse(arguments.store) if arguments.store else None  # wrong use is said before anything moves
    settings = Settings(
        rig=Path(arguments.rig),
        out=Path(arguments.out) if arguments.out else None,
        only=tuple(arguments.only),
        seed=arguments.seed,
        plant_seed=arguments.plant_seed,
        board_seed=arguments.board_seed,
        faults=tuple(arguments.with_fault),
        firmware=Path(arguments.firmware) if arguments.firmware else None,
        restore=arguments.restore,
        require_all=arguments.require_all,
        board=arguments.board,
        lot=arguments.lot,
    )
    folder = folder_for(settings)
    if arguments.repeats > 1 and store is None:
        store = beside(folder)  # not beside DIR/1
    settings = replace(settings, out=folder, lot=lot_for(settings), store=store)
    kept = not arguments.no_store
    with locks_for(store) as locks:
        return run(
            settings,
            arguments,
            count=arguments.repeats,
            keep=(lambda run_folder: keep_run(run_folder, store)) if kept else None,
            named=BoardNameCheck.of(settings, (lambda: store or beside(folder)) if kept else None),
            locks=locks,
        )


def run(
    settings: Settings,
    arguments: argparse.Namespace,
    *,
    count: int = 1,
    keep: Keep | None = None,
    named: BoardNameCheck | None = None,
    locks: DeviceLocks | None = None,
) -> int:
    """Open, run, close, keep and show, `count` times; the exit code over all."""
    terminal = Terminal(quiet=arguments.quiet or arguments.json, json=arguments.json)
    drawn = settings.seed is None
    means = arguments.means or Means()
    refused: dict[str, Any] = {}
    """Where the record of firmware is that could not be imported or asked, as --json gives it."""

    def opened(rig: Rig) -> None:
        if rig.simulated:
            terminal.say("the bench is SIMULATED: nothing of this says anything about a real board")
        exchanged = settings.firmware is not None or settings.restore
        if not exchanged and (left := means.firmware.left_behind(rig.identity, rig.spec)):
            terminal.say(left)
        if named is not None and (remark := named.check(rig.identity.unique_id, simulated=rig.simulated)):
            terminal.say(remark)

    def once(each: Settings) -> FinishedRun:
        session = BenchSession(
            each, on_step=terminal.step, on_open=opened, on_unsafe=terminal.urge, locks=locks, means=means
        )
        if each.number == 1:
            terminal.say(f"{session.spec.rig.name}: {length_of(session.spec, means.check_named, settings.only, count)}")
        if count > 1:
            terminal.say(f"repeat {each.number} of {each.runs_sharing_risk}, seed {session.seed}")
        elif drawn:
            terminal.say(f"seed {session.seed}")
        try:
            return run_session(session, keep, None if terminal.json else lambda ended: show(ended, terminal))
        except FirmwareFault:
            with signals_held():
                if session.report is not None:
                    kept = keep(session.folder) if keep is not None else None
                    refused.update(places_of(session, kept))
                    if not terminal.json:
                        show_places(session, kept, terminal)
            raise

    if settings.board is not None:
        terminal.say(f"board {settings.board} of lot {settings.lot}")
    with stop_on_signals():
        try:
            repeats = repeat(settings, count, once)
        except FirmwareFault as fault:
            if not terminal.json or not refused:
                raise
            error = [visible(line) for line in str(fault).splitlines()]
            terminal.result(json.dumps({"exit_code": int(fault.exit_code), "error": error, **refused}, allow_nan=False))
            return fault.exit_code
        # What was measured is told whole, whoever asks to stop meanwhile.
        with contextlib.suppress(StopSignal), signals_held():
            if count > 1:
                show_all(repeats, terminal, refused)
            elif terminal.json:
                show(repeats.runs[0], terminal)
    return repeats.code


def show_all(repeats: Repeats, terminal: Terminal, refused: Mapping[str, Any]) -> None:
    """What became of each repeat; `refused`: places of one whose firmware could not be imported or asked."""
    missing = [number for number in range(1, repeats.asked + 1) if number > len(repeats.runs)]
    why = "" if repeats.trouble is None else str(repeats.trouble) or type(repeats.trouble).__name__
    last = repeats.runs[-1]
    if not why and last.code.ends_row:
        why = f"because repeat {last.session.settings.number} ended with {int(last.code)}"
    if terminal.json:
        entries = [json_of(ended) for ended in repeats.runs]
        terminal.result(
            json.dumps(
                {
                    "exit_code": int(repeats.code),
                    "asked": repeats.asked,
                    "repeats": entries,
                    "trouble": why,
                    "refused": refused or None,
                },
                allow_nan=False,
            )
        )
        return
    for ended in repeats.runs:
        number, words = ended.session.settings.number, headline(ended.qualification.verdicts)
        terminal.result(f"repeat {number} of {repeats.asked}: exit code {int(ended.code)}: {words}")
    for number in missing:
        terminal.result(f"repeat {number} of {repeats.asked}: not run{f': {why}' if why else ''}")


def show(ended: FinishedRun, terminal: Terminal) -> None:
    """The verdict, the table, the causes, and where record and report are."""
    if terminal.json:
        terminal.result(json.dumps(json_of(ended), allow_nan=False))
        return
    session, qualification, kept = ended.session, ended.qualification, ended.kept
    record = qualification.record.read()
    lines = lines_of(ended, record)
    words = headline(qualification.verdicts)
    simulated = " (SIMULATED)" if record.simulated else ""
    if record.stop is not None and record.stop.by_hand:
        terminal.result(lines.pop(0))
    terminal.result(f"{session.spec.rig.name}{simulated}: {words}")
    for line in lines:
        terminal.result(line)
    if not terminal.quiet:
        terminal.table(qualification.verdicts)
    for line in left_open(ended):
        terminal.result(line)
    diagnosis = record.diagnosis
    if diagnosis.words:
        terminal.result(cause_line(diagnosis.words, known=diagnosis.known))
    if record.confirmed_by:
        terminal.result(confirming_line(record.confirmed_by))
    if diagnosis.parted_by:
        terminal.result(f"what would part them: {', '.join(diagnosis.parted_by)}")
    if not terminal.quiet:
        for lack in record.missing:
            terminal.result(f"{lack.what} would add: {lack.adds}")
        for limit in record.not_supervised:
            terminal.result(f"not supervised: {limit}")
    for remark in record.gauge.remarks if record.gauge is not None else ():
        terminal.result(remark)
    show_places(session, kept, terminal)
    if terminal.trouble:
        terminal.say(f"the result could not be written to standard output: {terminal.trouble}; see {session.report}")


def show_places(session: BenchSession, kept: KeepOutcome | None, terminal: Terminal) -> None:
    """Where record and report are, and what became of keeping them."""
    terminal.result(f"record {session.folder}")
    terminal.result(f"report {session.report}")
    if kept is not None:
        terminal.result(kept.words)


def left_open(ended: FinishedRun) -> list[str]:
    """Which quantity leaves the run undecided and what would close it, a line each; none where it is decided."""
    if ended.code is not ExitCode.UNDECIDED:
        return []
    return open_lines(ended.qualification.verdicts, ended.qualification.required)


def lines_of(ended: FinishedRun, record: Record) -> list[str]:
    """What went wrong: what a person must do first, why the run ended early, where the board was stopped."""
    lines = [record.stop.by_hand] if record.stop is not None and record.stop.by_hand else []
    stop = ended.qualification.stop
    if stop is not None and not is_bench(stop):
        lines.append(write_defect(stop, ended.folder))
    elif stop is not None:
        lines.append(why_stopped(stop))
    if stop is not None and record.switched_off:
        lines.append(f"at the end: {record.switched_off}")
    lines += [stop_in_words(entry) for entry in ended.qualification.stops]
    if ended.trouble:
        lines.append(ended.trouble)
    return lines


def json_of(ended: FinishedRun) -> dict[str, Any]:
    """The result as --json gives it."""
    session, qualification = ended.session, ended.qualification
    record = qualification.record.read()
    return {
        "exit_code": int(ended.code),
        "verdict": headline(qualification.verdicts),
        "rig": session.spec.rig.name,
        "simulated": record.simulated,
        "counts": {word.value: count for word, count in counts(qualification.verdicts).items()},
        "seed": session.seed,
        "plant_seed": session.settings.plant_seed,
        "board_seed": session.settings.board_seed,
        "board": session.settings.board,
        "lot": session.settings.lot,
        "repeat": {"number": session.settings.number, "of": session.settings.runs_sharing_risk},
        "error": lines_of(ended, record),
        "open": left_open(ended),
        "verdicts": [
            {
                "name": entry.name,
                "outcome": entry.outcome.value,
                "reason": entry.reason,
                "unit": entry.unit,
                "measured": None if entry.measured is None else entry.measured.value,
                "u": None if entry.measured is None else entry.measured.u,
            }
            for entry in qualification.verdicts
        ],
        "diagnosis": clean(record.diagnosis),
        "causes": clean(record.causes),
        "gauge": clean(record.gauge),
        **places_of(session, ended.kept),
    }


def places_of(session: BenchSession, kept: KeepOutcome | None) -> dict[str, Any]:
    """Where record and report are, and what became of keeping them, as --json gives it."""
    return {
        "record": str(session.folder),
        "report": str(session.report),
        "kept": None if kept is None else kept.entry(),
    }
