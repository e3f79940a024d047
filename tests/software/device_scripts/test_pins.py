"""Levels of pins, read by a program whose own pace a carrier may keep step with."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from tests.software.device_scripts.board import Board

READ_US = 2


def pins_of(board: Board, hz: float, duty: float, phase: float):
    """pins.py on a board whose phase pins are high for a share of a carrier's period, and whose enable pin is off."""
    script = board.load("pins")

    def read(pin: int) -> int:
        board.pass_us(READ_US)
        return int(pin < 6 and (board.us * 1e-6 * hz + phase) % 1.0 < duty)

    script.Pin = lambda pin: SimpleNamespace(value=lambda: read(pin))
    return script


@pytest.mark.parametrize("hz", [8000.0, 12362.0, 16000.0, 20000.0, 24724.0, 32000.0, 48000.0])
def test_a_pin_that_was_left_at_a_tenth_is_seen_whatever_its_carrier(hz: float) -> None:
    missed = 0
    for phase in range(40):
        script = pins_of(Board(), hz, 0.1, phase / 40.0)
        missed += script.live((0, 1, 2), 6, 0) == []
    assert missed <= 2, "at one pace 35 of 40 at 12.36 and 24.72 kHz"


@pytest.mark.parametrize("duty", [0.0, 0.07, 0.42, 0.5, 1.0])
def test_shares_are_those_of_time(duty: float) -> None:
    found = [pins_of(Board(), 20000.0, duty, 0.3).shares((0, 1, 2), 20000, 200, number) for number in range(6)]
    for shares in zip(*found, strict=True):
        assert sum(shares) / len(shares) / 10000.0 == pytest.approx(duty, abs=0.02), "a tick of 50 in a period"
