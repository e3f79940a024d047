"""Entries of record.json as the results that they were made of (`forms`), whatever stands there; older ones as well.

Null is an infinite number of degrees of freedom, and an open limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from typing import Any, get_args

from harness.nouns.names import LIMITS, Name
from harness.nouns.observation import Column
from harness.nouns.quantity import Contribution, Quantity, Shape
from harness.nouns.results import (
    Curve,
    Expectation,
    Gauge,
    Measurement,
    Outcome,
    Requirement,
    Unmeasured,
    Verdict,
    VerdictKind,
)
from harness.record.entries import GaugeEntry, ObservationEntry
from harness.record.forms import FOLDER, OBSERVATION_FILE, RecordEntry
from harness.record.values import Damage, at, flag, listed, number, read_as, table, text


def quantity_from(entry: RecordEntry, where: str) -> Quantity:
    """The quantity of an entry. Raises Damage, MeasurementError."""
    budget = {}
    for part in map(partial(table, where=where), listed(at(entry, "budget", where), where)):
        source = text(at(part, "source", where), where)
        dof = at(part, "dof", where)
        budget[source] = Contribution(
            u=number(at(part, "u", where), where),
            shape=_shape(at(part, "shape", where), where),
            remedy=text(at(part, "remedy", where), where),
            dof=math.inf if dof is None else number(dof, where),
        )
    value = number(at(entry, "value", where), where)
    return Quantity(value=value, unit=text(at(entry, "unit", where), where), budget=budget)


def measurement_from(entry: RecordEntry) -> Measurement:
    """The measurement of an entry. Raises Damage, MeasurementError."""
    name = name_of(entry, "measurements")
    return Measurement(
        name=name,
        quantity=quantity_from(entry, name),
        observations=read_as(tuple[str, ...], at(entry, "observations", name), name),
        note=text(at(entry, "note", name), name),
    )


def unmeasured_from(entry: RecordEntry) -> Unmeasured:
    """The unmeasured quantity of an entry. Raises Damage."""
    name = name_of(entry, "unmeasured")
    return Unmeasured(name=name, outcome=_outcome(entry, name), reason=text(at(entry, "reason", name), name))


def expectation_from(entry: RecordEntry) -> Expectation:
    """The expectation of an entry. Raises Damage, MeasurementError."""
    name = name_of(entry, "expectations")
    interval = at(entry, "interval", name)
    return Expectation(
        name=name,
        quantity=None if at(entry, "value", name) is None else quantity_from(entry, name),
        interval=None if interval is None else read_as(tuple[float, float], interval, name),
        needs=_needs(entry, name),
        model=text(at(entry, "model", name), name),
        inputs={key: number(value, name) for key, value in table(at(entry, "inputs", name), name).items()},
    )


def _needs(entry: RecordEntry, where: str) -> tuple[str, ...]:
    """What was missing; in records older than the list of it, as they say it."""
    if "lacking" in entry:
        return read_as(tuple[str, ...], entry["lacking"], where)
    words = text(at(entry, "needs", where), where)
    return (words.removeprefix("needs "),) if words else ()


UNASKED_BEFORE = "needs an entry in [detect] of the rig file, which says nothing of it"
"""The reason by which records older than the field `unasked` say it."""


def _requirement(value: Any, name: str) -> Requirement:
    return read_as(Requirement, {**table(value, name), "name": name}, name)


def verdict_from(
    entry: RecordEntry, measurements: Mapping[str, Measurement], expectations: Mapping[str, Expectation]
) -> Verdict:
    """The verdict of an entry, with the measurement and the expectation that it was taken from. Raises Damage."""
    name = name_of(entry, "verdicts")
    measurement, requirement = measurements.get(name), at(entry, "requirement", name)
    limits, reason = at(entry, "limits", name), text(at(entry, "reason", name), name)
    return Verdict(
        name=name,
        outcome=_outcome(entry, name),
        unit=text(at(entry, "unit", name), name),
        measured=None if measurement is None else measurement.quantity,
        expected=expectations.get(name),
        requirement=None if requirement is None else _requirement(requirement, name),
        limits=None if limits is None else _limits(limits, name),
        margin=_optional(entry, "margin", name),
        e_n=_optional(entry, "e_n", name),
        detectable=_optional(entry, "detectable", name),
        must_detect=_optional(entry, "must_detect", name),
        kind=_kind(entry, name),
        unasked=flag(entry.get("unasked", reason == UNASKED_BEFORE), name),
        reason=reason,
        remedies=read_as(tuple[str, ...], entry.get("remedies", []), name),
        note="" if measurement is None else measurement.note,
    )


def gauge_from(entry: RecordEntry | None) -> GaugeEntry | None:
    """The studies of the gauge of an entry. Raises Damage."""
    if entry is None:
        return None
    study = read_as(GaugeEntry, entry, "gauge")
    for gauge in study.quantities:
        check_gauge(gauge)
    return study


def check_gauge(gauge: Gauge) -> None:
    """Raises Damage where nothing can be judged by it."""
    if gauge.grr < 0.0:
        raise Damage(f"gauge: {gauge.name}: expected a standard deviation, found {gauge.grr:g}")


def curve_from(entry: RecordEntry) -> Curve:
    """The curve of an entry. Raises Damage."""
    name = name_of(entry, "curves")
    series = table(at(entry, "series", name), name)
    one = {"": entry["model"]} if entry.get("model") else {}  # of all series, in a record of before each had its own
    models = table(at(entry, "models", name), name) if "models" in entry else one
    return Curve(
        **{
            key: text(at(entry, key, name), name) for key in ("name", "title", "x_label", "x_unit", "y_label", "y_unit")
        },
        series={
            label: tuple(_point(point, 2, name) for point in listed(points, name)) for label, points in series.items()
        },
        joined=flag(at(entry, "joined", name), name),
        begun={},
        models={label: tuple(_point(row, 3, name) for row in listed(rows, name)) for label, rows in models.items()},
    )


def observation_from(entry: RecordEntry) -> ObservationEntry:
    """The description of an observation, and its file. Raises Damage."""
    name = name_of(entry, "observations")
    file = text(at(entry, "file", name), name)
    if not OBSERVATION_FILE.fullmatch(file):
        raise Damage(f"{name}: expected a file {FOLDER}/NAME.npy, found {file[:40]!r}")
    return ObservationEntry(
        name=name,
        file=file,
        columns=read_as(tuple[Column, ...], at(entry, "columns", name), name),
        conditions=table(at(entry, "conditions", name), name),
    )


def outcome_from(entry: RecordEntry) -> tuple[str, Outcome]:
    """Quantity and word of a verdict's entry. Raises Damage."""
    name = name_of(entry, "verdicts")
    return name, _outcome(entry, name)


