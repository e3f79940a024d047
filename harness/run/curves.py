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


def curves(
    check: Check[Any], observations: Sequence[Observation], spec: RigSpec, declared: Declared, motor: str
) -> list[Curve]:
    """The curves of a check on a motor; one that cannot be had costs only its picture.

    A curve that brings no model of its own is given the model's.
    """
    if not observations:
        return []
    try:
        measured = check.curves(observations, spec, motor)
    except MeasurementError:
        return []
    return [_with_model(curve, check, spec, declared, motor) for curve in measured]


def _with_model(curve: Curve, check: Check[Any], spec: RigSpec, declared: Declared, motor: str) -> Curve:
    if check.overlay is None or curve.model:
        return curve
    x = sorted({point[0] for points in curve.series.values() for point in points})
    rows = check.overlay(curve.name, x, spec, declared, motor)
    if not rows:
        return curve
    return replace(curve, model=tuple((at, value, u) for at, (value, u) in zip(x, rows, strict=True)))
