"""Estimated warmth: how wide it is by a rig file's thermal figures, and without them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from harness.corrections.temperature import STATED, UNSTATED, estimate
from harness.nouns.quantity import exact
from harness.rigfile import load

SPEC = load(Path(__file__).resolve().parents[3] / "rigs_demo/rigs/sluice.toml")


@pytest.mark.parametrize(("stated", "share"), [(True, STATED), (False, UNSTATED)])
def test_the_rise_is_as_wide_as_is_said(stated: bool, share: float) -> None:
    spec = SPEC
    if not stated:
        spec = SPEC.model_copy(update={"motor": {"leaf": SPEC.motor["leaf"].model_copy(update={"thermal": None})}})
    warmth = estimate(spec, "leaf", exact(20.0, "degC"), [(3.0, 1e5)])
    rise = warmth.winding_c.value - warmth.magnet_c.value
    assert rise == pytest.approx(3.0 * (2.0 if stated else 3.0))  # long past every time constant
    assert warmth.winding_c.budget["heating of leaf"].u * math.sqrt(3.0) == pytest.approx(share * rise)