def name_of(entry: RecordEntry, where: str) -> str:
    """The name of an entry. Raises Damage."""
    return text(at(entry, "name", where), where)


def _outcome(entry: RecordEntry, where: str) -> Outcome:
    word = text(at(entry, "outcome", where), where)
    try:
        return Outcome(word)
    except ValueError as error:
        raise Damage(f"{where}: expected a word of a verdict, found {word!r}") from error


def _kind(entry: RecordEntry, name: str) -> VerdictKind:
    """Quantity or stop; of records older than the field `kind` the name says it."""
    if "kind" not in entry:
        return VerdictKind.STOP if Name(name).quantity == LIMITS else VerdictKind.QUANTITY
    try:
        return VerdictKind(entry["kind"])
    except ValueError as error:
        raise Damage(f"{name}: expected a kind of verdict, found {entry['kind']!r}") from error


def _limits(value: Any, where: str) -> tuple[float, float]:
    """Acceptance limits; null is an open one."""
    low, high = read_as(tuple[float | None, float | None], value, where)
    return -math.inf if low is None else low, math.inf if high is None else high


def _optional(entry: RecordEntry, key: str, where: str) -> float | None:
    value = at(entry, key, where)
    return None if value is None else number(value, where)


def _point(value: Any, size: int, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list) or len(value) != size:
        raise Damage(f"{where}: expected points of {size} numbers, found {str(value)[:40]}")
    return tuple([number(part, where) for part in value])


SHAPES = get_args(Shape)


def _shape(value: Any, where: str) -> Shape:
    if value not in SHAPES:
        raise Damage(f"{where}: expected one of the shapes {', '.join(SHAPES)}, found {value!r}")
    shape: Shape = value
    return shape
