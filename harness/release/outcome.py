"""A release that was tried, told: decision.json, and what store, merge request and CI server are given."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.base.clock import utc_now
from harness.base.disk import write_bytes
from harness.base.errors import ExitCode, HarnessError
from harness.base.versions import version_of
from harness.base.words import visible
from harness.record.forms import clean
from harness.release.junit import junit
from harness.release.summary import HEADS, Pattern, Subject, markdown
from harness.release.trial import GateConditions, ReleaseAttempt, changed_sections, remarks
from harness.run.session import Settings
from harness.run.whole_run import FinishedRun
from harness.store import Store
from harness.store.address import Address

DECISION, SUMMARY, JUNIT = "decision.json", "summary.md", "junit.xml"
SCHEMA = 1
"""Of decision.json."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseReport:
    """All that there is to tell."""

    settings: Settings
    conditions: GateConditions
    attempt: ReleaseAttempt
    code: ExitCode
    files: Mapping[str, bytes]
    """Of the firmware that was given."""
    fate: str
    """What became of the firmware that was exchanged; "" where none was."""
    trouble: str
    """Why the firmware from before is not back."""


def subject_of(account: ReleaseReport) -> Subject:
    """What was decided on, in words."""
    conditions, attempt = account.conditions, account.attempt
    return Subject(
        rig=conditions.stored.rig,
        simulated=conditions.stored.simulated,
        firmware=_firmware_words(account),
        baseline=conditions.stored.title,
        runs={_run_words(ended): str(ended.folder) for ended in attempt.runs},
        repeats=(len(attempt.runs), conditions.policy.repeats),
        causes=tuple(_causes(attempt)),
        urgent=(*orders_of(account), *([account.trouble] if account.trouble else [])),
        remarks=(
            *([account.fate] if account.fate else []),
            *remarks(conditions),
            *_changes(conditions, attempt),
        ),
    )


def orders_of(account: ReleaseReport) -> list[str]:
    """What a person must do by hand now."""
    stops = [record.stop for record in account.attempt.records]
    return [stop.by_hand for stop in stops if stop is not None and stop.by_hand]


def _causes(attempt: ReleaseAttempt) -> list[Pattern]:
    """What the pattern of the runs' verdicts points to, each once."""
    patterns = [
        Pattern(
            words=visible(record.diagnosis.words),
            known=record.diagnosis.known,
            confirmed_by=visible(record.confirmed_by),
        )
        for record in attempt.records
        if record.diagnosis.words
    ]
    return list(dict.fromkeys(patterns))


def _changes(conditions: GateConditions, attempt: ReleaseAttempt) -> list[str]:
    """What is not as it was when the baseline was made."""
    changes = []
    if attempt.records and (sections := changed_sections(conditions.against, attempt.records[0])):
        changes.append(f"the rig file judges otherwise than for the baseline's last record: {', '.join(sections)}")
    if attempt.comparison is not None and attempt.comparison.exchanged:
        changes.append(f"exchanged since the baseline's last record: {', '.join(attempt.comparison.exchanged)}")
    if attempt.comparison is not None and attempt.comparison.left_out:
        changes.append(f"measured now and never in the baseline: {', '.join(attempt.comparison.left_out)}")
    return changes


def _run_words(ended: FinishedRun) -> str:
    kept = ended.kept.run.id if ended.kept is not None and ended.kept.run is not None else None
    return f"run {ended.session.settings.number}" + (f", run {kept} of the store" if kept is not None else "")


def _firmware_of(attempt: ReleaseAttempt) -> dict[str, Any]:
    """Name, version and hash as the first record has them."""
    firmware = attempt.records[0].firmware if attempt.records else None
    if firmware is None:
        return {"firmware_name": None, "firmware_version": None, "firmware_sha256": None}
    return {
        "firmware_name": firmware.name,
        "firmware_version": firmware.version,
        "firmware_sha256": firmware.sha256,
    }


def _firmware_words(account: ReleaseReport) -> str:
    firmware = _firmware_of(account.attempt)
    if firmware["firmware_name"] is None:
        return f"firmware {visible(str(account.settings.firmware or 'on the board'))}"
    mark = f" ({str(firmware['firmware_sha256'])[:12]})" if firmware["firmware_sha256"] else ""
    return f"firmware {visible(str(firmware['firmware_name']))} {visible(str(firmware['firmware_version']))}{mark}"


