"""One quantity over its firmware versions as a drawing: a column a version, in it the band, the mean and the runs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote
from xml.etree import ElementTree as Tree

from markupsafe import Markup

from harness.base.words import visible
from harness.history.runs import Key, QuantityHistory, RigHistory
from harness.nouns.coverage import student_quantile
from harness.nouns.results import Outcome
from harness.nouns.standing import Standing, standing_of, worst
from harness.report import svg
from harness.report.marks import MARKS
from harness.report.numbers import in_unit, prefix_for
from harness.store.histories import ReleaseLevel, RunEntry

WIDTH, HEIGHT = 480.0, 236.0
LEFT, RIGHT, TOP, BOTTOM = 70.0, 10.0, 28.0, 46.0
LEAST = 5
"""Runs from which on a version has a band: with fewer it says more of Student's quantile than of the runs."""
FAR = 6.0
"""Limits that would shrink what was measured to less than this part of the plot are told in words (arbitrary)."""
ROUNDING = 1e-9
"""Differences below this part of a value are those of adding up (arbitrary; no instrument tells them)."""
LETTER, GAP = 8.1, 8.0
"""Room for a letter of a version's name, as on a phone, and between two names."""
APART = 12
"""Versions up to which a line stands between two (arbitrary: more lines than that are all one sees)."""
ROOM = 0.08
"""Part of a column's width that stays free on either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionColumn:
    """Where a firmware version stands."""

    left: float
    right: float
    label: str

    @property
    def centre(self) -> float:
        """Its middle."""
        return (self.left + self.right) / 2

    @property
    def inside(self) -> tuple[float, float]:
        """Where something may be drawn in it."""
        room = ROOM * (self.right - self.left)
        return self.left + room, self.right - room


def band_of(level: ReleaseLevel) -> tuple[float, float] | None:
    """Where a further run of a version would lie 95 times in 100, from how its runs scatter; None with too few.

    mean +- t s sqrt(1 + 1/n), t the Student quantile for n - 1 degrees of freedom: the prediction interval of a
    normal value (G. J. Hahn, J. Quality Technology 1 (1969) 168 (from memory)).
    """
    if level.runs < LEAST:
        return None
    half = student_quantile(0.975, level.runs - 1.0) * level.s * math.sqrt(1.0 + 1.0 / level.runs)
    return level.mean - half, level.mean + half


def columns_of(rig: RigHistory) -> dict[Key, VersionColumn]:
    """Versions from left to right; those with many drawn runs are wider."""
    drawn = Counter(_keys(rig).values())
    widths = {release.key: math.sqrt(1.0 + drawn[release.key]) for release in rig.releases}
    scale = (WIDTH - LEFT - RIGHT) / sum(widths.values())
    columns: dict[Key, VersionColumn] = {}
    left = LEFT
    for release in rig.releases:
        right = left + scale * widths[release.key]
        label = visible(release.firmware_version or "not stated")
        columns[release.key] = VersionColumn(left=left, right=right, label=label)
        left = right
    return columns


def plot(
    rig: RigHistory,
    quantity: QuantityHistory,
    columns: Mapping[Key, VersionColumn],
    links: Mapping[int, str],
    name: str,
) -> Markup:
    """The drawing; `links` says where a run's page or row is, `name` makes its ids unique on the page."""
    factor, unit = prefix_for(_size(quantity), quantity.unit)
    low, high, far = _range(quantity)
    up = svg.AxisScale(low=low / factor, high=high / factor, start=HEIGHT - BOTTOM, end=TOP)
    across = svg.AxisScale(low=0.0, high=1.0, start=LEFT, end=WIDTH - RIGHT)
    described = (
        f"{visible(quantity.name)} over {len(quantity.levels)} firmware versions; the table below has the numbers."
    )
    root = svg.drawing(WIDTH, HEIGHT, visible(quantity.name), described, name)
    if not far:
        _limits(root, quantity, up, factor)
    svg.upright(root, across, up, unit)
    _versions(root, list(columns.values()), up)
    places = _keys(rig)
    drawn = Counter(places[entry.run_id] for entry in quantity.entries if entry.value is not None)
    for key, level in quantity.levels.items():
        if key in columns:
            _level(root, level, columns[key], up, factor, reach=drawn[key] < level.runs)
    if quantity.reference is not None:
        y = up(quantity.reference.mean / factor)
        svg.line(root, LEFT, y, WIDTH - RIGHT, y, "base")
    _runs(root, places, quantity, columns, up, factor, links)
    return svg.markup(root)


def limits_are_far(quantity: QuantityHistory) -> bool:
    """Whether the limits lie so far out that the drawing leaves them to the words beside it."""
    return _range(quantity)[2]


def standing(entry: RunEntry) -> Standing:
    """What a run's verdicts say of a quantity."""
    return worst(standing_of(Outcome, word) for word in (entry.outcome, entry.conformity) if word)


def _keys(rig: RigHistory) -> dict[int, Key]:
    """Firmware versions of the drawn runs."""
    return {run.id: (run.rig, run.firmware_name, run.firmware_version) for run in rig.drawn}


