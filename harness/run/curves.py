"""Measured curves with the model over the same x, for the report. Decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from types import ModuleType

from harness.base.errors import MeasurementError
from harness.nouns.contract import Declared
from harness.nouns.observation import Observation
from harness.nouns.results import Curve
from harness.rigfile import RigSpec
from harness.run.expectation import MODELS


def curves(
    measure: ModuleType, check: str, observations: Sequence[Observation], spec: RigSpec, declared: Declared, motor: str
) -> list[Curve]:
    """The curves of a check on a motor; one that cannot be had costs only its picture.

    `measure` is the module that took the observations. A curve that brings no model of its own is given the model's.
    """
    if not observations or not hasattr(measure, "curves"):
        return []
    try:
        measured: list[Curve] = list(measure.curves(observations, spec, motor))
    except MeasurementError:
        return []
    overlay = getattr(import_module(MODELS[check]), "overlay", None)
    drawn: list[Curve] = []
    for curve in measured:
        x = sorted({point[0] for points in curve.series.values() for point in points})
        rows = overlay(curve.name, x, spec, declared, motor) if overlay and not curve.model else None
        model = tuple((at, value, u) for at, (value, u) in zip(x, rows, strict=True)) if rows else curve.model
        drawn.append(replace(curve, model=model))
    return drawn
