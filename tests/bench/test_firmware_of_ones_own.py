"""A firmware written from what the README of the simulated bench says of the board, and nothing else, is qualified."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from harness.record import read
from harness.rigfile import load
from tests.bench.conftest import ROOT, rotorgate

README = ROOT / "rigs_demo" / "README.md"
SLUICE = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
OWN = """\
import math
import time

from machine import ADC, PWM, SPI, Pin

spi = SPI(0, baudrate=1_000_000, polarity=0, phase=1)
heat = ADC({adc})
word = bytearray(2)
AMPLITUDE = 32767


class Axis:
    def __init__(self, phases, enable, select, pole_pairs, direction, offset_rad):
        self.enable = Pin(enable, Pin.OUT, value=0)
        self.select = Pin(select, Pin.OUT, value=1)
        self.phases = [PWM(Pin(pin), freq=20000, duty_u16=0) for pin in phases]
        self.pole_pairs = pole_pairs
        self.direction = direction
        turn = -direction * offset_rad / (2 * math.pi * pole_pairs)
        self.zero = round(turn * {codes}) % ({codes} // pole_pairs)


axes = [{axes}]


def off(motor):
    axes[motor].enable(0)
    for phase in axes[motor].phases:
        phase.duty_u16(0)


def duties(motor, a, b, c):
    for phase, duty in zip(axes[motor].phases, (a, b, c)):
        phase.duty_u16(duty)
    axes[motor].enable(1)


def field(motor, angle, amplitude):
    there = 2 * math.pi * angle / 65536
    third = 2 * math.pi / 3
    duties(motor, *[
        min(65535, max(0, 32768 + int(amplitude * math.cos(there - place * third)))) for place in range(3)
    ])


def angle(motor):
    begun = time.ticks_us()
    axes[motor].select(0)
    spi.readinto(word)
    axes[motor].select(1)
    value = word[0] << 8 | word[1]
    ones = sum(value >> bit & 1 for bit in range(16))
    valid = ones % 2 == {odd}
    return value >> {low} & {codes} - 1, valid, time.ticks_diff(time.ticks_us(), begun)


def driver_temperature():
    volts = heat.read_u16() / 65535 * {reference_v}
    return round((volts - {zero_v}) / {per_k_v} * 100)


def declare(motor):
    axis = axes[motor]
    return {{
        "contract": 1, "name": "own_drive", "version": "0.1", "pace": "called", "carrier_hz": 20000,
        "loop_period_us": 1000, "counts_per_turn": {codes}, "field_steps": 65536, "max_static_duty": 65535,
        "dead_time_ns": 150, "pole_pairs": axis.pole_pairs, "offset_count": axis.zero, "direction": axis.direction,
        "sensor_path": "bus", "timers": [], "amplitude_limit": 13107, "current_limit_ma": 0, "travel_limit": 0,
    }}
"""


def rows() -> dict[str, list[str]]:
    """The rows of the README's tables by what they begin with."""
    made = README.read_text(encoding="utf-8").partition("<!-- table board -->")[2].partition("<!-- end -->")[0]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in made.splitlines() if line]
    return {first: rest for first, *rest in cells}


def firmware(table: Mapping[str, list[str]]) -> str:
    """A firmware for the board that the tables tell of, and for the motors that the rig file tells of."""

    def numbers(row: str) -> list[float]:
        return [float(found) for found in re.findall(r"\d+(?:\.\d+)?", table[row][0])]

    assert table["sensor word"] == ["16 bits, the most significant first"]
    high, low, codes = map(int, numbers("angle in it"))
    assert codes == 1 << high - low + 1
    adc, zero_v, _, per_k_v, reference_v = numbers("driver temperature")
    axes = []
    for name, motor in load(SLUICE).motor.items():
        phases, enable, select, _ = table[name]
        assert motor.electrical_offset_rad is not None
        words = (f"({phases})", enable, select, motor.pole_pairs, motor.direction, motor.electrical_offset_rad.value)
        axes.append(f"Axis({', '.join(map(str, words))})")
    return OWN.format(
        adc=int(adc),
        axes=", ".join(axes),
        codes=codes,
        low=low,
        odd=int(table["parity"][0].endswith(" odd")),
        zero_v=zero_v,
        per_k_v=per_k_v,
        reference_v=reference_v,
    )


@pytest.mark.board
@pytest.mark.slow
def test_a_firmware_of_what_the_readme_says_commutates(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "sluice_drive.py").write_text(firmware(rows()), encoding="utf-8")
    words = ("--only", "commutation", "--seed", "5", "--firmware", "own", "--out", "run")
    done = rotorgate("qualify", str(SLUICE), *words, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    record = read(tmp_path / "run")
    assert {declared.name for declared in record.declared.values()} == {"own_drive"}
    found = {entry.name: entry.value for entry in record.measurement_entries}
    for name, motor in load(SLUICE).motor.items():
        assert round(found[f"{name}.commutation.pole_pairs"]) == motor.pole_pairs
        assert motor.electrical_offset_rad is not None
        assert math.isclose(found[f"{name}.commutation.offset"], motor.electrical_offset_rad.value, abs_tol=0.2)
