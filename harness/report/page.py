"""One offline HTML page from one record: the verdict first, then why, then every number's origin."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from harness.base.errors import RecordError
from harness.checks.catalogue import CHECKS, words_of
from harness.judge.verdict import percent, tolerance_share, unasked
from harness.nouns.names import Name
from harness.nouns.results import REQUIRED, Requirement
from harness.record.forms import is_stop, is_unasked
from harness.report.numbers import in_unit, limits_in_words, plain, visible, with_uncertainty
from harness.report.plots import curve_plot, interval_plot
from harness.report.shell import filled

MARKS = {
    "agrees": "●",
    "conforming": "●",
    "differs": "▲",
    "nonconforming": "▲",
    "cannot tell": "?",
    "undecided": "?",
    "not judged": "○",
    "not run": "–",
}
"""A shape beside each verdict word, so that nothing rests on colour."""

ORDER = tuple(MARKS)
DECIDED = ("agrees", "conforming", "differs", "nonconforming")
GUARD_LOG = "guard.log"
NOTED = re.compile(r"^\S+ guard \d+: ")
SMALL = 0.005
"""Share of the variance below which a source has no row of its own (arbitrary: it rounds to 0 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One quantity of the table, ready to print."""

    anchor: str
    where: str
    quantity: str
    words: str
    measured: str
    expected: str
    margin: str
    outcome: str
    mark: str
    reason: str
    interval: Markup | None
    budget: Sequence[Mapping[str, str]]
    model: str
    note: str
    detectable: str
    e_n: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One check on one motor."""

    title: str
    anchor: str
    rows: Sequence[Row]
    curves: Sequence[tuple[str, Markup]]
    counts: str
    not_run: str
    """Why none of it was run, where it is one reason; else empty."""


def write_report(record_dir: Path) -> Path:
    """Write report.html beside record.json and return its path.

    Works on an unfinished record and says that it is one. Raises RecordError if there is no readable record.
    """
    try:
        record = json.loads((record_dir / "record.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise RecordError(f"{record_dir}: expected a readable record.json, found {problem}") from problem
    page = record_dir / "report.html"
    page.write_text(render(record, guard_said=_last_note(record_dir / GUARD_LOG)), encoding="utf-8")
    return page


def _last_note(log: Path) -> str:
    """What the guard of the supply wrote last, without its time; "" where it wrote nothing."""
    try:
        notes = log.read_text(encoding="utf-8", errors="replace").split("\n")
    except OSError:
        return ""
    last = next((note for note in reversed(notes) if note.strip()), "")
    return NOTED.sub("", last)


def render(record: Mapping[str, Any], *, guard_said: str = "") -> str:
    """The page as text; a pure function of the record and of what the guard of the supply wrote last."""
    verdicts = record.get("verdicts", [])
    rows = [_row(record, verdict) for verdict in verdicts]
    return filled(
        "page.html",
        record=record,
        headline=counted(verdicts),
        worst=claim(record),
        by_hand=(record.get("stop") or {}).get("by_hand", ""),
        decided=any(verdict["outcome"] in DECIDED for verdict in verdicts),
        attention=sorted((row for row in rows if row.mark in "▲?"), key=lambda row: "▲?".index(row.mark)),
        sections=_sections(record),
        said=_diagnosis(record),
        gauge=_gauge(record),
        stops=_stops(verdicts),
        left_out=_left_out(verdicts),
        finished=bool(record.get("finished")),
        guard_said=guard_said,
        reached=any(verdict["outcome"] != "not run" for verdict in verdicts),
    )


def _diagnosis(record: Mapping[str, Any]) -> dict[str, Any] | None:
    """The words on the cause (one, a set, or not known) and what would part a set; None where nothing is off."""
    said = record.get("diagnosis") or {}
    words = said.get("words") or "; ".join(cause["words"] for cause in record.get("causes", []))
    return {"words": words, "parted_by": list(said.get("parted_by") or ())} if words else None


def counted(verdicts: Sequence[Mapping[str, Any]]) -> str:
    """`52 agree, 4 conforming, 1 differs`: every word that occurs, with its number."""
    numbers = {word: sum(v["outcome"] == word for v in verdicts) for word in ORDER}
    spoken = {"agrees": "agree", "differs": "differ"}
    parts = [
        f"{number} {spoken.get(word, word) if number != 1 else word}" for word, number in numbers.items() if number
    ]
    return ", ".join(parts) or "nothing was judged"


def claim(record: Mapping[str, Any]) -> str:
    """What the headline says: as `worst`, and accepted only where a whole run ended with exit code 0."""
    found = worst(record.get("verdicts", []))
    whole = bool(record.get("finished")) and record.get("exit_code") in (None, 0)
    return "open" if found == "accepted" and not whole else found


def worst(verdicts: Sequence[Mapping[str, Any]]) -> str:
    """`refused`, `open` or `accepted`: what the page's headline may claim at most."""
    words = {v["outcome"] for v in verdicts}
    if words & {"differs", "nonconforming"}:
        return "refused"
    if words & {"cannot tell", "undecided"} or not words & {"agrees", "conforming"}:
        return "open"
    return "accepted"


def _gauge(record: Mapping[str, Any]) -> dict[str, Any] | None:
    """What studies of the bench found on the quantities with a requirement that this record was judged by."""
    study = record.get("gauge")
    if study is None:
        return None
    units = {entry["name"]: entry.get("unit", "") for entry in record.get("measurements", [])}
    judged = {v["name"]: v["requirement"] for v in record.get("verdicts", []) if v.get("requirement")}
    rows = [
        {
            "name": visible(found["name"]),
            "study": f"{found['study']} of {found['made_utc'][:10]}",
            "grr": in_unit(found["grr"], units.get(found["name"], "")),
            "share": percent(tolerance_share(found["grr"], found["mean"], _requirement(judged[found["name"]]))),
        }
        for found in study["quantities"]
        if found["name"] in judged
    ]
    return {"rows": rows, "remarks": study["remarks"]}


def _requirement(entry: Mapping[str, Any]) -> Requirement:
    return Requirement(name="", low=entry.get("low"), high=entry.get("high"))


def _stops(verdicts: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Where the board had to be stopped, and why."""
    return [
        (visible(Name(verdict["name"]).prefix.replace(".", " ")), visible(verdict.get("reason", "")))
        for verdict in verdicts
        if is_stop(verdict)
    ]


def _left_out(verdicts: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """Reasons for what was not run or not judged, each with the quantities it cost."""
    reasons: dict[str, list[str]] = {}
    silent = [verdict["name"] for verdict in verdicts if is_unasked(verdict)]
    asked = [verdict for verdict in verdicts if not is_unasked(verdict)]
    for verdict in asked:
        if verdict["outcome"] in {"not run", "not judged"}:
            reason = f"{verdict['outcome']}: {visible(verdict.get('reason', ''))}"
            reasons.setdefault(reason, []).append(verdict["name"])
    if silent:
        others = [verdict["name"] for verdict in asked if verdict["outcome"] not in REQUIRED]
        reasons[visible(unasked(silent, others))] = silent
    return sorted(reasons.items())


def _by_name(entries: Sequence[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    return {entry["name"]: entry for entry in entries}


def _sections(record: Mapping[str, Any]) -> list[Section]:
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for verdict in record.get("verdicts", []):
        groups.setdefault(verdict["name"].rpartition(".")[0], []).append(verdict)
    sections = []
    for group, verdicts in groups.items():
        curves = [curve for curve in record.get("curves", []) if curve["name"].startswith(group + ".")]
        anchor = group.replace(".", "-")
        sections.append(
            Section(
                title=visible(_title(group)),
                anchor=anchor,
                rows=[_row(record, verdict) for verdict in verdicts],
                curves=[
                    (visible(curve["title"]), curve_plot(curve, f"{anchor}-c{number}"))
                    for number, curve in enumerate(curves)
                ],
                counts=counted(verdicts),
                not_run=_one_reason(verdicts),
            )
        )
    return sections


def _title(group: str) -> str:
    """`gate · holding stiffness`: a motor, and what its check is called."""
    motor, _, check = group.rpartition(".")
    titles = {known.name: known.title for known in CHECKS}
    title = titles.get(check, check)
    return f"{motor} · {title[:1].lower()}{title[1:]}" if motor else title


def _one_reason(verdicts: Sequence[Mapping[str, Any]]) -> str:
    reasons = {visible(verdict.get("reason", "")) for verdict in verdicts}
    return reasons.pop() if len(reasons) == 1 and all(verdict["outcome"] == "not run" for verdict in verdicts) else ""


def _half_width(entry: Mapping[str, Any]) -> float | None:
    interval = entry.get("interval95")
    if interval:
        return float(interval[1] - interval[0]) / 2.0
    return 2.0 * entry["u"] if entry.get("u") else None


def _expected(expectation: Mapping[str, Any], requirement: Mapping[str, Any] | None, unit: str) -> str:
    if requirement:
        return limits_in_words(requirement.get("low"), requirement.get("high"), unit)
    if expectation.get("interval"):
        low, high = expectation["interval"]
        return f"{in_unit(low, unit)} to {in_unit(high, unit)}"
    return with_uncertainty(expectation.get("value"), _half_width(expectation), unit)


def _budget(entry: Mapping[str, Any]) -> list[dict[str, str]]:
    """Sources, largest first, each with its share of the variance and what would shrink it.

    The independent parts of one fit (`fit#1`, `fit#2`) are one source; what is too small to matter is one row.
    """
    sources: dict[str, dict[str, Any]] = {}
    for part in entry.get("budget", []):
        source = part["source"].partition("#")[0]
        known = sources.setdefault(source, {**part, "source": source, "u": 0.0})
        known["u"] = math.hypot(known["u"], part["u"])
    parts = sorted(sources.values(), key=lambda part: -float(part["u"]))
    total = math.fsum(part["u"] ** 2 for part in parts) or 1.0
    large = [part for part in parts if part["u"] ** 2 >= SMALL * total]
    rows = [
        {
            "source": visible(part["source"]),
            "u": in_unit(part["u"], entry["unit"]),
            "share": f"{100.0 * part['u'] ** 2 / total:.0f} %",
            "shape": part["shape"] + (f", {plain(part['dof'], 2)} dof" if part.get("dof") else ""),
            "remedy": visible(part.get("remedy", "")),
        }
        for part in large
    ]
    if len(parts) > len(large):
        rest = math.hypot(*(part["u"] for part in parts[len(large) :]))
        rows.append(
            {
                "source": f"{len(parts) - len(large)} smaller ones together",
                "u": in_unit(rest, entry["unit"]),
                "share": f"{100.0 * rest**2 / total:.1g} %",
                "shape": "",
                "remedy": "",
            }
        )
    return rows


def _row(record: Mapping[str, Any], verdict: Mapping[str, Any]) -> Row:
    name, unit = verdict["name"], verdict.get("unit", "")
    measurement = _by_name(record.get("measurements", [])).get(name, {})
    expectation = _by_name(record.get("expectations", [])).get(name, {})
    requirement = verdict.get("requirement")
    anchor = f"{'r' if requirement else 'q'}-{name.replace('.', '-')}"
    return Row(
        anchor=anchor,
        where=visible(name.replace(".", " · ").replace("_", " ")),
        quantity=visible(name.rpartition(".")[2].replace("_", " ")),
        words="" if words_of(name) == name else words_of(name),
        measured=with_uncertainty(measurement.get("value"), _half_width(measurement), unit) if measurement else "–",
        expected=_expected(expectation, requirement, unit),
        margin=in_unit(verdict.get("margin"), unit),
        outcome=verdict["outcome"],
        mark=MARKS.get(verdict["outcome"], "?"),
        reason=visible(verdict.get("reason", "")),
        interval=_interval(verdict, measurement, expectation, anchor),
        budget=_budget(measurement) if measurement else [],
        model=visible(expectation.get("model", "")),
        note=visible(measurement.get("note", "")) if measurement else "",
        detectable=in_unit(verdict.get("detectable"), unit),
        e_n="–" if verdict.get("e_n") is None else f"{verdict['e_n']:.2f}".replace("-", "−"),
    )


def _interval(
    verdict: Mapping[str, Any], measurement: Mapping[str, Any], expectation: Mapping[str, Any], anchor: str
) -> Markup | None:
    centre = None if verdict.get("requirement") or expectation.get("interval") else expectation.get("value")
    return interval_plot(verdict, measurement, centre, f"{anchor}-i") if measurement else None
