"""The board's own look at whether a step has ended: what it takes for rest decides every level of the analysis."""

from __future__ import annotations

import importlib.util
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

SCRIPT = Path(__file__).parents[3] / "device_scripts" / "loop.py"
NOISE_COUNTS = 1.2
STILL_US = 60_000


class Watch:
    """The script's watch on a loop of one pass a millisecond, its clock in our hands."""

    def __init__(self, module: Any, seed: int = 1) -> None:
        self.module = module
        self.random = np.random.default_rng(seed)
        declared = {"counts_per_turn": 16384, "pace": "own", "loop_period_us": 1000}
        passes = SimpleNamespace(judge=lambda *_: None)
        guard = SimpleNamespace(drive=SimpleNamespace(declare=lambda _motor: declared), passes=passes)
        self.work = module._Steps(guard, 0, 576)

    def see(self, angle: float) -> int:
        """One pass later, the shaft at `angle` counts; how long it has looked still, us."""
        self.module.time.now_us += 1000
        self.work.watch(round(8000 + angle + self.random.normal(0.0, NOISE_COUNTS)) % 16384)
        return int(self.work.still_for_us())

    def learn(self, amplitude_counts: float = 0.0) -> int:
        """The noise, as the script takes it, while the shaft swings."""
        passes = iter(range(10**6))

        def turn_round() -> None:
            self.see(amplitude_counts * math.sin(50.0e-3 * next(passes)))

        self.work.turn_round = turn_round
        noise = int(self.work.learn())
        self.work.reset()
        return noise


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> Iterator[Watch]:
    clock: Any = ModuleType("time")
    clock.now_us = 0
    clock.ticks_us = lambda: clock.now_us
    clock.ticks_ms = lambda: clock.now_us // 1000
    clock.ticks_diff = lambda late, early: late - early
    constants: Any = ModuleType("micropython")
    constants.const = lambda value: value
    frames: Any = ModuleType("frames")
    frames.Stream = lambda *_arguments: None
    for name, module in (("time", clock), ("micropython", constants), ("frames", frames)):
        monkeypatch.setitem(sys.modules, name, module)
    spec = importlib.util.spec_from_file_location("loop_on_the_board", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield Watch(module)


def test_rest_is_seen_within_four_blocks(watch: Watch) -> None:
    watch.learn()
    seen = [watch.see(0.0) for _ in range(200)]
    assert next(k for k, still in enumerate(seen) if still >= STILL_US) < 80
    assert seen[-1] >= 160_000


@pytest.mark.parametrize("amplitude_counts", [8.0, 30.0, 200.0])
def test_a_shaft_that_swings_is_not_at_rest(watch: Watch, amplitude_counts: float) -> None:
    """With 8 counts (3 mrad) a last swing hides in a band of the noise; levels taken from it were 2 mrad off."""
    watch.learn()
    w = 50.0e-3
    assert max(watch.see(amplitude_counts * math.cos(w * k)) for k in range(600)) < STILL_US


def test_a_shaft_that_creeps_is_not_at_rest(watch: Watch) -> None:
    watch.learn()
    assert max(watch.see(0.15 * k) for k in range(600)) < STILL_US


@pytest.mark.parametrize("amplitude_counts", [0.0, 30.0, 300.0])
def test_the_noise_is_learned_from_a_moving_arm_too(watch: Watch, amplitude_counts: float) -> None:
    """It once was the span of the readings: taken from an arm that fell, nothing after it looked like motion, and
    large steps ended while the shaft swung."""
    noise = watch.learn(amplitude_counts)
    assert 0.6 * 3.0 * NOISE_COUNTS < noise < 1.8 * 3.0 * NOISE_COUNTS + 1.0
    assert max(watch.see(10.0 * math.cos(0.05 * k)) for k in range(600)) < STILL_US
