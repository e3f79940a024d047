"""Measured curves with the model over the same x, for the report. Decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from harness.base.errors import MeasurementError
from harness.checks.definition import Check
from harness.nouns.contract import Declared
from harness.nouns.observation import Observation
from harness.nouns.results import Curve
from harness.rigfile import RigSpec

POINTS = 250
"""Of a model's line, at most: half a plot's width in drawing units (arbitrary)."""


def curves(
    check: Check[Any], observations: Sequence[Observation], spec: RigSpec, declared: Declared, motor: str
) -> list[Curve]:
    """The curves of a check on a motor; one that cannot be had costs only its picture.

    A curve that brings no models of its own is given the check's, one for each series.
    """
    if not observations:
        return []
    try:
        measured = check.curves(observations, spec, motor)
    except MeasurementError:
        return []
    return [_with_models(curve, check, spec, declared, motor) for curve in measured]


def _with_models(curve: Curve, check: Check[Any], spec: RigSpec, declared: Declared, motor: str) -> Curve:
    if check.overlay is None or curve.models:
        return curve
    models = {}
    for label, points in curve.series.items():
        x = _thinned(sorted({point[0] for point in points}))
        try:
            rows = check.overlay(curve.name, x, curve.begun.get(label, {}), spec, declared, motor)
        except MeasurementError:
            continue  # tolerances that reach a shaft which cannot be: the model says so where it is asked for a number
        if rows:
            models[label] = tuple((at, value, u) for at, (value, u) in zip(x, rows, strict=True))
    return replace(curve, models=models)


def _thinned(x: list[float]) -> list[float]:
    """At most POINTS of them, both ends among them."""
    if len(x) <= POINTS:
        return x
    return [x[round(number * (len(x) - 1) / (POINTS - 1))] for number in range(POINTS)]
