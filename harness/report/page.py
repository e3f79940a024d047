"""One offline HTML page from one record: the verdict first, then why, then every number's origin."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from markupsafe import Markup

from harness.base.disk import unwritten, write_text
from harness.base.errors import ExitCode, RecordError
from harness.base.guard_log import GUARD_LOG, last_note
from harness.base.words import visible
from harness.checks.catalogue import meaning_of
from harness.judge.verdict import percent, tolerance_share, unasked
from harness.nouns.names import Name
from harness.nouns.quantity import Contribution, Quantity, evaluation
from harness.nouns.results import REQUIRED, Outcome, Verdict, VerdictKind
from harness.nouns.standing import SEVERITY, Standing, overall
from harness.record import Record, read
from harness.record.entries import MeasurementEntry
from harness.report.gaps import open_lines
from harness.report.judged_again import JudgedAgain
from harness.report.marks import CLAIMS, MARKS
from harness.report.numbers import in_unit, limits_in_words, plain, with_uncertainty
from harness.report.plots import curve_plot, interval_plot
from harness.report.shell import filled
from harness.report.titles import check_title, described, quantity_title, spaced

ORDER = tuple(str(outcome) for outcome in sorted(Outcome, key=lambda word: list(Standing).index(word.standing)))
"""Words of verdicts as they are counted: those that say the same beside each other."""
NEVER_REACHED = "because the run was cut off before it had come to it"
AT_WORK = "because the run was cut off while it was measured"
SMALL = 0.005
"""Share of the variance below which a source has no row of its own (arbitrary: it rounds to 0 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageRow:
    """One quantity of the table, ready to print."""

    anchor: str
    where: str
    quantity: str
    words: str
    measured: str
    measured_says: str
    """What the code says that was found; empty where it is a number."""
    expected: str
    expected_says: str
    margin: str
    outcome: Outcome
    reason: str
    interval: Markup | None
    budget: Sequence[Mapping[str, str]]
    model: str
    note: str
    detectable: str
    e_n: str

    @property
    def mark(self) -> str:
        """Its shape."""
        return MARKS[self.outcome.standing].shape

    @property
    def attention(self) -> bool:
        """Whether it speaks against the board, or holds the decision open."""
        return self.outcome.standing in (Standing.BAD, Standing.OPEN)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSection:
    """One check on one motor."""

    title: str
    anchor: str
    rows: Sequence[PageRow]
    curves: Sequence[tuple[str, Markup]]
    counts: str
    not_run: str
    """Why none of it was run, where it is one reason; else empty."""

    @property
    def origins(self) -> Sequence[Sequence[PageRow]]:
        """Rows that say where their number comes from, those of one quantity together: of model and requirement."""
        quantities: dict[str, list[PageRow]] = {}
        for row in self.rows:
            if row.budget or row.reason or row.model:
                quantities.setdefault(row.where, []).append(row)
        return list(quantities.values())


def write_report(record_dir: Path) -> Path:
    """Write report.html beside record.json and return its path.

    Works on an unfinished record and says that it is one. Raises RecordError if there is no readable record.
    """
    record = read(record_dir)
    return _written(record, "report.html", render(record, guard_said=last_note(record.folder / GUARD_LOG)))


def write_judged_again(again: JudgedAgain) -> Path:
    """Write report-judged-again.html beside record.json and return its path. Raises RecordError."""
    guard_said = last_note(again.anew.folder / GUARD_LOG)
    return _written(again.anew, "report-judged-again.html", render(again.anew, guard_said=guard_said, again=again))


def _written(record: Record, name: str, text: str) -> Path:
    page = record.folder / name
    try:
        write_text(page, text)
    except OSError as error:
        raise unwritten(RecordError, f"{visible(str(page))}: cannot write", error) from error
    return page


def render(record: Record, *, guard_said: str = "", again: JudgedAgain | None = None) -> str:
    """The page as text; a pure function of the record and of what the guard of the supply wrote last.

    `again`: where the record is one that was judged again, what has changed.
    """
    verdicts = [*record.verdicts, *_never_reached(record)]
    sections = _sections(record, verdicts)
    rows = [row for section in sections for row in section.rows]
    return filled(
        "page.html",
        record=record,
        headline=counted(verdicts),
        worst=claim(record),
        board=[(key.replace("_", " "), words) for key, words in asdict(record.board).items() if words is not None],
        decided=any(verdict.outcome.standing.decided for verdict in verdicts),
        attention=sorted((row for row in rows if row.attention), key=lambda row: SEVERITY.index(row.outcome.standing)),
        sections=sections,
        gauge=_gauge(record),
        stops=_stops(verdicts),
        open=_open(record),
        left_out=_left_out(verdicts),
        guard_said=guard_said,
        again=again,
        reached=any(verdict.outcome is not Outcome.NOT_RUN for verdict in verdicts),
    )


def counted(verdicts: Sequence[Verdict]) -> str:
    """`52 agree, 4 conforming, 1 differs`: every word that occurs, with its number."""
    numbers = {word: sum(verdict.outcome == word for verdict in verdicts) for word in ORDER}
    spoken = {"agrees": "agree", "differs": "differ"}
    parts = [
        f"{number} {spoken.get(word, word) if number != 1 else word}" for word, number in numbers.items() if number
    ]
    return ", ".join(parts) or "nothing was judged"


def claim(record: Record) -> str:
    """`refused`, `open` or `accepted`; the last only where a whole run ended with exit code 0."""
    whole = record.finished and record.exit_code in (None, ExitCode.AGREES)
    standings = [verdict.outcome.standing for verdict in record.verdicts]
    return CLAIMS[overall(standings if whole else [*standings, Standing.OPEN])]


def _gauge(record: Record) -> dict[str, Any] | None:
    """What studies of the bench found on the quantities with a requirement that this record was judged by."""
    if record.gauge is None:
        return None
    units = {name: measurement.quantity.unit for name, measurement in record.measurements.items()}
    judged = {verdict.name: verdict.requirement for verdict in record.verdicts if verdict.requirement is not None}
    rows = [
        {
            "name": visible(quantity.name),
            "study": f"{quantity.study} of {quantity.made_utc[:10]}",
            "grr": in_unit(quantity.grr, units.get(quantity.name, "")),
            "share": percent(tolerance_share(quantity.grr, quantity.mean, judged[quantity.name])),
        }
        for quantity in record.gauge.quantities
        if quantity.name in judged
    ]
    return {"rows": rows, "remarks": record.gauge.remarks}


def _stops(verdicts: Sequence[Verdict]) -> list[str]:
    """Where the board had to be stopped and why, and what its firmware is at fault of."""
    lines = []
    for verdict in verdicts:
        where = Name(verdict.name).prefix.replace(".", " ")
        if verdict.kind is not VerdictKind.QUANTITY:
            fault = verdict.kind is VerdictKind.CONDUCT
            begun = f"THE FIRMWARE IS AT FAULT, {verdict.name}" if fault else f"STOPPED in {where}"
            lines.append(visible(f"{begun}: {verdict.reason}"))
    return lines


def _open(record: Record) -> list[str]:
    """Which quantity leaves the run undecided, and what would close it; empty where it is decided."""
    if not record.finished or record.exit_code is not ExitCode.UNDECIDED:
        return []
    return [visible(line) for line in open_lines(record.verdicts, record.required)]


def _left_out(verdicts: Sequence[Verdict]) -> list[tuple[str, list[str]]]:
    """Reasons for what was not run or not judged, each with the quantities it cost."""
    reasons: dict[str, list[str]] = {}
    silent = [verdict.name for verdict in verdicts if verdict.unasked]
    asked = [verdict for verdict in verdicts if not verdict.unasked]
    for verdict in asked:
        if not verdict.outcome.standing.asked:
            reasons.setdefault(f"{verdict.outcome}: {visible(verdict.reason)}", []).append(verdict.name)
    if silent:
        others = [verdict.name for verdict in asked if verdict.outcome not in REQUIRED]
        reasons[visible(unasked(silent, others))] = silent
    return sorted(reasons.items())


def _never_reached(record: Record) -> list[Verdict]:
    """What a run had planned that was killed before it could account for it."""
    if record.finished:
        return []
    known = {verdict.name for verdict in record.verdicts}

    def reason(name: str) -> str:
        return AT_WORK if Name(name).prefix.replace(".", " ") == record.running else NEVER_REACHED

    return [
        Verdict(name=name, outcome=Outcome.NOT_RUN, reason=reason(name)) for name in record.planned if name not in known
    ]


def _sections(record: Record, all_verdicts: Sequence[Verdict]) -> list[PageSection]:
    groups: dict[str, list[Verdict]] = {}
    for verdict in all_verdicts:
        groups.setdefault(Name(verdict.name).prefix, []).append(verdict)
    measured = {entry.name: entry for entry in record.measurement_entries}
    sections = []
    for group, verdicts in groups.items():
        curves = [curve for curve in record.curves if Name(curve.name).prefix == group]
        anchor = group.replace(".", "-")
        sections.append(
            PageSection(
                title=check_title(Name(verdicts[0].name).motor, Name(verdicts[0].name).check),
                anchor=anchor,
                rows=[_row(verdict, measured.get(verdict.name)) for verdict in verdicts],
                curves=[
                    (visible(curve.title), curve_plot(curve, f"{anchor}-c{number}"))
                    for number, curve in enumerate(curves)
                ],
                counts=counted(verdicts),
                not_run=_one_reason(verdicts),
            )
        )
    return sections


def _one_reason(verdicts: Sequence[Verdict]) -> str:
    reasons = {visible(verdict.reason) for verdict in verdicts}
    alike = len(reasons) == 1 and all(verdict.outcome is Outcome.NOT_RUN for verdict in verdicts)
    return reasons.pop() if alike else ""


def _measured(entry: MeasurementEntry | None, unit: str) -> str:
    if entry is None:
        return "–"
    return with_uncertainty(entry.value, entry.half95, unit)


def _expected(verdict: Verdict) -> str:
    requirement, expectation, unit = verdict.requirement, verdict.expected, verdict.unit
    if requirement is not None:
        return limits_in_words(requirement.low, requirement.high, unit)
    if expectation is None or expectation.quantity is None:
        return "–"
    if expectation.interval is not None:
        low, high = expectation.interval
        return f"{in_unit(low, unit)} to {in_unit(high, unit)}"
    return with_uncertainty(expectation.quantity.value, 2.0 * expectation.quantity.u, unit)


def _budget(quantity: Quantity) -> list[dict[str, str]]:
    """Sources, largest first, each with its share of the variance and what would shrink it.

    The independent parts of one fit (`fit#1`, `fit#2`) are one source; what is too small to matter is one row.
    """
    sources: dict[str, Contribution] = {}
    for name, part in quantity.budget.items():
        source = evaluation(name)
        known = sources.setdefault(source, replace(part, u=0.0))
        sources[source] = replace(known, u=math.hypot(known.u, part.u))
    parts = sorted(sources.items(), key=lambda item: -item[1].u)
    total = math.fsum(part.u**2 for _, part in parts) or 1.0
    large = [(source, part) for source, part in parts if part.u**2 >= SMALL * total]
    rows = [
        {
            "source": visible(source),
            "u": in_unit(part.u, quantity.unit),
            "share": f"{100.0 * part.u**2 / total:.0f} %",
            "shape": part.shape + (f", {plain(part.dof, 2)} dof" if part.type_a else ""),
            "remedy": visible(part.remedy),
        }
        for source, part in large
    ]
    if len(parts) > len(large):
        rest = math.hypot(*(part.u for _, part in parts[len(large) :]))
        rows.append(
            {
                "source": f"{len(parts) - len(large)} smaller ones together",
                "u": in_unit(rest, quantity.unit),
                "share": f"{100.0 * rest**2 / total:.1g} %",
                "shape": "",
                "remedy": "",
            }
        )
    return rows


def _row(verdict: Verdict, entry: MeasurementEntry | None) -> PageRow:
    name, unit = verdict.name, verdict.unit
    anchor = f"{'q' if verdict.requirement is None else 'r'}-{name.replace('.', '-')}"
    return PageRow(
        anchor=anchor,
        where=spaced(name),
        quantity=quantity_title(name),
        words=described(name),
        measured=_measured(entry, unit),
        measured_says="" if entry is None else meaning_of(name, entry.value),
        expected=_expected(verdict),
        expected_says="" if (centre := _centre(verdict)) is None else meaning_of(name, centre),
        margin=in_unit(verdict.margin, unit),
        outcome=verdict.outcome,
        reason=visible(verdict.reason),
        interval=None if entry is None else interval_plot(verdict, entry, _centre(verdict), f"{anchor}-i"),
        budget=[] if verdict.measured is None else _budget(verdict.measured),
        model="" if verdict.expected is None else visible(verdict.expected.model),
        note=visible(verdict.note),
        detectable=in_unit(verdict.detectable, unit),
        e_n="–" if verdict.e_n is None else f"{verdict.e_n:.2f}".replace("-", "−"),
    )


def _centre(verdict: Verdict) -> float | None:
    """What a model predicts; None where a requirement or an interval is judged by."""
    expected = verdict.expected
    if verdict.requirement is not None or expected is None or expected.interval is not None:
        return None
    return None if expected.quantity is None else expected.quantity.value
