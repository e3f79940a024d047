"""The rows of a plan's tables: what each check takes, and what each quantity will let be seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from harness.base.reference import REFERENCE_C
from harness.base.spans import in_words
from harness.compare.foreseen import ForeseenDifference
from harness.nouns.names import Name
from harness.nouns.standing import Standing
from harness.plan.efforts import CheckOutlook
from harness.plan.plan import Plan
from harness.plan.seeing import BY_REQUIREMENT, EQUAL, NOT_RUN, UNKNOWN, QuantityOutlook
from harness.show.columns import Heading, Layout, TableRow
from harness.show.table import rounded

CHECKS = Layout(
    headings=(
        Heading(words="check"),
        Heading(words="takes", right=True),
        Heading(words="at most", right=True),
        Heading(words="phase A", right=True),
        Heading(words="travel rad", right=True),
        Heading(words="energy J", right=True),
        Heading(words="winding degC", right=True),
    ),
    narrow=84,
    with_names=84,
)
ALIKE = 0.05
"""Of the usual time, by how much the most must be more to be worth showing (arbitrary)."""


def check_row(each: CheckOutlook, plan: Plan) -> TableRow:
    """One check on one motor."""
    planned, effort = each.planned, each.effort
    if effort is None:
        return TableRow(
            standing=Standing.ABSENT,
            name=planned.prefix,
            cells=("not run", "", "", "", ""),
            word="",
            sentence="not run",
            reason=f"not run: {each.reason}",
        )
    took = effort.duration
    most = in_words(took.most_s) if took.most_s > (1.0 + ALIKE) * took.usual_s else ""
    room = plan.spec.room.temperature_c.high if plan.spec.room is not None else REFERENCE_C
    winding = "" if effort.rise_k is None else f"{room + effort.rise_k:.0f}"
    cells = (
        in_words(took.usual_s),
        most,
        rounded(effort.phase_current_a, 2) if math.isfinite(effort.phase_current_a) else "?",
        rounded(effort.travel_rad, 2),
        _two_digits(effort.energy_j) if math.isfinite(effort.energy_j) else "?",
    )
    parts = [
        in_words(took.usual_s) + (f", at most {most}" if most else ""),
        f"{cells[2]} A in a phase",
        f"{cells[3]} rad",
        f"{cells[4]} J",
        f"winding up to {winding} degC" if winding else "winding not known",
    ]
    needs = f"its winding's temperature needs {', '.join(effort.rise_needs)}" if effort.rise_needs else ""
    return TableRow(
        standing=Standing.GOOD,
        name=planned.prefix,
        cells=cells,
        word=winding or "?",
        sentence=", ".join(parts),
        reason=needs,
    )


def reason_of(rows: Sequence[TableRow]) -> str:
    """The reason that these rows share, in words; a quantity that it holds for on all their motors is named once."""
    names = [Name(row.name) for row in rows]
    motors = {name.motor for name in names}
    of_all = {name.suffix for name in names if all(f"{motor}.{name.suffix}" in names for motor in motors)}
    shown = dict.fromkeys(name.suffix if len(motors) > 1 and name.suffix in of_all else str(name) for name in names)
    return f"{', '.join(shown)}: {rows[0].reason}"


def quantity_rows(plan: Plan, *, against: bool) -> list[TableRow]:
    """Every quantity; those of a check that is not run are one row."""
    rows: list[TableRow] = []
    for prefix, group in groupby(plan.quantities, lambda each: Name(each.name).prefix):
        members = list(group)
        if len({(each.standing, each.reason) for each in members}) == 1 and members[0].standing is Standing.ABSENT:
            row = TableRow(
                standing=Standing.ABSENT,
                name=prefix,
                cells=(NOT_RUN, *("",) * (5 if against else 4)),
                word="",
                sentence=f"{len(members)} quantities not run",
                reason=f"{NOT_RUN}: {members[0].reason}",
            )
            rows.append(row)
            continue
        rows += [quantity_row(each, plan.differences.get(each.name), against=against) for each in members]
    return rows


def quantities_layout(*, against: bool) -> Layout:
    """Columns of the quantities; with a baseline one more."""
    baseline = (Heading(words="baseline", right=True),) if against else ()
    return Layout(
        headings=(
            Heading(words="quantity"),
            Heading(words="expected", right=True),
            Heading(words="sees from", right=True),
            Heading(words="asked", right=True),
            *baseline,
            Heading(words="unit"),
            Heading(words="limited by"),
            Heading(words=""),
        ),
        narrow=112 if against else 104,
        with_names=132 if against else 124,
    )


def quantity_row(each: QuantityOutlook, seen: ForeseenDifference | None, *, against: bool) -> TableRow:
    """One quantity: what it is expected to be, the smallest deviation that will be seen, and what limits that."""
    from harness.report.numbers import prefix_for

    expected = each.expected
    size = max((abs(value) for value in (each.seen_from, expected.value if expected else None) if value), default=0.0)
    factor, unit = prefix_for(size, each.unit)
    unit = unit.replace("\N{MICRO SIGN}", "u")

    def number(value: float | None) -> str:
        return "" if not value else _two_digits(value / factor)

    counted = each.seen_from == 0.0
    centre = (
        NOT_RUN
        if each.standing is Standing.ABSENT
        else ""
        if expected is None or counted
        else rounded(expected.value / factor)
    )
    by_model = {EQUAL: "any", UNKNOWN: "?", BY_REQUIREMENT: "limit"}.get(each.word, number(each.seen_from))
    asked = "" if counted else number(each.must_see)
    by_baseline = ""
    if seen is not None and not seen.why_not:
        by_baseline = "any" if seen.seen_from == 0.0 else number(seen.seen_from)
    parts = [
        f"expected {centre} {unit}".strip() if centre and expected is not None else "",
        f"sees from {by_model} {unit}".strip() if each.seen_from and by_model else "",
        f"asked {asked}" if asked else "",
        f"from the baseline {by_baseline}" if by_baseline else "",
        each.word,
        f"limited by {each.limiting}" if each.limiting else "",
    ]
    reason = f"{each.word}: {each.reason}" if each.reason else ""
    if seen is not None and seen.why_not and not reason:
        reason = f"against the baseline: {seen.why_not}"
    return TableRow(
        standing=each.standing,
        name=each.name,
        cells=(
            NOT_RUN if each.standing is Standing.ABSENT else centre,
            by_model,
            asked,
            *((by_baseline,) if against else ()),
            "" if counted else unit,
            each.limiting,
        ),
        word="",
        sentence=", ".join(part for part in parts if part),
        group=Name(each.name).prefix,
        reason=reason,
    )


def _two_digits(value: float) -> str:
    """A number as rough as a plan knows it, without an exponent."""
    return rounded(float(f"{value:.2g}"))
