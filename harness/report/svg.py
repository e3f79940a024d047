"""A small SVG writer for the report's plots: axes, lines, bands, points, interval bars.

Colours are CSS variables of the page, so that one drawing serves light, dark and print; what a colour says
is also said by a dash pattern, a mark's shape or a label. Elements are built as a tree, so that outside text
is escaped by the serialiser.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as Tree

from markupsafe import Markup

from harness.base.words import visible
from harness.report.numbers import plain, signed

Points = Sequence[tuple[float, float]]


def ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round numbers (1, 2, 5 times a power of ten) that cover low to high, ends included where they fall."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def tick_label(value: float, step: float) -> str:
    """A tick's number with just the decimals its axis needs, so that all labels of an axis look alike."""
    if value and not 1e-4 <= abs(step) < 1e6:
        return plain(value, 3)
    return signed(value, max(0, -math.floor(math.log10(abs(step)) + 1e-9)))


def decimate(points: Points, most: int = 1200) -> list[tuple[float, float]]:
    """Thin a long trace, keeping the smallest and largest of each stretch, in order, so that no spike is lost."""
    if len(points) <= most:
        return list(points)
    kept: list[tuple[float, float]] = []
    stretch = len(points) / (most / 2)
    for index in range(most // 2):
        part = points[int(index * stretch) : int((index + 1) * stretch)]
        if part:
            ends = {part.index(min(part, key=lambda p: p[1])), part.index(max(part, key=lambda p: p[1]))}
            kept.extend(part[place] for place in sorted(ends))
    return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisScale:
    """Data to drawing units along one axis."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        span = self.high - self.low
        return self.start + (self.end - self.start) * ((value - self.low) / span if span else 0.5)


def spread(values: Sequence[float], room: float = 0.05) -> tuple[float, float]:
    """Smallest to largest with some room; a single value gets a span of its own size."""
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    margin = (high - low) * room or abs(high) * 0.1 or 1.0
    return low - margin, high + margin


def drawing(width: float, height: float, title: str, description: str, name: str) -> Tree.Element:
    """An empty drawing that a screen reader can name; `name` makes the ids unique on the page."""
    root = Tree.Element(
        "svg",
        {
            "viewBox": f"0 0 {width:g} {height:g}",
            "role": "img",
            "aria-labelledby": f"{name}-t {name}-d",
            "xmlns": "http://www.w3.org/2000/svg",
        },
    )
    Tree.SubElement(root, "title", {"id": f"{name}-t"}).text = title
    Tree.SubElement(root, "desc", {"id": f"{name}-d"}).text = description
    return root


def markup(root: Tree.Element) -> Markup:
    """A drawing as a page takes it: whatever words it was given are visible, and escaped by the serialiser."""
    for part in root.iter():
        if part.text is not None:
            part.text = visible(part.text)
        if not "".join(part.attrib.values()).isprintable():
            part.attrib.update({key: visible(words) for key, words in part.attrib.items()})
    return Markup(Tree.tostring(root, encoding="unicode"))


def line(parent: Tree.Element, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
    """A straight line; `kind` is its CSS class."""
    ends = {"x1": f"{x1:.1f}", "y1": f"{y1:.1f}", "x2": f"{x2:.1f}", "y2": f"{y2:.1f}", "class": kind}
    Tree.SubElement(parent, "line", ends)


def text(parent: Tree.Element, x: float, y: float, words: str, kind: str, anchor: str = "middle") -> None:
    """A label, upright."""
    place = {"x": f"{x:.1f}", "y": f"{y:.1f}", "class": kind, "text-anchor": anchor}
    Tree.SubElement(parent, "text", place).text = words


def path(parent: Tree.Element, points: Points, kind: str, closed: bool = False) -> None:
    """A polyline through points already in drawing units."""
    steps = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    if steps:
        Tree.SubElement(parent, "path", {"d": f"M{steps}{'Z' if closed else ''}", "class": kind})


def marks(parent: Tree.Element, points: Points, kind: str, shape: int) -> None:
    """Points as small marks: circle, square, triangle, cross by turns, one path for all of them."""
    pieces = {
        0: "m-2.2 0a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0 -4.4 0",
        1: "m-2 -2h4v4h-4z",
        2: "m0 -2.8l2.6 4.6h-5.2z",
        3: "m-2.2 -2.2l4.4 4.4m0 -4.4l-4.4 4.4",
    }
    drawn = "".join(f"M{x:.1f} {y:.1f}{pieces[shape % 4]}" for x, y in points)
    if drawn:
        Tree.SubElement(parent, "path", {"d": drawn, "class": kind})


def axes(parent: Tree.Element, across: AxisScale, up: AxisScale, x_label: str, y_label: str) -> None:
    """Grid, tick labels and axis titles for a plot area."""
    steps = ticks(across.low, across.high)
    gap = steps[1] - steps[0] if len(steps) > 1 else 1.0
    for value in steps:
        x = across(value)
        line(parent, x, up.start, x, up.end, "grid")
        text(parent, x, up.start + 16, tick_label(value, gap), "tick")
    text(parent, (across.start + across.end) / 2, up.start + 34, x_label, "label")
    upright(parent, across, up, y_label)


def upright(parent: Tree.Element, across: AxisScale, up: AxisScale, y_label: str) -> None:
    """Grid, tick labels and title of the upright axis, and the two lines of the axes."""
    steps = ticks(up.low, up.high, 5)
    gap = steps[1] - steps[0] if len(steps) > 1 else 1.0
    for value in steps:
        y = up(value)
        line(parent, across.start, y, across.end, y, "grid")
        text(parent, across.start - 7, y + 4, tick_label(value, gap), "tick", "end")
    line(parent, across.start, up.start, across.end, up.start, "axis")
    line(parent, across.start, up.start, across.start, up.end, "axis")
    text(parent, across.start, up.end - 8, y_label, "label", "start")
