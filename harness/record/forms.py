"""Results as JSON and back: the forms that entries of record.json take.

JSON has no NaN and no infinity, so neither is ever written: an infinite number of degrees of freedom is null,
and so is an open limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Any, get_args

from harness.nouns.coverage import interval
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
    needed,
)
from harness.record.entries import GaugeEntry, ObservationEntry
from harness.record.values import Damage, at, flag, listed, number, read_as, table, text

RecordEntry = Mapping[str, Any]


def clean(value: Any) -> Any:
    """Any value as JSON takes it: numpy scalars as Python's, NaN and infinities as null, tuples as lists.

    A frozen dataclass becomes an object that `read_as` makes it of again.
    """
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): clean(entry) for key, entry in value.items()}
    if is_dataclass(value):
        return {
            field.name.rstrip("_"): clean(getattr(value, field.name))
            for field in fields(value)
            if field.default is not None or getattr(value, field.name) is not None
        }
    if isinstance(value, Path):
        return value.as_posix()
    if isinstance(value, bytes):
        return value.hex()
    for method in ("item", "tolist"):  # numpy scalars and arrays, without importing numpy
        if hasattr(value, method) and (method == "tolist" or getattr(value, "shape", None) == ()):
            return clean(getattr(value, method)())
    if isinstance(value, Sequence | set | frozenset):
        return [clean(entry) for entry in value]
    raise TypeError(f"a record holds JSON values only, found {type(value).__name__}")


def budget_entries(quantity: Quantity) -> list[RecordEntry]:
    """A budget, largest contribution first."""
    ordered = sorted(quantity.budget.items(), key=lambda item: (-abs(item[1].u), item[0]))
    return [
        {"source": source, "u": part.u, "shape": part.shape, "dof": finite(part.dof), "remedy": part.remedy}
        for source, part in ordered
    ]


def finite(value: float | None) -> float | None:
    """The number, None where it is absent or infinite."""
    return value if value is not None and math.isfinite(value) else None


def quantity_entry(quantity: Quantity) -> RecordEntry:
    """Value, unit, standard uncertainty, effective degrees of freedom, budget."""
    return {
        "value": quantity.value,
        "unit": quantity.unit,
        "u": quantity.u,
        "dof": finite(quantity.dof),
        "budget": budget_entries(quantity),
    }


def measurement_entry(measurement: Measurement) -> RecordEntry:
    """A measurement with its 95 % interval."""
    return {
        "name": measurement.name,
        **quantity_entry(measurement.quantity),
        "interval95": list(interval(measurement.quantity)),
        "observations": list(measurement.observations),
        "note": measurement.note,
    }


def unmeasured_entry(unmeasured: Unmeasured) -> RecordEntry:
    """A planned quantity without a number."""
    return {"name": unmeasured.name, "outcome": unmeasured.outcome.value, "reason": unmeasured.reason}


def expectation_entry(expectation: Expectation) -> RecordEntry:
    """An expectation; `value` is null where the rig file is silent."""
    empty: RecordEntry = {"value": None, "unit": "", "u": None, "dof": None, "budget": []}
    return {
        "name": expectation.name,
        **(empty if expectation.quantity is None else quantity_entry(expectation.quantity)),
        "interval": None if expectation.interval is None else list(expectation.interval),
        "needs": needed(expectation.needs),
        "lacking": list(expectation.needs),
        "model": expectation.model,
        "inputs": dict(expectation.inputs),
    }


def verdict_entry(verdict: Verdict) -> RecordEntry:
    """A verdict; the measurement and expectation it was taken from stand in their own lists."""
    requirement = verdict.requirement
    return {
        "name": verdict.name,
        "outcome": verdict.outcome.value,
        "unit": verdict.unit,
        "limits": None if verdict.limits is None else [finite(limit) for limit in verdict.limits],
        "margin": finite(verdict.margin),
        "e_n": finite(verdict.e_n),
        "detectable": finite(verdict.detectable),
        "must_detect": finite(verdict.must_detect),
        "kind": verdict.kind.value,
        "unasked": verdict.unasked,
        "reason": verdict.reason,
        "remedies": list(verdict.remedies),
        "requirement": None if requirement is None else {"low": requirement.low, "high": requirement.high},
    }


def curve_entry(curve: Curve) -> RecordEntry:
    """A measured curve and the model over it."""
    return {
        "name": curve.name,
        "title": curve.title,
        "x_label": curve.x_label,
        "x_unit": curve.x_unit,
        "y_label": curve.y_label,
        "y_unit": curve.y_unit,
        "joined": curve.joined,
        "series": {label: [list(point) for point in points] for label, points in curve.series.items()},
        "model": [list(row) for row in curve.model],
    }


def result_entries(
    *,
    results: Iterable[Measurement | Unmeasured] = (),
    expectations: Iterable[Expectation] = (),
    verdicts: Iterable[Verdict] = (),
    curves: Iterable[Curve] = (),
) -> dict[str, list[RecordEntry]]:
    """All that comes of observations, by the names of its lists in record.json."""
    measured, unmeasured = [], []
    for result in results:
        if isinstance(result, Measurement):
            measured.append(measurement_entry(result))
        else:
            unmeasured.append(unmeasured_entry(result))
    return {
        "measurements": measured,
        "unmeasured": unmeasured,
        "expectations": [expectation_entry(expectation) for expectation in expectations],
        "verdicts": [verdict_entry(verdict) for verdict in verdicts],
        "curves": [curve_entry(curve) for curve in curves],
    }


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
        requirement=None if requirement is None else read_as(Requirement, {**requirement, "name": name}, name),
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
    found = read_as(GaugeEntry, entry, "gauge")
    for gauge in found.quantities:
        check_gauge(gauge)
    return found


def check_gauge(gauge: Gauge) -> None:
    """Raises Damage where nothing can be judged by it."""
    if gauge.grr < 0.0:
        raise Damage(f"gauge: {gauge.name}: expected a standard deviation, found {gauge.grr:g}")


def curve_from(entry: RecordEntry) -> Curve:
    """The curve of an entry. Raises Damage."""
    name = name_of(entry, "curves")
    series = table(at(entry, "series", name), name)
    return Curve(
        **{
            key: text(at(entry, key, name), name) for key in ("name", "title", "x_label", "x_unit", "y_label", "y_unit")
        },
        series={
            label: tuple(_point(point, 2, name) for point in listed(points, name)) for label, points in series.items()
        },
        joined=flag(at(entry, "joined", name), name),
        model=tuple(_point(point, 3, name) for point in listed(at(entry, "model", name), name)),
    )


def observation_from(entry: RecordEntry) -> ObservationEntry:
    """The description of an observation, and its file. Raises Damage."""
    name = name_of(entry, "observations")
    return ObservationEntry(
        name=name,
        file=text(at(entry, "file", name), name),
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
    found: Shape = value
    return found
