"""The page of histories: versions and decisions first, then every quantity, then the runs."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from string import ascii_letters, digits
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from harness.base.words import visible
from harness.gate import DecisionWord
from harness.history.decision_view import DecisionView, view_of
from harness.history.limits import Ends
from harness.history.plot import band_of, columns_of, limits_are_far, plot
from harness.history.runs import QuantityHistory, RigHistory, StoreHistory
from harness.history.watch import WATCHED_RUNS
from harness.nouns.standing import of_exit_code, standing_of
from harness.report.marks import MARKS
from harness.report.numbers import decimals_for, in_unit, prefix_for, signed, with_uncertainty
from harness.report.page import ORDER
from harness.report.shell import filled
from harness.report.titles import check_title, described, quantity_title, spaced
from harness.store import StoredRun
from harness.store.histories import Release, ReleaseLevel

SHOWN = 8
"""Characters of a build's hash (arbitrary: enough to tell a few builds apart)."""
PLAIN = frozenset(ascii_letters + digits + "_-")
"""Characters of an anchor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One quantity, ready to print."""

    anchor: str
    title: str
    words: str
    newest: str
    facts: Sequence[str]
    drawing: Markup
    rows: Sequence[Mapping[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFigures:
    """One check on one motor."""

    anchor: str
    title: str
    figures: Sequence[Figure]


def render(history: StoreHistory, *, beside: Path) -> str:
    """The page as text. `beside` is the folder that it will lie in, from which its links go."""
    sections = [_section(rig, number, history.store, beside) for number, rig in enumerate(history.rigs, 1)]
    releases = [release for rig in history.rigs for release in rig.releases]
    return filled(
        "page.html",
        "page.css",
        package="harness.history",
        title=_title(history),
        store=history.store,
        simulated=history.simulated,
        counts=f"{many(sum(rig.runs for rig in history.rigs), 'run')} of {many(len(history.rigs), 'rig')}",
        first=min(release.first_utc for release in releases)[:10],
        last=max(release.last_utc for release in releases)[:10],
        sections=sections,
    )


def _title(history: StoreHistory) -> str:
    names = [rig.name for rig in history.rigs]
    return f"History of rig {names[0]}" if len(names) == 1 else f"History of {len(names)} rigs"


def many(count: int, word: str) -> str:
    """`1 run`, `2 runs`."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _section(rig: RigHistory, number: int, store: str, beside: Path) -> dict[str, Any]:
    anchor = f"s{number}"
    links = {run.id: _link(rig, run, anchor, beside) for run in rig.drawn}
    columns = columns_of(rig)
    groups: dict[str, list[Figure]] = {}
    measured = [quantity for quantity in rig.quantities if quantity.levels]
    for quantity in measured:
        figure_anchor = f"{anchor}-{_identity(quantity.name)}"
        figure = Figure(
            anchor=figure_anchor,
            title=quantity_title(quantity.name),
            words=described(quantity.name),
            newest=_newest(quantity),
            facts=_facts(rig, quantity),
            drawing=plot(rig, quantity, columns, links, f"{figure_anchor}-p"),
            rows=_levels(rig, quantity),
        )
        groups.setdefault(check_title(quantity.motor, quantity.check), []).append(figure)
    return {
        "anchor": anchor,
        "rig": rig,
        "counts": f"{many(rig.runs, 'run')}, {many(len(rig.releases) + rig.older, 'firmware version')}",
        "aggregated": _aggregated(rig),
        "releases": [_release(rig, release) for release in reversed(rig.releases)],
        "decisions": [_decision(view_of(decision)) for decision in reversed(rig.decisions)],
        "findings": _findings(rig, anchor),
        "groups": [
            CheckFigures(anchor=f"{anchor}-g{place}", title=title, figures=figures)
            for place, (title, figures) in enumerate(groups.items(), 1)
        ],
        "runs": _runs(rig, links, anchor),
        "unlinked": len(rig.reports) < len(rig.drawn),
        "fetch": f"rotorgate fetch RUN --store {store} --out DIR",
    }


def _identity(name: str) -> str:
    return "".join(letter if letter in PLAIN else "-" for letter in name)


def _link(rig: RigHistory, run: StoredRun, anchor: str, beside: Path) -> str:
    """Where a click on a run leads: its page, or its row in the table of runs."""
    page = rig.reports.get(run.id)
    if page is None:
        return f"#{anchor}-run-{run.id}"
    try:
        return quote(Path(os.path.relpath(page.absolute(), beside.absolute())).as_posix())
    except ValueError:  # another drive
        return page.absolute().as_uri()


def _aggregated(rig: RigHistory) -> str:
    parts = []
    if rig.runs > len(rig.drawn):
        parts.append(
            f"The newest {len(rig.drawn)} of {rig.runs} runs are drawn and listed one by one; the others are in the "
            "bands, means and counts of their firmware versions."
        )
    if rig.older:
        parts.append(f"The newest {len(rig.releases)} firmware versions are shown, {rig.older} older ones are not.")
    return " ".join(parts)


def _newest(quantity: QuantityHistory) -> str:
    for entry in reversed(quantity.entries):
        if entry.value is not None:
            half = 2.0 * entry.u if entry.u else None
            return f"run {entry.run_id}: {with_uncertainty(entry.value, half, entry.unit)}"
    return ""


def _facts(rig: RigHistory, quantity: QuantityHistory) -> list[str]:
    """Limits and baseline in words."""
    facts = []
    if quantity.limits is not None and rig.judged is not None:
        if model := _between(quantity.limits.model, quantity.unit):
            facts.append(f"accepted by the model (run {rig.judged.id}): {model}")
        if required := _between(quantity.limits.required, quantity.unit):
            facts.append(f"required: {required}")
        if facts and limits_are_far(quantity):
            facts.append("these limits lie beyond the drawing")
    if (base := quantity.reference) is not None:
        margin = "" if base.margin is None else f", margin {in_unit(base.margin, quantity.unit)}"
        facts.append(f"{base.title}: mean {in_unit(base.mean, quantity.unit)}{margin}")
    return [visible(fact) for fact in facts]


def _between(ends: Ends, unit: str) -> str:
    low, high = ends
    if low is not None and high is not None:
        return f"{in_unit(low, unit)} to {in_unit(high, unit)}"
    if low is not None:
        return f"at least {in_unit(low, unit)}"
    return "" if high is None else f"at most {in_unit(high, unit)}"


def _levels(rig: RigHistory, quantity: QuantityHistory) -> list[dict[str, str]]:
    """A row a firmware version, the newest first."""
    shown = [(release, quantity.levels[release.key]) for release in rig.releases if release.key in quantity.levels]
    return [_level(release, level, quantity.unit) for release, level in reversed(shown)]


def _level(release: Release, level: ReleaseLevel, unit: str) -> dict[str, str]:
    """Values with the digits that their scatter supports."""
    factor, text = prefix_for(level.mean, unit)

    def shown(*values: float) -> str:
        if level.s <= 0.0:
            return " to ".join(in_unit(value, unit) for value in values)
        return (
            f"{' to '.join(signed(value / factor, decimals_for(level.s / factor)) for value in values)} {text}".strip()
        )

    band = band_of(level)
    several = level.runs > 1
    return {
        "version": _version(release.firmware_name, release.firmware_version),
        "runs": str(level.runs),
        "mean": shown(level.mean),
        "s": in_unit(level.s, unit) if several else "–",
        "band": "–" if band is None else shown(*band),
        "reach": shown(level.low, level.high) if several else "–",
        "refused": str(level.refused),
    }


def _version(name: str | None, version: str | None) -> str:
    return visible(f"{name or ''} {version or ''}".strip() or "not stated")


def _release(rig: RigHistory, release: Release) -> dict[str, Any]:
    decided = [
        decision
        for decision in rig.decisions
        if release.key == (rig.name, decision.firmware_name, decision.firmware_version)
    ]
    return {
        "version": _version(release.firmware_name, release.firmware_version),
        "runs": release.runs,
        "days": _days(release),
        "builds": release.builds,
        "boards": release.boards,
        "endings": ", ".join(f"{count} × {_ending(code)}" for code, count in release.endings.items()),
        # All of them, the newest first: builds of one version may have been decided on otherwise.
        "gate": [_decision(view_of(decision)) for decision in reversed(decided)],
    }


def _days(release: Release) -> str:
    first, last = release.first_utc[:10], release.last_utc[:10]
    return visible(first if first == last else f"{first} to {last}")


def _ending(code: int | None) -> str:
    return "unfinished" if code is None else f"exit {code}"


def _decision(decision: DecisionView) -> dict[str, Any]:
    mark = MARKS[standing_of(DecisionWord, decision.word)]
    return {
        "decision": decision,
        "mark": mark.shape,
        "kind": mark.style,
        "version": _version(decision.firmware_name, decision.firmware_version),
        "build": visible(str(decision.firmware_sha256))[:SHOWN] if decision.firmware_sha256 else "",
    }


def _findings(rig: RigHistory, anchor: str) -> dict[str, Any]:
    lines = []
    known = {quantity.name for quantity in rig.quantities if quantity.levels}
    for finding in rig.watched.findings:
        if finding.kind == "step":
            exchanged = ", ".join(finding.exchanged)
            cause = f"exchanged there: {exchanged}" if exchanged else "nothing that a record shows was exchanged there"
            words = f"the mean makes a step of {in_unit(finding.shift, finding.unit)} at run {finding.run}; {cause}"
        else:
            words = f"drifts: its average left the limits at run {finding.run}"
        link = f"#{anchor}-{_identity(finding.name)}" if finding.name in known else ""
        lines.append({"where": spaced(finding.name), "link": link, "words": visible(words)})
    few = WATCHED_RUNS if rig.watched.runs < WATCHED_RUNS else 0
    return {"lines": lines, "runs": rig.watched.runs, "why_not": visible(rig.watched.why_not), "few": few}


def _runs(rig: RigHistory, links: Mapping[int, str], anchor: str) -> list[dict[str, Any]]:
    """A row a drawn run, the newest first."""
    before = {run.id: earlier for earlier, run in pairwise(rig.drawn)}
    return [
        {
            "anchor": f"{anchor}-run-{run.id}",
            "id": run.id,
            "link": links[run.id] if run.id in rig.reports else "",
            "started": visible(run.started_utc[:16].replace("T", " ")),
            "version": _version(run.firmware_name, run.firmware_version),
            "exchanged": _exchanged(before.get(run.id), run),
            "board": visible(run.board_name or run.board_id),
            "code": _ending(run.exit_code),
            "kind": MARKS[of_exit_code(run.exit_code)].style,
            "mark": MARKS[of_exit_code(run.exit_code)].shape,
            "words": _counted(rig.words[run.id]),
            "remark": visible(run.remark),
        }
        for run in reversed(rig.drawn)
    ]


def _exchanged(before: StoredRun | None, run: StoredRun) -> str:
    """What is another than in the run before."""
    if before is None:
        return ""
    pairs = (
        ("firmware", before.firmware_sha256, run.firmware_sha256),
        ("board", before.board_id, run.board_id),
        ("rig file", before.rig_sha256, run.rig_sha256),
    )
    return ", ".join(word for word, earlier, later in pairs if earlier != later)


def _counted(words: Mapping[str, int]) -> str:
    return ", ".join(f"{words[word]} {word}" for word in ORDER if words.get(word)) or "nothing judged"
