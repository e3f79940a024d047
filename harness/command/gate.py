"""`rotorgate gate`: a release is qualified, compared with a baseline, and decided on by a policy file."""

from __future__ import annotations

import argparse
import contextlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from harness.base.clock import WallClock, utc_now
from harness.base.errors import BenchError, ExitCode, UsageError
from harness.base.words import visible
from harness.baseline.stored import load_baseline, refuse_retired
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, signals_held, stop_on_signals
from harness.compare import Difference, findings_counted, terms_of
from harness.gate import DecisionWord, Policy, load_policy
from harness.judge.tally import headline as verdicts_counted
from harness.pool import locks_for
from harness.release.foresight import within_reach
from harness.release.outcome import (
    DECISION,
    JUNIT,
    SUMMARY,
    ReleaseReport,
    decision_content,
    keep_decision,
    orders_of,
    subject_of,
    write_files,
)
from harness.release.trial import (
    GateConditions,
    ReleaseAttempt,
    attempt,
    check_reach,
    restore_or_forget,
    same_kind,
    terms_for,
)
from harness.rigfile import RigSpec
from harness.rigfile import load as load_rig
from harness.run.means import Means
from harness.run.session import BenchSession, Settings, folder_for, is_there
from harness.run.whole_run import FinishedRun, run_session
from harness.show.terminal import Terminal, cause_line, confirming_line
from harness.store import Store
from harness.store.address import DEFAULT, Address
from harness.store.keeping import keep_run

STAYS, IS_BACK = "the firmware that was released stays on the board", "the firmware from before is back on the board"


def gate(arguments: argparse.Namespace) -> int:
    """Try a release and say what is decided. Raises UsageError, StoreError, StoreUnavailable before anything moves."""
    terminal = Terminal(quiet=arguments.quiet or arguments.json, json=arguments.json)
    address = Address.parse(arguments.store or DEFAULT)
    settings = _settings(arguments, address)
    policy, spec = load_policy(Path(arguments.policy)), load_rig(settings.rig)
    policy.check_names(spec.motors)
    means = arguments.means or Means()
    files = means.firmware.files(settings.firmware, spec) if settings.firmware is not None else {}
    conditions = _conditions(arguments, policy, spec, address)
    length = within_reach(conditions, spec, means.check_named)
    sessions: list[BenchSession] = []
    with stop_on_signals(), locks_for(address) as locks:
        attempt = _attempted(settings, conditions, terminal, locks, files, spec, sessions, means, length)
        # What was decided is done and told whole, whoever asks to stop meanwhile.
        with contextlib.suppress(StopSignal), signals_held():
            released = attempt.decision.word is DecisionWord.RELEASE
            trouble = restore_or_forget(sessions, released=released, locks=locks)
            exchanged = any(session.backup is not None for session in sessions)
            account = ReleaseReport(
                settings=settings,
                conditions=conditions,
                attempt=attempt,
                code=ExitCode.first_of([attempt.decision.code, *([ExitCode.BENCH] if trouble else [])]),
                files=files,
                fate=(STAYS if released else IS_BACK) if exchanged and not trouble else "",
                trouble=trouble,
            )
            _tell(terminal, account, address)
    return account.code


def _attempted(
    settings: Settings,
    conditions: GateConditions,
    terminal: Terminal,
    locks: DeviceLocks,
    files: Mapping[str, bytes],
    spec: RigSpec,
    sessions: list[BenchSession],
    means: Means,
    length: str,
) -> ReleaseAttempt:
    """The release tried; every session that is begun is added to `sessions`.

    Raises what trying it raises, with the firmware from before put back, and BenchError where that failed, too.
    """
    address = settings.store

    def opened(rig: Rig) -> None:
        same_kind(rig, conditions.stored)
        if len(sessions) == 1 and (left := means.firmware.left_behind(rig.identity, rig.spec)):
            terminal.say(left)
        if rig.simulated and len(sessions) == 1:
            terminal.say("the bench is SIMULATED: nothing of this says anything about a real board")

    def run(each: Settings) -> FinishedRun:
        if each.firmware is not None and means.firmware.files(each.firmware, spec) != files:
            raise UsageError(f"--firmware {visible(str(each.firmware))}: its files changed while the gate was running")
        sessions.append(
            BenchSession(each, on_step=terminal.step, on_open=opened, on_unsafe=terminal.urge, locks=locks, means=means)
        )
        if each.number == 1:
            terminal.say(f"{spec.rig.name}: {length}")
        terminal.say(f"run {each.number} of {each.runs_sharing_risk}, seed {sessions[-1].seed}")
        ended = run_session(sessions[-1], lambda folder: keep_run(folder, address))
        terminal.say(f"run {each.number} of {each.runs_sharing_risk}: {verdicts_counted(ended.qualification.verdicts)}")
        return ended

    try:
        return attempt(settings, conditions, run, WallClock())
    except BaseException as error:
        if trouble := restore_or_forget(sessions, released=False, locks=locks):
            raise BenchError(f"{trouble}; before that: {error}") from error
        raise


