"""The two plots of a report: a measured curve with its model, and a verdict as an interval with its margin."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree import ElementTree as Tree

from markupsafe import Markup

from harness.base.words import visible
from harness.nouns.results import Curve, Verdict
from harness.nouns.standing import Standing
from harness.record.entries import MeasurementEntry
from harness.report import svg
from harness.report.numbers import in_unit, prefix_for

WIDTH, HEIGHT = 480.0, 300.0
"""As wide as a column of the page: wider, its labels would shrink with it, most of all on a phone."""
LEFT = 70.0
"""Room for the numbers of the upright axis, on a phone too."""
IN_A_ROW = 2
"""Legend entries side by side."""
ROW = 19.0
LETTER = 8.1
"""Width of a legend's letter on a phone, where letters are larger (arbitrary; a mean of Latin text)."""
BAND = 2.0
"""Half-width of a model's band in standard uncertainties: about 95 % (JCGM 100:2008, 6.2.2)."""


def _finished(root: Tree.Element) -> Markup:
    return svg.markup(root)


def curve_plot(curve: Curve, name: str) -> Markup:
    """A curve of the record: measured points or line, and over them the line and band of each series' own model."""
    series, models = curve.series, [sorted(rows) for rows in curve.models.values() if rows]
    xs = [row[0] for rows in (*series.values(), *models) for row in rows]
    ys = [row[1] for rows in series.values() for row in rows]
    ys += [row[1] + side * BAND * row[2] for rows in models for row in rows for side in (-1, 1)]
    x_factor, x_unit = prefix_for(max((abs(x) for x in xs), default=0.0), curve.x_unit)
    y_factor, y_unit = prefix_for(max((abs(y) for y in ys), default=0.0), curve.y_unit)
    low, high = svg.spread([x / x_factor for x in xs], 0.02)
    across = svg.AxisScale(low=low, high=high, start=LEFT, end=WIDTH - 12)
    low, high = svg.spread([y / y_factor for y in ys])
    up = svg.AxisScale(low=low, high=high, start=HEIGHT - 66, end=30)

    def place(rows: Sequence[Sequence[float]]) -> list[tuple[float, float]]:
        return [(across(row[0] / x_factor), up(row[1] / y_factor)) for row in rows]

    described = f"{sum(map(len, series.values()))} measured points in {len(series)} series: {', '.join(series)}."
    if models:
        whose = "The model's line" if len(models) == 1 else "Each one's own model line"
        described += f" {whose} with a band of {BAND:g} standard uncertainties lies over them."
    extra = ROW * ((len(series) + bool(models) - 1) // IN_A_ROW)
    root = svg.drawing(WIDTH, HEIGHT + extra, visible(curve.title), visible(described), name)
    svg.axes(
        root,
        across,
        up,
        f"{visible(curve.x_label)} / {x_unit or '1'}",
        f"{visible(curve.y_label)} / {y_unit or '1'}",
    )
    for model in models:
        upper = place([(x, value + BAND * u) for x, value, u in model])
        lower = place([(x, value - BAND * u) for x, value, u in reversed(model)])
        svg.path(root, upper + lower, "band", closed=True)
    for number, rows in enumerate(series.values()):
        points = svg.decimate(place(rows))
        if curve.joined:
            svg.path(root, points, f"trace s{number % 4}")
        else:
            svg.marks(root, points, f"mark s{number % 4}", number)
    for model in models:
        svg.path(root, place([(x, value) for x, value, _ in model]), "model")
    _legend(root, list(series), bool(models), curve.joined)
    return _finished(root)


def _legend(root: Tree.Element, labels: Sequence[str], model: bool, joined: bool) -> None:
    """Rows under the plot; entries share the width evenly so that long names do not collide."""
    entries = [*labels, *(["model, band 2 u"] if model else [])]
    step = (WIDTH - LEFT - 12) / min(IN_A_ROW, max(1, len(entries)))
    for number, label in enumerate(entries):
        x, y = LEFT + number % IN_A_ROW * step, HEIGHT - 8 + ROW * (number // IN_A_ROW)
        if model and number == len(labels):
            svg.line(root, x, y - 4, x + 22, y - 4, "model")
        elif joined:
            svg.line(root, x, y - 4, x + 22, y - 4, f"trace s{number % 4}")
        else:
            svg.marks(root, [(x + 11, y - 4)], f"mark s{number % 4}", number)
        shown = visible(label)
        most = max(8, int((step - 28) / LETTER))
        svg.text(root, x + 28, y, shown if len(shown) <= most else shown[: most - 1] + "…", "tick", "start")


def interval_plot(verdict: Verdict, measured: MeasurementEntry, expected: float | None, name: str) -> Markup | None:
    """Acceptance limits as a bar, the measured value with its 95 % interval over it; None without limits."""
    limits = [limit if math.isfinite(limit) else None for limit in verdict.limits or ()]
    if all(limit is None for limit in limits):
        return None
    value, (low95, high95) = measured.value, measured.interval95
    ends = [end for end in (*limits, value, low95, high95, expected) if end is not None]
    low, high = svg.spread(ends, 0.12)
    width, height = 240.0, 26.0
    across = svg.AxisScale(low=low, high=high, start=4, end=width - 4)
    unit = verdict.unit
    words = (
        f"{visible(verdict.name)}: measured {in_unit(value, unit)}, limits {in_unit(limits[0], unit)} to "
        f"{in_unit(limits[1], unit)}"
    )
    root = svg.drawing(width, height, words, f"Verdict: {verdict.outcome}", name)
    left = across(limits[0]) if limits[0] is not None else 0.0
    right = across(limits[1]) if limits[1] is not None else width
    Tree.SubElement(
        root,
        "rect",
        {"x": f"{left:.1f}", "y": "8", "width": f"{max(0.5, right - left):.1f}", "height": "10", "class": "accept"},
    )
    for limit in limits:
        if limit is not None:
            svg.line(root, across(limit), 5, across(limit), 21, "limit")
    if expected is not None:
        svg.line(root, across(expected), 8, across(expected), 18, "expected")
    kind = "point out" if verdict.outcome.standing is Standing.BAD else "point"
    svg.line(root, across(low95), 13, across(high95), 13, kind)
    svg.marks(root, [(across(value), 13)], kind + " solid", 0)
    return _finished(root)
