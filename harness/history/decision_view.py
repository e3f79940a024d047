"""A decision of the release gate as a page tells it; what is written in it in another way is left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.base.words import visible
from harness.store.decisions import StoredDecision

WAIVED = ("quantity", "by", "why", "until", "used")


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionView:
    """A decision's columns, and what its content says in words that can be shown."""

    id: int
    made_utc: str
    word: str
    exit_code: int
    firmware_name: str | None
    firmware_version: str | None
    firmware_sha256: str | None
    runs: tuple[int, ...]
    reasons: Sequence[str]
    waivers: Sequence[Mapping[str, str]]
    policy: str


def view_of(decision: StoredDecision) -> DecisionView:
    """What a page says of a decision. Nothing in its content is taken to be there."""
    content: Any = decision.content if isinstance(decision.content, dict) else {}
    policy = content.get("policy")
    return DecisionView(
        id=decision.id,
        made_utc=visible(decision.made_utc),
        word=visible(decision.word),
        exit_code=decision.exit_code,
        firmware_name=decision.firmware_name,
        firmware_version=decision.firmware_version,
        firmware_sha256=decision.firmware_sha256,
        runs=decision.runs,
        reasons=[visible(reason) for reason in _listed(content.get("reasons")) if isinstance(reason, str)],
        waivers=[_waiver(waiver) for waiver in _listed(content.get("waivers")) if isinstance(waiver, dict)],
        policy="\n".join(map(visible, policy.splitlines())) if isinstance(policy, str) else "",
    )


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _waiver(waiver: Mapping[str, Any]) -> dict[str, str]:
    words = {word: "" if (value := waiver.get(word)) is None else visible(str(value)) for word in WAIVED[:-1]}
    used = waiver.get("used")
    return {**words, "used": "used" if used is True else "not used" if used is False else ""}