def decision_content(account: ReleaseReport, subject: Subject) -> dict[str, Any]:
    """decision.json, and what the store keeps."""
    conditions, attempt = account.conditions, account.attempt
    decision, policy, stored = attempt.decision, conditions.policy, conditions.stored
    used = {id(pair.waiver) for pair in decision.waived}
    content: dict[str, Any] = clean(
        {
            "schema": SCHEMA,
            "rotorgate": version_of("rotorgate"),
            "made_utc": utc_now().isoformat(timespec="seconds"),
            "rig": subject.rig,
            "simulated": subject.simulated,
            "decision": decision.word.value,
            "exit_code": int(account.code),
            "headline": HEADS[decision.word],
            **_firmware_of(attempt),
            "firmware": None if account.settings.firmware is None else str(account.settings.firmware),
            "firmware_files": {name: hashlib.sha256(data).hexdigest() for name, data in account.files.items()},
            "baseline": {"name": stored.name, "revision": stored.revision},
            "reasons": decision.reasons,
            "causes": [cause.words for cause in subject.causes],
            "objections": [
                {
                    "refuses": objection.refuses,
                    "quantity": objection.quantity,
                    "words": objection.words,
                    "remedy": "; ".join(objection.remedies),
                    "remedies": list(objection.remedies),
                }
                for objection in decision.objections
            ],
            "waived": [{"quantity": pair.waiver.quantity, "line": pair.objection.line} for pair in decision.waived],
            "waivers": [
                {
                    "quantity": waiver.quantity,
                    "by": waiver.by,
                    "by_is": "self-declared",
                    "why": waiver.why,
                    "until": waiver.until.isoformat(),
                    "used": id(waiver) in used,
                }
                for waiver in policy.waiver
            ],
            "remarks": [*subject.urgent, *subject.remarks],
            "next": decision.next_steps,
            "shown": list(decision.shown),
            "differences": [
                {
                    "name": difference.name,
                    "finding": difference.finding.value,
                    "reason": difference.reason,
                    "margin": difference.margin,
                }
                for difference in attempt.differences
            ],
            "repeats": {"made": len(attempt.runs), "asked": policy.repeats},
            "records": [str(ended.folder) for ended in attempt.runs],
            "policy": policy.text,
            "policy_file": policy.file,
            "policy_sha256": policy.sha256,
            "trouble": account.trouble,
        }
    )
    return content


def write_files(account: ReleaseReport, subject: Subject, content: Mapping[str, Any]) -> dict[str, str]:
    """Write decision.json, the summary and JUnit beside the records; where each is, or why it is not."""
    decision, policy, attempt = account.attempt.decision, account.conditions.policy, account.attempt
    planned = [name for record in attempt.records[:1] for name in record.planned]
    files = {
        DECISION: json.dumps(content, indent=1, allow_nan=False).encode(),
        SUMMARY: markdown(decision, policy, subject, attempt.differences).encode(),
        JUNIT: junit(decision, subject, attempt.differences, planned),
    }
    folder = account.settings.out or Path()
    places: dict[str, str] = {}
    for name, data in files.items():
        path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_bytes(path, data)
            places[path.stem] = str(path)
        except OSError as error:
            places[path.stem] = f"not written to {path}: {error.strerror}"
    return places


def keep_decision(account: ReleaseReport, content: Mapping[str, Any], address: Address) -> str:
    """Keep the decision; where it is, or why it is not in the store. The decision stands whatever becomes of it."""
    conditions, attempt = account.conditions, account.attempt
    runs = [ended.kept.run.id for ended in attempt.runs if ended.kept is not None and ended.kept.run is not None]
    try:
        with Store.open(address) as store:
            made = store.decisions.add(
                runs,
                content,
                rig=conditions.stored.rig,
                simulated=conditions.stored.simulated,
                word=attempt.decision.word.value,
                exit_code=int(account.code),
                baseline_id=conditions.stored.id,
                policy_sha256=conditions.policy.sha256,
                **_firmware_of(attempt),
            )
    except HarnessError as error:
        return f"not in the store: {error}; {DECISION} stands"
    return f"store {address.shown}, decision {made.id} on runs {', '.join(map(str, runs)) or 'none'}"
