"""`rotorgate gate`: a release is qualified, compared with a baseline, and decided on by a policy file."""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness.against import headline, load, refuse_retired, terms_of
from harness.bench.exchange import firmware_files, left_behind
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, signals_held, stop_on_signals
from harness.cli_keep import keep_run
from harness.clock import WallClock, utc_now
from harness.compare import Difference
from harness.disk import write_synced
from harness.errors import BenchError, ExitCode, HarnessError, UsageError
from harness.gate import Policy, Word
from harness.gate import load as load_policy
from harness.gate.junit import junit
from harness.gate.summary import HEADS, Subject, markdown
from harness.pool import locks_for
from harness.record.forms import clean
from harness.repeats import first_of
from harness.rigfile import RigSpec
from harness.rigfile import load as load_rig
from harness.running import Ended, run_session
from harness.session import BenchSession, Settings, folder_for, is_there, version_of
from harness.store import Store
from harness.store.address import DEFAULT, Address
from harness.tally import headline as verdicts_counted
from harness.terminal import Terminal
from harness.trial import (
    Conditions,
    Tried,
    attempt,
    changed_sections,
    check_reach,
    remarks,
    same_kind,
    settle,
    terms_for,
)
from harness.words import visible

DECISION, SUMMARY, JUNIT = "decision.json", "summary.md", "junit.xml"
SCHEMA = 1
"""Of decision.json."""
STAYS, IS_BACK = "the firmware that was released stays on the board", "the firmware from before is back on the board"


def gate(arguments: argparse.Namespace) -> int:
    """Try a release and say what is decided. Raises UsageError, StoreError, StoreUnavailable before anything moves."""
    terminal = Terminal(quiet=arguments.quiet or arguments.json, json=arguments.json)
    address = Address.parse(arguments.store or DEFAULT)
    settings = _settings(arguments, address)
    policy, spec = load_policy(Path(arguments.policy)), load_rig(settings.rig)
    policy.check_names(spec.motors)
    files = firmware_files(settings.firmware, spec) if settings.firmware is not None else {}
    conditions = _conditions(arguments, policy, spec, address)
    sessions: list[BenchSession] = []
    with stop_on_signals(), locks_for(address) as locks:
        tried = _tried(settings, conditions, terminal, locks, files, spec, sessions)
        # What was decided is done and told whole, whoever asks to stop meanwhile.
        with contextlib.suppress(StopSignal), signals_held():
            trouble = settle(sessions, released=tried.decision.word is Word.RELEASE, locks=locks)
            code = first_of([tried.decision.code, *([ExitCode.BENCH] if trouble else [])])
            if any(session.backup is not None for session in sessions) and not trouble:
                stays = tried.decision.word is Word.RELEASE
                tried = replace(tried, firmware=STAYS if stays else IS_BACK)
            _tell(terminal, settings, conditions, tried, address, code, trouble, files)
    return code


def _tried(
    settings: Settings,
    conditions: Conditions,
    terminal: Terminal,
    locks: DeviceLocks,
    files: Mapping[str, bytes],
    spec: RigSpec,
    sessions: list[BenchSession],
) -> Tried:
    """The release tried; every session that is begun is added to `sessions`.

    Raises what trying it raises, with the firmware from before put back, and BenchError where that failed, too.
    """
    address = settings.store

    def opened(rig: Rig) -> None:
        same_kind(rig, conditions.stored)
        if len(sessions) == 1 and (left := left_behind(rig.identity.unique_id)):
            terminal.say(left)
        if rig.virtual and len(sessions) == 1:
            terminal.say("the bench is VIRTUAL: nothing of this says anything about a real board")

    def run(one: Settings) -> Ended:
        if one.firmware is not None and firmware_files(one.firmware, spec) != files:
            raise UsageError(f"--firmware {visible(str(one.firmware))}: its files changed while the gate was running")
        sessions.append(BenchSession(one, on_step=terminal.step, on_open=opened, locks=locks))
        terminal.say(f"run {one.number} of {one.looks}, seed {sessions[-1].seed}")
        ended = run_session(sessions[-1], lambda folder: keep_run(folder, address))
        terminal.say(f"run {one.number} of {one.looks}: {verdicts_counted(ended.qualification.verdicts)}")
        return ended

    try:
        return attempt(settings, conditions, run, WallClock())
    except BaseException as error:
        if trouble := settle(sessions, released=False, locks=locks):
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


def _conditions(arguments: argparse.Namespace, policy: Policy, spec: RigSpec, address: Address) -> Conditions:
    with Store.open(address) as store:
        stored = store.baselines.get(arguments.against, arguments.revision)
        refuse_retired(stored)
        if stored.rig != spec.rig.name:
            raise UsageError(
                f"{stored.title} is of rig {visible(stored.rig)}, {visible(str(arguments.rig))} is {spec.rig.name}: "
                "expected a baseline of this rig"
            )
        against = load(store, stored)
    conditions = Conditions(
        policy=policy,
        stored=stored,
        against=against,
        terms=terms_for(policy, terms_of(against)),
        on_day=utc_now().date(),
    )
    check_reach(conditions)
    return conditions