def _size(quantity: QuantityHistory) -> float:
    return max((max(abs(level.low), abs(level.high)) for level in quantity.levels.values()), default=0.0)


def _measured(quantity: QuantityHistory) -> list[float]:
    values = [end for level in quantity.levels.values() for end in (level.low, level.high)]
    values += [end for level in quantity.levels.values() for end in band_of(level) or ()]
    values += [entry.value for entry in quantity.entries if entry.value is not None]
    return values + ([quantity.reference.mean] if quantity.reference else [])


def _range(quantity: QuantityHistory) -> tuple[float, float, bool]:
    """Lowest and highest of the drawing, and whether limits are too far out for it."""
    measured = _measured(quantity)
    limits = quantity.limits
    ends = [end for pair in ((limits.model, limits.required) if limits else ()) for end in pair if end is not None]
    size = max(map(abs, measured))
    if max(measured) - min(measured) <= ROUNDING * size:
        measured = measured[-1:]  # the rest is rounding, and no axis has numbers for it
    span = max(measured) - min(measured) or size * 0.02 or 1.0
    far = bool(ends) and max(*measured, *ends) - min(*measured, *ends) > FAR * span
    low, high = svg.spread(measured if far else [*measured, *ends], 0.08)
    return low, high, far


def _limits(root: Tree.Element, quantity: QuantityHistory, up: svg.AxisScale, factor: float) -> None:
    if quantity.limits is None:
        return
    low, high = quantity.limits.model
    if low is not None or high is not None:
        bottom = up.start if low is None else up(low / factor)
        top = up.end if high is None else up(high / factor)
        place = {"x": f"{LEFT:g}", "y": f"{top:.1f}", "width": f"{WIDTH - LEFT - RIGHT:g}"}
        Tree.SubElement(root, "rect", {**place, "height": f"{max(bottom - top, 0.5):.1f}", "class": "accept"})
    for end in quantity.limits.required:
        if end is not None:
            svg.line(root, LEFT, up(end / factor), WIDTH - RIGHT, up(end / factor), "required")


def _versions(root: Tree.Element, columns: Sequence[VersionColumn], up: svg.AxisScale) -> None:
    """Names under the columns, as many as have room, the newest first; a line between columns."""
    for column in columns[1:] if len(columns) <= APART else ():
        svg.line(root, column.left, up.start, column.left, up.end, "between")
    free = WIDTH
    for column in reversed(columns):
        most = max(6, int((column.right - column.left) / LETTER))
        shown = column.label if len(column.label) <= most else column.label[: most - 1] + "…"
        half = (LETTER * len(shown) + GAP) / 2
        centre = min(max(column.centre, LEFT - 20 + half), WIDTH - half)
        if centre + half <= free + 1:
            svg.text(root, centre, up.start + 18, shown, "tick")
            free = centre - half
    svg.text(root, (LEFT + WIDTH - RIGHT) / 2, up.start + 38, "firmware version", "label")


def _level(
    root: Tree.Element, level: ReleaseLevel, column: VersionColumn, up: svg.AxisScale, factor: float, *, reach: bool
) -> None:
    left, right = column.inside
    if (band := band_of(level)) is not None:
        top, bottom = up(band[1] / factor), up(band[0] / factor)
        place = {"x": f"{left:.1f}", "y": f"{top:.1f}", "width": f"{right - left:.1f}"}
        Tree.SubElement(root, "rect", {**place, "height": f"{max(bottom - top, 0.5):.1f}", "class": "band"})
    if reach:
        svg.line(root, column.centre, up(level.low / factor), column.centre, up(level.high / factor), "reach")
    svg.line(root, left, up(level.mean / factor), right, up(level.mean / factor), "mean")


def _runs(
    root: Tree.Element,
    keys: Mapping[int, Key],
    quantity: QuantityHistory,
    columns: Mapping[Key, VersionColumn],
    up: svg.AxisScale,
    factor: float,
    links: Mapping[int, str],
) -> None:
    """A mark a run, in the order of their starts. Each leads to the run; by keyboard the table of runs does."""
    inside: dict[Key, list[RunEntry]] = {}
    for entry in quantity.entries:
        if entry.value is not None and keys[entry.run_id] in columns:
            inside.setdefault(keys[entry.run_id], []).append(entry)
    anchor = f"#q-{quote(quantity.name.replace('.', '-'))}"
    for key, entries in inside.items():
        left, right = columns[key].inside
        step = (right - left) / (len(entries) + 1)
        for place, entry in enumerate(entries, 1):
            if entry.value is None:
                continue
            link = links[entry.run_id]
            to = {"href": link if "#" in link else link + anchor, "tabindex": "-1"}
            mark = Tree.SubElement(root, "a", to)
            words = ", ".join(word for word in (entry.outcome, entry.conformity) if word)
            shown = f"run {entry.run_id}: {in_unit(entry.value, entry.unit)}{f', {words}' if words else ''}"
            Tree.SubElement(mark, "title").text = visible(shown)
            drawn = MARKS[standing(entry)]
            where = (left + place * step, up(entry.value / factor))
            svg.marks(mark, [where], f"run {drawn.plotted}", drawn.point)
