"""Measured curves with their models: each series its own, from how it began."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.base.errors import MeasurementError
from harness.nouns.results import Curve
from harness.run.curves import POINTS, curves
from tests.software.run.fakes import FakeChecks

LONG = tuple((0.01 * k, 1.0) for k in range(1000))


def curve(**changes: Any) -> Curve:
    words = {"name": "leaf.fake.way", "title": "", "x_label": "", "x_unit": "s", "y_label": "", "y_unit": "rad"}
    begun = {"up": {"way": 1.0}, "down": {"way": -1.0}}
    return Curve(**{**words, "series": {"up": LONG, "down": LONG[:5], "odd": LONG[:3]}, "begun": begun, **changes})


def drawn(overlay: Any, made: Any) -> list[Curve]:
    check = replace(FakeChecks().check_named("step"), overlay=overlay, curves=made)
    nothing: Any = None  # neither rig file nor declaration plays a part here
    return curves(check, [nothing], nothing, nothing, "leaf")


def by_way(name: str, x: list[float], begun: dict[str, float], *_: object) -> list[tuple[float, float]] | None:
    return [(begun["way"] * at, 0.1) for at in x] if begun else None


def test_each_series_has_the_model_of_how_it_began() -> None:
    (found,) = drawn(by_way, lambda *_: [curve()])
    assert set(found.models) == {"up", "down"}, "of one that nothing is known of no model is drawn"
    assert found.models["down"] == tuple((0.01 * k, -0.01 * k, 0.1) for k in range(5))
    up = found.models["up"]
    assert len(up) == POINTS
    assert (up[0][0], up[-1][0]) == (0.0, LONG[-1][0])
    assert list(up) == sorted(set(up))


def test_a_curve_that_brings_its_models_keeps_them_and_one_without_a_model_has_none() -> None:
    own = {"up": ((0.0, 1.0, 0.1),)}
    assert drawn(by_way, lambda *_: [curve(models=own)])[0].models == own
    assert drawn(None, lambda *_: [curve()])[0].models == {}


def test_what_cannot_be_drawn_costs_only_its_picture() -> None:
    def refused(*_: object) -> list[Curve]:
        raise MeasurementError("no sweep")

    assert drawn(by_way, refused) == []

    def impossible(
        name: str, x: list[float], begun: dict[str, float], *more: object
    ) -> list[tuple[float, float]] | None:
        if begun.get("way") == 1.0:
            raise MeasurementError("tolerances that reach a shaft without inertia")
        return by_way(name, x, begun, *more)

    assert set(drawn(impossible, lambda *_: [curve()])[0].models) == {"down"}
    with pytest.raises(KeyError):
        drawn(lambda *_: {}["a defect"], lambda *_: [curve()])
