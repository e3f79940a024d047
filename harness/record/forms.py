"""Results as JSON and back: the forms that entries of record.json take, schema 1.

JSON has no NaN and no infinity, so neither is ever written: an infinite number of degrees of freedom is null,
and so is an open limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from enum import Enum
from pathlib import Path
from typing import Any, get_args

from harness.base.errors import MeasurementError, RecordError
from harness.base.words import visible
from harness.nouns.coverage import interval
from harness.nouns.names import LIMITS, Name
from harness.nouns.quantity import Contribution, Quantity, Shape
from harness.nouns.results import (
    Curve,
    Expectation,
    Gauge,
    Measurement,
    Outcome,
    Unmeasured,
    Verdict,
    VerdictKind,
    needed,
)

Entry = dict[str, Any]


def clean(value: Any) -> Any:
    """Any value as JSON takes it: numpy scalars as Python's, NaN and infinities as null, tuples as lists."""
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): clean(entry) for key, entry in value.items()}
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


def budget_entries(quantity: Quantity) -> list[Entry]:
    """A budget, largest contribution first."""
    ordered = sorted(quantity.budget.items(), key=lambda item: (-abs(item[1].u), item[0]))
    return [
        {"source": source, "u": part.u, "shape": part.shape, "dof": finite(part.dof), "remedy": part.remedy}
        for source, part in ordered
    ]


def finite(value: float | None) -> float | None:
    """The number, None where it is absent or infinite."""
    return value if value is not None and math.isfinite(value) else None


def quantity_entry(quantity: Quantity) -> Entry:
    """Value, unit, standard uncertainty, effective degrees of freedom, budget."""
    return {
        "value": quantity.value,
        "unit": quantity.unit,
        "u": quantity.u,
        "dof": finite(quantity.dof),
        "budget": budget_entries(quantity),
    }


def measurement_entry(measurement: Measurement) -> Entry:
    """A measurement with its 95 % interval."""
    return {
        "name": measurement.name,
        **quantity_entry(measurement.quantity),
        "interval95": list(interval(measurement.quantity)),
        "observations": list(measurement.observations),
        "note": measurement.note,
    }


def unmeasured_entry(unmeasured: Unmeasured) -> Entry:
    """A planned quantity without a number."""
    return {"name": unmeasured.name, "outcome": unmeasured.outcome.value, "reason": unmeasured.reason}


def expectation_entry(expectation: Expectation) -> Entry:
    """An expectation; `value` is null where the rig file is silent."""
    empty: Entry = {"value": None, "unit": "", "u": None, "dof": None, "budget": []}
    return {
        "name": expectation.name,
        **(empty if expectation.quantity is None else quantity_entry(expectation.quantity)),
        "interval": None if expectation.interval is None else list(expectation.interval),
        "needs": needed(expectation.needs),
        "lacking": list(expectation.needs),
        "model": expectation.model,
        "inputs": dict(expectation.inputs),
    }


def verdict_entry(verdict: Verdict) -> Entry:
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


UNASKED_BEFORE = "needs an entry in [detect] of the rig file, which says nothing of it"
"""The reason by which records older than the field `unasked` say it."""


def is_stop(verdict: Mapping[str, Any]) -> bool:
    """Whether a verdict's entry is of a stop; in records older than the field `kind` its name says it."""
    if "kind" in verdict:
        return bool(verdict["kind"] == VerdictKind.STOP)
    return Name(verdict["name"]).quantity == LIMITS


def is_unasked(verdict: Mapping[str, Any]) -> bool:
    """Whether a verdict's entry was not judged because the rig file asks nothing of its quantity."""
    return bool(verdict["unasked"] if "unasked" in verdict else verdict.get("reason") == UNASKED_BEFORE)


def remedies_of(verdict: Mapping[str, Any]) -> tuple[str, ...]:
    """What would help where a verdict's entry is open; where it names nothing, its reason says what there is to say."""
    return tuple(map(str, verdict.get("remedies") or (verdict.get("reason") or "no reason given",)))


def gauges_from(content: Mapping[str, Any] | None) -> dict[str, Gauge]:
    """What the studies that a record names found, by full name; {} where there are none. Raises RecordError."""
    if content is None:
        return {}
    try:
        return {
            _text(entry["name"]): Gauge(
                name=entry["name"],
                grr=_finite(entry["grr"], 0.0),
                mean=_finite(entry["mean"]),
                largest=_text(entry["largest"]),
                study=int(_finite(entry["study"])),
                made=_text(entry["made_utc"])[:10],
            )
            for entry in content["quantities"]
        }
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RecordError(f"record: damaged study of the gauge: {error}") from error


def curve_entry(curve: Curve) -> Entry:
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


def quantity_from(entry: Mapping[str, Any]) -> Quantity:
    """The quantity of an entry. Raises RecordError where the entry is none."""
    try:
        budget = {
            _text(part["source"]): Contribution(
                u=_number(part["u"]),
                shape=_shape(part["shape"]),
                remedy=_text(part["remedy"]),
                dof=math.inf if part["dof"] is None else _number(part["dof"]),
            )
            for part in entry["budget"]
        }
        return Quantity(value=_number(entry["value"]), unit=_text(entry["unit"]), budget=budget)
    except (KeyError, TypeError, MeasurementError) as error:
        name = visible(str(entry.get("name", "an entry")))
        raise RecordError(f"record: {name}: expected value, unit and budget: {error}") from error


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"expected a number, found {type(value).__name__}")
    return value


def _finite(value: Any, low: float = -math.inf) -> float:
    found = _number(value)
    if not math.isfinite(found) or found < low:
        raise ValueError(f"expected a finite number{f' from {low:g}' if math.isfinite(low) else ''}, found {found}")
    return found


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"expected text, found {type(value).__name__}")
    return value


def _shape(value: Any) -> Shape:
    if value not in get_args(Shape):
        raise TypeError(f"expected one of the shapes {', '.join(get_args(Shape))}")
    return value  # type: ignore[no-any-return]


def measurement_from(entry: Mapping[str, Any]) -> Measurement:
    """The measurement of an entry. Raises RecordError, KeyError or TypeError where it is none."""
    return Measurement(
        name=_text(entry["name"]),
        quantity=quantity_from(entry),
        observations=tuple(entry["observations"]),
        note=_text(entry["note"]),
    )


def unmeasured_from(entry: Mapping[str, Any]) -> Unmeasured:
    """The unmeasured quantity of an entry. Raises KeyError, TypeError or ValueError where it is none."""
    return Unmeasured(name=_text(entry["name"]), outcome=Outcome(entry["outcome"]), reason=_text(entry["reason"]))


def _needs_from(entry: Mapping[str, Any]) -> tuple[str, ...]:
    """What was missing; in records older than the list of it, as they say it."""
    if "lacking" in entry:
        return tuple(map(_text, entry["lacking"]))
    return (_text(entry["needs"]).removeprefix("needs "),) if entry["needs"] else ()


def expectation_from(entry: Mapping[str, Any]) -> Expectation:
    """The expectation of an entry."""
    interval = entry["interval"]
    return Expectation(
        name=entry["name"],
        quantity=None if entry["value"] is None else quantity_from(entry),
        interval=None if interval is None else (interval[0], interval[1]),
        needs=_needs_from(entry),
        model=entry["model"],
        inputs=entry["inputs"],
    )