def _tell(
    terminal: Terminal,
    settings: Settings,
    conditions: Conditions,
    tried: Tried,
    address: Address,
    code: ExitCode,
    trouble: str,
    firmware: Mapping[str, bytes],
) -> None:
    """The decision on disk, in the store and at the terminal."""
    folder = settings.out or Path()
    order = [line for ended in tried.runs for line in _orders(ended)]
    subject = _subject(settings, conditions, tried, [*order, *([trouble] if trouble else [])])
    content = _content(settings, conditions, tried, subject, code, trouble, firmware)
    differences = tried.comparison.differences if tried.comparison is not None else []
    planned = [str(name) for record in tried.records[:1] for name in record.content["planned"]]
    files = {
        DECISION: json.dumps(content, indent=1, allow_nan=False).encode(),
        SUMMARY: markdown(tried.decision, conditions.policy, subject, differences).encode(),
        JUNIT: junit(tried.decision, subject, differences, planned),
    }
    places = _written(folder, files)
    kept = _kept(conditions, tried, address, content, code)
    if terminal.json:
        terminal.result(json.dumps({**content, "kept": kept, "files": places}, allow_nan=False))
        return
    decision = tried.decision
    kind = " (VIRTUAL)" if subject.virtual else ""
    for line in order:
        terminal.result(line)
    terminal.result(f"{subject.rig}{kind}: {decision.word.value}: {subject.firmware} against {subject.baseline}")
    for line in decision.reasons:
        terminal.result(f"  {line}")
    for line in subject.causes:
        terminal.result(line if line.startswith("cause ") else f"cause: {line}")
    for one in decision.waived:
        terminal.result(
            f"  waived by {one.waiver.by} (self-declared) until {one.waiver.until}: {one.objection.line}; "
            f"{one.waiver.why}"
        )
    for waiver, why in decision.idle:
        terminal.result(f"  waiver of {waiver.quantity} by {waiver.by}: {why}")
    for line in subject.remarks:
        if line not in (*order, trouble):
            terminal.result(line)
    if not terminal.quiet and tried.comparison is not None:
        _table(terminal, differences)
    for line in decision.next_steps:
        terminal.result(f"next: {line}")
    if trouble:
        terminal.result(trouble)
    for name, place in places.items():
        terminal.result(f"{name} {place}")
    terminal.result(kept)


def _table(terminal: Terminal, differences: Sequence[Difference]) -> None:
    from harness.baseline_rows import DIFFERENCES, difference_row

    terminal.result(f"against the baseline: {headline(differences)}")
    rows = [difference_row(one, one.level) for one in differences if one.level is not None]
    terminal.rows(DIFFERENCES, rows)


def _orders(ended: Ended) -> list[str]:
    """What a person must do by hand now."""
    stop = (ended.session.record.content if ended.session.record is not None else {}).get("stop") or {}
    return [str(stop["by_hand"])] if stop.get("by_hand") else []


def _subject(settings: Settings, conditions: Conditions, tried: Tried, urgent: Sequence[str]) -> Subject:
    return Subject(
        rig=conditions.stored.rig,
        virtual=conditions.stored.virtual,
        firmware=_firmware_words(settings, tried),
        baseline=conditions.stored.title,
        runs={_run_words(ended): str(ended.folder) for ended in tried.runs},
        repeats=(len(tried.runs), conditions.policy.repeats),
        causes=tuple(_causes(tried)),
        remarks=(
            *urgent,
            *([tried.firmware] if tried.firmware else []),
            *remarks(conditions),
            *_changes(conditions, tried),
        ),
    )


def _causes(tried: Tried) -> list[str]:
    """What the pattern of the runs' verdicts points to, each once."""
    found = [(record.content.get("diagnosis") or {}).get("words") for record in tried.records]
    return list(dict.fromkeys(visible(str(words)) for words in found if words))


def _changes(conditions: Conditions, tried: Tried) -> list[str]:
    """What is not as it was when the baseline was made."""
    found = []
    if tried.records and (sections := changed_sections(conditions.against, tried.records[0])):
        found.append(f"the rig file judges otherwise than for the baseline's last record: {', '.join(sections)}")
    if tried.comparison is not None and tried.comparison.exchanged:
        found.append(f"exchanged since the baseline's last record: {', '.join(tried.comparison.exchanged)}")
    if tried.comparison is not None and tried.comparison.left_out:
        found.append(f"measured now and never in the baseline: {', '.join(tried.comparison.left_out)}")
    return found


