"""A release that was tried, told: decision.json, and what store, merge request and CI server are given."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.base.clock import utc_now
from harness.base.disk import write_synced
from harness.base.errors import ExitCode, HarnessError
from harness.base.versions import version_of
from harness.base.words import visible
from harness.record.forms import clean
from harness.release.junit import junit
from harness.release.summary import HEADS, Pattern, Subject, markdown
from harness.release.trial import Conditions, Tried, changed_sections, remarks
from harness.run.session import Settings
from harness.run.whole_run import Ended
from harness.store import Store
from harness.store.address import Address

DECISION, SUMMARY, JUNIT = "decision.json", "summary.md", "junit.xml"
SCHEMA = 1
"""Of decision.json."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """All that there is to tell."""

    settings: Settings
    conditions: Conditions
    tried: Tried
    code: ExitCode
    files: Mapping[str, bytes]
    """Of the firmware that was given."""
    fate: str
    """What became of the firmware that was exchanged; "" where none was."""
    trouble: str
    """Why the firmware from before is not back."""


def subject_of(account: Account) -> Subject:
    """What was decided on, in words."""
    conditions, tried = account.conditions, account.tried
    return Subject(
        rig=conditions.stored.rig,
        simulated=conditions.stored.simulated,
        firmware=_firmware_words(account),
        baseline=conditions.stored.title,
        runs={_run_words(ended): str(ended.folder) for ended in tried.runs},
        repeats=(len(tried.runs), conditions.policy.repeats),
        causes=tuple(_causes(tried)),
        urgent=(*orders_of(account), *([account.trouble] if account.trouble else [])),
        remarks=(
            *([account.fate] if account.fate else []),
            *remarks(conditions),
            *_changes(conditions, tried),
        ),
    )


def orders_of(account: Account) -> list[str]:
    """What a person must do by hand now."""
    stops = [record.stop for record in account.tried.records]
    return [stop.by_hand for stop in stops if stop is not None and stop.by_hand]


def _causes(tried: Tried) -> list[Pattern]:
    """What the pattern of the runs' verdicts points to, each once."""
    found = [record.diagnosis for record in tried.records]
    return list(dict.fromkeys(Pattern(words=visible(one.words), known=one.known) for one in found if one.words))


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
    firmware = tried.records[0].firmware if tried.records else None
    if firmware is None:
        return {"firmware_name": None, "firmware_version": None, "firmware_sha256": None}
    return {
        "firmware_name": firmware.name,
        "firmware_version": firmware.version,
        "firmware_sha256": firmware.sha256,
    }


def _firmware_words(account: Account) -> str:
    found = _firmware_of(account.tried)
    if found["firmware_name"] is None:
        return f"firmware {visible(str(account.settings.firmware or 'on the board'))}"
    mark = f" ({str(found['firmware_sha256'])[:12]})" if found["firmware_sha256"] else ""
    return f"firmware {visible(str(found['firmware_name']))} {visible(str(found['firmware_version']))}{mark}"


def content_of(account: Account, subject: Subject) -> dict[str, Any]:
    """decision.json, and what the store keeps."""
    conditions, tried = account.conditions, account.tried
    decision, policy, stored = tried.decision, conditions.policy, conditions.stored
    used = {id(one.waiver) for one in decision.waived}
    found: dict[str, Any] = clean(
        {
            "schema": SCHEMA,
            "rotorgate": version_of("rotorgate"),
            "made_utc": utc_now().isoformat(timespec="seconds"),
            "rig": subject.rig,
            "simulated": subject.simulated,
            "decision": decision.word.value,
            "exit_code": int(account.code),
            "headline": HEADS[decision.word],
            **_firmware_of(tried),
            "firmware": None if account.settings.firmware is None else str(account.settings.firmware),
            "firmware_files": {name: hashlib.sha256(data).hexdigest() for name, data in account.files.items()},
            "baseline": {"name": stored.name, "revision": stored.revision},
            "reasons": decision.reasons,
            "causes": [cause.words for cause in subject.causes],
            "objections": [
                {
                    "refuses": one.refuses,
                    "quantity": one.quantity,
                    "words": one.words,
                    "remedy": "; ".join(one.remedies),
                    "remedies": list(one.remedies),
                }
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
            "remarks": [*subject.urgent, *subject.remarks],
            "next": decision.next_steps,
            "shown": list(decision.shown),
            "differences": [
                {"name": one.name, "finding": one.finding.value, "reason": one.reason, "margin": one.margin}
                for one in tried.differences
            ],
            "repeats": {"made": len(tried.runs), "asked": policy.repeats},
            "records": [str(ended.folder) for ended in tried.runs],
            "policy": policy.text,
            "policy_file": policy.file,
            "policy_sha256": policy.sha256,
            "trouble": account.trouble,
        }
    )
    return found


def written(account: Account, subject: Subject, content: Mapping[str, Any]) -> dict[str, str]:
    """Write decision.json, the summary and JUnit beside the records; where each is, or why it is not."""
    decision, policy, tried = account.tried.decision, account.conditions.policy, account.tried
    planned = [name for record in tried.records[:1] for name in record.planned]
    files = {
        DECISION: json.dumps(content, indent=1, allow_nan=False).encode(),
        SUMMARY: markdown(decision, policy, subject, tried.differences).encode(),
        JUNIT: junit(decision, subject, tried.differences, planned),
    }
    folder = account.settings.out or Path()
    places: dict[str, str] = {}
    for name, data in files.items():
        path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_synced(path, lambda stream, data=data: stream.write(data))  # type: ignore[misc]
            places[path.stem] = str(path)
        except OSError as error:
            places[path.stem] = f"not written to {path}: {error.strerror}"
    return places


def kept(account: Account, content: Mapping[str, Any], address: Address) -> str:
    """Keep the decision; where it is, or why it is not in the store. The decision stands whatever becomes of it."""
    conditions, tried = account.conditions, account.tried
    runs = [ended.kept.run.id for ended in tried.runs if ended.kept is not None and ended.kept.run is not None]
    try:
        with Store.open(address) as store:
            made = store.decisions.add(
                runs,
                content,
                rig=conditions.stored.rig,
                simulated=conditions.stored.simulated,
                word=tried.decision.word.value,
                exit_code=int(account.code),
                baseline_id=conditions.stored.id,
                policy_sha256=conditions.policy.sha256,
                **_firmware_of(tried),
            )
    except HarnessError as error:
        return f"not in the store: {error}; {DECISION} stands"
    return f"store {address.shown}, decision {made.id} on runs {', '.join(map(str, runs)) or 'none'}"
