"""A decision as text for a merge request: Markdown, the decision first, then why."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.base.words import visible
from harness.compare import Difference, Finding, findings_counted
from harness.compare.rows import difference_row
from harness.gate.decision import Decision, DecisionWord
from harness.gate.policy import Policy

HEADS = {
    DecisionWord.RELEASE: "released",
    DecisionWord.REFUSE: "refused",
    DecisionWord.UNDECIDED: "undecided",
}
SPECIAL = re.compile(r"([\\`*_{}\[\]()<>#+!|~])")
LIVE = re.compile(r"[@#!$&~^%]\w|://|www\.|:[\w+-]+:|^/\w|&", re.IGNORECASE)
"""What a forge makes something of wherever it stands, escaped or not: somebody is called, an issue is pointed at, a
picture or a link appears, an order is obeyed."""
MOST_REASONS = 20
"""Lines of reasons in a summary; all of them are in the record of the decision (arbitrary: it must be read)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """What the pattern of a run's verdicts points to; `known`: to a cause, or a set of them."""

    words: str
    known: bool
    confirmed_by: str = ""
    """What would confirm that it is that; empty where there is not one cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What was decided on, in words."""

    rig: str
    simulated: bool
    firmware: str
    """Name, version and the beginning of its hash."""
    baseline: str
    runs: Mapping[str, str]
    """Where each run's record is: words -> folder."""
    repeats: tuple[int, int]
    """Made, and asked for by the policy."""
    causes: Sequence[Pattern] = ()
    urgent: Sequence[str] = ()
    """What a person must do by hand now, and why the firmware from before is not back."""
    remarks: Sequence[str] = ()
    """What to know of the conditions: margins that were widened, things exchanged, what became of the firmware."""


def markdown(decision: Decision, policy: Policy, subject: Subject, differences: Sequence[Difference]) -> str:
    """The summary. Everything that comes from a file or a board is made harmless."""
    kind = " (SIMULATED BENCH: simulated motors, not hardware)" if subject.simulated else ""
    made, asked = subject.repeats
    parts = [
        f"## Release gate: {HEADS[decision.word]}",
        f"{plain(subject.firmware)} on rig {plain(subject.rig)}{kind}, against {plain(subject.baseline)}, "
        f"by policy \u201c{plain(policy.name)}\u201d ({policy.sha256[:12]}), {made} of {asked} qualifications.",
        "### Why",
        _list(_cut(decision.reasons)),
    ]
    if subject.causes:
        parts += ["### What the pattern points to", _list(cause.words for cause in subject.causes)]
    if to_know := [*subject.urgent, *subject.remarks]:
        parts += ["### To know", _list(_cut(to_know))]
    if decision.waived:
        parts += ["### Waived (who waived is self-declared)", _list(_waivers(decision))]
    if decision.idle:
        parts += [
            "### Waivers without effect",
            _list(f"{waiver.quantity}, {waiver.by}: {why}" for waiver, why in decision.idle),
        ]
    if decision.next_steps:
        parts += ["### What to measure or do next", _list(_cut(decision.next_steps))]
    if differences:
        parts += ["### Against the baseline", _table(policy, differences)]
    parts += ["### Records", _list(f"{words}: {place}" for words, place in subject.runs.items())]
    return "\n\n".join(parts) + "\n"


def plain(text: str) -> str:
    """Text that Markdown shows as it is, on one line; words that are live on a forge stand in code, where none is."""
    words = visible(text.replace("\n", " ")).split(" ")
    return " ".join(_code(word) if LIVE.search(word) else SPECIAL.sub(r"\\\1", word) for word in words)


def _code(word: str) -> str:
    """A word between more backticks than it has in a row; a bar would end a table's cell even there."""
    longest = max(map(len, re.findall("`+", word)), default=0)
    fence = "`" * (longest + 1)
    room = " " if longest else ""
    return f"{fence}{room}{word.replace('|', chr(92) + '|')}{room}{fence}"


def _list(lines: Iterable[str]) -> str:
    return "\n".join(f"- {plain(line)}" for line in lines)


def _cut(lines: Sequence[str]) -> list[str]:
    left = len(lines) - MOST_REASONS
    return [*lines[:MOST_REASONS], *([f"and {left} more, in decision.json"] if left > 0 else [])]


def _waivers(decision: Decision) -> list[str]:
    return [
        f"{pair.objection.line}; waived by {pair.waiver.by} until {pair.waiver.until}: {pair.waiver.why}"
        for pair in decision.waived
    ]


def _table(policy: Policy, differences: Sequence[Difference]) -> str:
    """Required quantities, and whatever is different; the others are counted."""
    required = set(policy.required_of(difference.name for difference in differences))
    shown = [
        difference
        for difference in differences
        if difference.name in required or difference.finding is Finding.DIFFERENT
    ]
    rows = [
        "| | quantity | baseline | difference | ± | margin | unit | finding |",
        "|---|---|---:|---:|---:|---:|---|---|",
    ]
    for difference in shown:
        if difference.level is None:
            continue
        row = difference_row(difference, difference.level)
        rows.append("| " + " | ".join(plain(cell) for cell in (row.mark, row.name, *row.cells, row.word)) + " |")
    others = [difference for difference in differences if difference not in shown]
    if others:
        rows.append(f"\nNot required: {findings_counted(others)}.")
    return "\n".join(rows)