def _run_words(ended: Ended) -> str:
    kept = ended.kept.run.id if ended.kept is not None and ended.kept.run is not None else None
    return f"run {ended.session.settings.number}" + (f", run {kept} of the store" if kept is not None else "")


def _firmware_of(tried: Tried) -> dict[str, Any]:
    """Name, version and hash as the first record has them."""
    for record in tried.records:
        declared: Mapping[str, Any] = next(iter(record.content["declared"].values()), {})
        return {
            "firmware_name": declared.get("name"),
            "firmware_version": declared.get("version"),
            "firmware_sha256": record.content["hashes"]["firmware"],
        }
    return {"firmware_name": None, "firmware_version": None, "firmware_sha256": None}


def _firmware_words(settings: Settings, tried: Tried) -> str:
    found = _firmware_of(tried)
    if found["firmware_name"] is None:
        return f"firmware {visible(str(settings.firmware or 'on the board'))}"
    mark = f" ({str(found['firmware_sha256'])[:12]})" if found["firmware_sha256"] else ""
    return f"firmware {visible(str(found['firmware_name']))} {visible(str(found['firmware_version']))}{mark}"


def _content(
    settings: Settings,
    conditions: Conditions,
    tried: Tried,
    subject: Subject,
    code: ExitCode,
    trouble: str,
    firmware: Mapping[str, bytes],
) -> dict[str, Any]:
    """decision.json, and what the store keeps."""
    decision, policy, stored = tried.decision, conditions.policy, conditions.stored
    used = {id(one.waiver): one.objection for one in decision.waived}
    found: dict[str, Any] = clean(
        {
            "schema": SCHEMA,
            "rotorgate": version_of("rotorgate"),
            "made_utc": utc_now().isoformat(timespec="seconds"),
            "rig": subject.rig,
            "virtual": subject.virtual,
            "decision": decision.word.value,
            "exit_code": int(code),
            "headline": HEADS[decision.word],
            **_firmware_of(tried),
            "firmware": None if settings.firmware is None else str(settings.firmware),
            "firmware_files": {name: hashlib.sha256(data).hexdigest() for name, data in firmware.items()},
            "baseline": {"name": stored.name, "revision": stored.revision},
            "reasons": decision.reasons,
            "causes": list(subject.causes),
            "objections": [
                {"refuses": one.refuses, "quantity": one.quantity, "words": one.words, "remedy": one.remedy}
                for one in decision.objections
            ],
            "waived": [{"quantity": one.waiver.quantity, "line": one.objection.line} for one in decision.waived],
            "waivers": [
                {
                    "quantity": one.quantity,
                    "by": one.by,
                    "by_is": "self-declared",
                    "why": one.why,
                    "until": one.until.isoformat(),
                    "used": id(one) in used,
                }
                for one in policy.waiver
            ],
            "remarks": list(subject.remarks),
            "next": decision.next_steps,
            "shown": list(decision.shown),
            "differences": [
                {"name": one.name, "finding": one.finding.value, "reason": one.reason, "margin": one.margin}
                for one in (tried.comparison.differences if tried.comparison is not None else ())
            ],
            "repeats": {"made": len(tried.runs), "asked": policy.repeats},
            "records": [str(ended.folder) for ended in tried.runs],
            "policy": policy.text,
            "policy_file": policy.file,
            "policy_sha256": policy.sha256,
            "trouble": trouble,
        }
    )
    return found


def _written(folder: Path, files: Mapping[str, bytes]) -> dict[str, str]:
    """Where each file is, or why it is not."""
    places: dict[str, str] = {}
    for name, data in files.items():
        path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_synced(path, lambda stream, data=data: stream.write(data))  # type: ignore[misc]
            places[name.partition(".")[0]] = str(path)
        except OSError as error:
            places[name.partition(".")[0]] = f"not written to {path}: {error.strerror}"
    return places


def _kept(conditions: Conditions, tried: Tried, address: Address, content: Mapping[str, Any], code: ExitCode) -> str:
    """Keep the decision; where it is, or why it is not in the store. The decision stands whatever becomes of it."""
    runs = [ended.kept.run.id for ended in tried.runs if ended.kept is not None and ended.kept.run is not None]
    try:
        with Store.open(address) as store:
            made = store.decisions.add(
                runs,
                content,
                rig=conditions.stored.rig,
                virtual=conditions.stored.virtual,
                word=tried.decision.word.value,
                exit_code=int(code),
                baseline_id=conditions.stored.id,
                policy_sha256=conditions.policy.sha256,
                **_firmware_of(tried),
            )
    except HarnessError as error:
        return f"not in the store: {error}; {DECISION} stands"
    return f"store {address.shown}, decision {made.id} on runs {', '.join(map(str, runs)) or 'none'}"