def _settings(arguments: argparse.Namespace, address: Address) -> Settings:
    firmware = Path(arguments.firmware) if arguments.firmware else None
    settings = Settings(
        rig=Path(arguments.rig),
        out=Path(arguments.out) if arguments.out else None,
        seed=arguments.seed,
        plant_seed=arguments.plant_seed,
        board_seed=arguments.board_seed,
        faults=tuple(arguments.with_fault),
        firmware=firmware,
        hold=firmware is not None,
        store=address,
    )
    folder = folder_for(settings)
    if is_there(folder / DECISION):
        raise UsageError(f"{visible(str(folder))}: holds a decision already; choose another folder with --out")
    for name in (SUMMARY, JUNIT):
        if is_there(folder / name):
            raise UsageError(f"{visible(str(folder / name))}: is there already; choose another folder with --out")
    return replace(settings, out=folder)


def _conditions(arguments: argparse.Namespace, policy: Policy, spec: RigSpec, address: Address) -> GateConditions:
    with Store.open(address) as store:
        stored = store.baselines.get(arguments.against, arguments.revision)
        refuse_retired(stored)
        if stored.rig != spec.rig.name:
            raise UsageError(
                f"{stored.title} is of rig {visible(stored.rig)}, {visible(str(arguments.rig))} is {spec.rig.name}: "
                "expected a baseline of this rig"
            )
        against = load_baseline(store, stored)
    conditions = GateConditions(
        policy=policy,
        stored=stored,
        against=against,
        terms=terms_for(policy, terms_of(against)),
        on_day=utc_now().date(),
    )
    check_reach(conditions)
    return conditions


def _tell(terminal: Terminal, account: ReleaseReport, address: Address) -> None:
    """The decision on disk, in the store and at the terminal."""
    attempt, subject = account.attempt, subject_of(account)
    content = decision_content(account, subject)
    places = write_files(account, subject, content)
    place = keep_decision(account, content, address)
    if terminal.json:
        terminal.result(json.dumps({**content, "kept": place, "files": places}, allow_nan=False))
        return
    decision = attempt.decision
    kind = " (SIMULATED)" if subject.simulated else ""
    for line in orders_of(account):
        terminal.result(line)
    terminal.result(f"{subject.rig}{kind}: {decision.word.value}: {subject.firmware} against {subject.baseline}")
    for line in decision.reasons:
        terminal.result(f"  {line}")
    for cause in subject.causes:
        terminal.result(cause_line(cause.words, known=cause.known))
        if cause.confirmed_by:
            terminal.result(confirming_line(cause.confirmed_by))
    for pair in decision.waived:
        terminal.result(
            f"  waived by {pair.waiver.by} (self-declared) until {pair.waiver.until}: {pair.objection.line}; "
            f"{pair.waiver.why}"
        )
    for waiver, why in decision.idle:
        terminal.result(f"  waiver of {waiver.quantity} by {waiver.by}: {why}")
    for line in subject.remarks:
        terminal.result(line)
    if not terminal.quiet and attempt.comparison is not None:
        _table(terminal, attempt.differences)
    for line in decision.next_steps:
        terminal.result(f"next: {line}")
    if account.trouble:
        terminal.result(account.trouble)
    for name, path in places.items():
        terminal.result(f"{name} {path}")
    terminal.result(place)


def _table(terminal: Terminal, differences: Sequence[Difference]) -> None:
    from harness.compare.rows import DIFFERENCES, difference_row

    terminal.result(f"against the baseline: {findings_counted(differences)}")
    rows = [difference_row(difference, difference.level) for difference in differences if difference.level is not None]
    terminal.rows(DIFFERENCES, rows)
