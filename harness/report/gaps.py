"""Why a run is undecided, as a person reads it: which quantity is open, and what would close it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.judge.tally import Gap, gaps
from harness.nouns.results import Outcome, Verdict, stateable

MOST_NAMES = 6
"""Of one reason, in one line (arbitrary)."""


def open_lines(verdicts: Sequence[Verdict], required: Iterable[str]) -> list[str]:
    """Why a run that is undecided is so, a line each; there is always one."""
    return [gap_line(gap) for gap in gaps(verdicts, required)] or [
        "open: nothing was judged: what a quantity needs stands with it"
    ]


def gap_line(gap: Gap) -> str:
    """One gap in one line: names, whether they were required, what is known of them, and what would close it."""
    names = ", ".join(gap.names[:MOST_NAMES])
    if len(gap.names) > MOST_NAMES:
        names += f" and {len(gap.names) - MOST_NAMES} more"
    required = "required, " if gap.required else ""
    if gap.outcome is None:
        return f"open: {names}: {required}in no check of this run: run its check, or take it out of required in [rig]"
    return f"open: {names}: {required}{gap.outcome.value}: {gap.reason or 'no reason given'}; {_closing(gap)}"


def _closing(gap: Gap) -> str:
    if gap.remedies:
        return f"what would close it: {', '.join(gap.remedies)}"
    if gap.outcome is not Outcome.NOT_JUDGED:
        return "measure again when that is mended"
    if not stateable(gap.needs):
        return "no rig file closes that: name in required of [rig] only quantities that it can judge"
    return "what would close it: that in the rig file"
