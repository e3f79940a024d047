"""Results as JSON: the forms that entries of record.json take; `results` reads them again.

JSON has no NaN and no infinity, so neither is ever written: an infinite number of degrees of freedom is null,
and so is an open limit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from harness.nouns.coverage import interval
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Expectation, Measurement, Unmeasured, Verdict, needed

RecordEntry = Mapping[str, Any]
FOLDER = "observations"
OBSERVATION_FILE = re.compile(rf"{FOLDER}/[a-z0-9_]+(\.[a-z0-9_]+)*\.npy")
"""What the file of an observation is called, from the record's folder. No other name is read or written: a record may
be a stranger's."""


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
        "models": {label: [list(row) for row in rows] for label, rows in curve.models.items()},
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
