"""Records of earlier schemas in the words of this one. Nothing else knows the words they were written in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.base.words import OLDER_WORD

WORD = "simulated"
RISK_KEYS = {"looks": "runs_sharing_risk"}
CAUSE_KEYS = {"settled_by": "confirmed_by"}
PLACES = {"not_tried": "not_exercised"}


def to_schema_2(content: dict[str, Any]) -> dict[str, Any]:
    """Schema 1 called the simulated bench by another word, in its own entry and where its parts say what they are.

    And the number of runs that share the false-alarm risk had another key.
    """
    raised = {(WORD if key == OLDER_WORD else key): value for key, value in content.items()}
    for key in ("board", "instruments"):
        if key in raised:
            raised[key] = _renamed(raised[key])
    risk = raised.get("risk")
    if isinstance(risk, Mapping):
        raised["risk"] = {RISK_KEYS.get(key, key): value for key, value in risk.items()}
    return raised


def to_schema_3(content: dict[str, Any]) -> dict[str, Any]:
    """Schema 2 had other keys for where no loop was exercised, and for what would confirm a cause."""
    raised = {PLACES.get(key, key): value for key, value in content.items()}
    causes = raised.get("causes")
    if isinstance(causes, list):
        raised["causes"] = [
            {CAUSE_KEYS.get(key, key): value for key, value in cause.items()} if isinstance(cause, Mapping) else cause
            for cause in causes
        ]
    return raised


def _renamed(entry: Any) -> Any:
    """Texts at any depth, in today's word."""
    if isinstance(entry, Mapping):
        return {key: _renamed(value) for key, value in entry.items()}
    if isinstance(entry, str):
        return entry.replace(OLDER_WORD.upper(), WORD.upper()).replace(OLDER_WORD, WORD)
    return entry
