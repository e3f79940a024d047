"""What a firmware must know of the simulated board, found out from the board's own parts as a stranger would.

What the sensor's word means is not taken from the names of constants: the word of a sensor without noise is looked at
all round the turn, and what each of its bits follows is told from that.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import tau

from rigs_demo.board import wiring
from rigs_demo.board.wiring import Wiring
from rigs_demo.plant import drawing
from rigs_demo.plant.sensor import PULSE_CLOCKS, PULSE_HEADER, Sensor
from rigs_demo.scenario import Scenario
from tests.results import table

SCENARIOS = ("sluice", "handwheel")
BITS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """The sensor's word: where in it the angle stands, and what its other bits say."""

    angle: tuple[int, int]
    """Highest and lowest bit."""
    parity: int
    odd: bool
    """Whether all bits of a word together are an odd number of ones; the other where the sensor doubts its reading."""
    steady: dict[int, int]
    """Bits that never change, with their level."""


def board_tables() -> str:
    """The pins by motor, and the facts."""
    return f"{table(('motor', 'phases A, B, C', 'enable', 'sensor select', 'sensor pulse'), list(pins()))}{facts()}"


def pins() -> Iterator[tuple[str, ...]]:
    """A row a motor; the same whichever scenario has it, or AssertionError."""
    rows: dict[str, tuple[str, ...]] = {}
    for name in SCENARIOS:
        rig = Scenario.load(name).rig
        wired = Wiring.of(rig)
        for index, motor in enumerate(rig["motor"]):
            three = [pin for pin, place in sorted(wired.phases.items(), key=lambda wire: wire[1]) if place[0] == index]
            single = [next(pin for pin, of in some.items() if of == index)
                      for some in (wired.enables, wired.selects, wired.pulses)]  # fmt: skip
            row = (motor, ", ".join(map(str, three)), *map(str, single))
            assert rows.setdefault(motor, row) == row, f"{motor} is soldered in two ways"
    yield from rows.values()


def facts() -> str:
    """What stands on the wires."""
    word = sensor_word()
    high, low = word.angle
    sensor = drawing.load(SCENARIOS[0]).motors["leaf"].sensor
    steady = ", ".join(f"bit {bit} is {level}" for bit, level in word.steady.items()) or "none"
    return table(
        ("what", "how"),
        [
            ("sensor word", f"{BITS} bits, the most significant first"),
            ("angle in it", f"bits {high} to {low}, {1 << (high - low + 1)} codes a turn"),
            ("parity", f"bit {word.parity} makes the ones of all {BITS} bits {'odd' if word.odd else 'even'}"),
            ("a reading that the sensor doubts", "has the wrong parity"),
            ("bits that stay", steady),
            (
                "sensor pulse",
                f"a frame of {PULSE_CLOCKS} clocks in {sensor.pulse_period_s * 1e3:g} ms: {PULSE_HEADER} high, one "
                f"more for each code of {1 << sensor.pulse_bits}, the rest low",
            ),
            (
                "driver temperature",
                f"converter at pin {wiring.DRIVER_TEMPERATURE_PIN}: {wiring.THERMOMETER_ZERO_V:g} V at 0 degC and "
                f"{wiring.THERMOMETER_V_PER_C:g} V a kelvin, against {wiring.ADC_REFERENCE_V:g} V",
            ),
        ],
    )


def sensor_word() -> Word:
    """The word's meaning, from looking at it. Raises AssertionError where no simple one fits."""
    motor = drawing.load(SCENARIOS[0]).motors["leaf"]
    ideal = replace(motor.sensor, noise_rad=0.0, eccentricity_rad=0.0, tilt_rad=0.0, latency_s=0.0)
    bits = ideal.bits
    shaft = [0.0]
    sensor = Sensor(replace(motor, sensor=ideal), "looked at", 0, lambda _: shaft[0])
    codes = range(0, 1 << bits, max(1, (1 << bits) // 4096 - 1))
    words, doubted = [], []
    for code in codes:
        shaft[0] = motor.direction * tau * code / (1 << bits)
        sensor.error = False
        words.append(sensor.word(0))
        sensor.error = True
        doubted.append(sensor.word(0))
    fitting = [
        low
        for low in range(BITS - bits + 1)
        if all((word >> low) % (1 << bits) == code for word, code in zip(words, codes, strict=True))
    ]
    assert len(fitting) == 1, f"expected the angle at one place of the word, found {fitting}"
    odd = {(word.bit_count() % 2, other.bit_count() % 2) for word, other in zip(words, doubted, strict=True)}
    assert odd in ({(0, 1)}, {(1, 0)}), "expected every word to have one parity, and the other where it is doubted"
    low = fitting[0]
    others = [bit for bit in range(BITS) if not low <= bit < low + bits]
    levels = {bit: {word >> bit & 1 for word in words} for bit in others}
    parity = [bit for bit in others if len(levels[bit]) == 2]
    assert len(parity) == 1, f"expected one bit of parity, found {parity}"
    assert all(word ^ other == 1 << parity[0] for word, other in zip(words, doubted, strict=True))
    steady = {bit: min(found) for bit, found in levels.items() if bit not in parity}
    return Word(angle=(low + bits - 1, low), parity=parity[0], odd=odd == {(1, 0)}, steady=steady)
