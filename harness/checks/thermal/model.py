"""Heating of a motor at constant current through two phases in series, and of its driver.

Three windings (a third of the capacity and three times the resistance to the housing each) on one housing in a room:

    (C_w / 3) dT_x/dt = P_x - (T_x - T_h) / (3 R_wh),   C_h dT_h/dt = sum (T_x - T_h) / (3 R_wh) - T_h / R_ha

with T over the room, P_B = P_C = I^2 R (1 + T_B / (k + room)), P_A = 0: constant current keeps it linear, so that
it is a sum of three exponentials. Source: lumped thermal networks, any textbook of heat transfer; copper after
IEC 60034-1. Left out: radiation and convection that grow faster than the rise, iron, heat from the driver.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.base.reference import DIODE_V, REFERENCE_C
from harness.checks.thermal.stimulus import CURRENT_A
from harness.nouns.contract import Declared
from harness.nouns.quantity import Quantity, propagate
from harness.nouns.results import Expectation
from harness.rigfile import RigSpec, unstated
from harness.rigfile.known import StatedValue

MODEL = "three windings on one housing, I^2 R with copper's rise at constant current; convection taken as linear"
RUNS_AWAY = "a motor that this current does not overheat: its loss grows faster than its cooling"
DRIVER_MODEL = "thermal resistance x (2 on-resistances x I^2 + diodes in the dead time of two phases)"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatingModes:
    """Rise over the room of the heated windings: `final` - sum of amplitude e^(-t / time), slowest first; K and s."""

    final_k: float
    amplitudes_k: tuple[float, ...]
    times_s: tuple[float, ...]

    @property
    def fast_rise_k(self) -> float:
        """Sum of the fast terms: by it the winding stands over what its housing alone would make it."""
        return math.fsum(self.amplitudes_k[1:])

    @property
    def fast_time_s(self) -> float:
        """Mean time of the fast terms by their amplitudes: the third phase, not heated, makes two of nearly one."""
        return math.fsum(a * t for a, t in zip(self.amplitudes_k[1:], self.times_s[1:], strict=True)) / self.fast_rise_k

    def at(self, t_s: float) -> float:
        """Rise at an instant, K."""
        terms = zip(self.amplitudes_k, self.times_s, strict=True)
        return self.final_k - math.fsum(a * math.exp(-t_s / time) for a, time in terms)


def heating_modes(
    resistance_ohm: float, winding_k_w: float, housing_k_w: float, winding_j_k: float, housing_j_k: float,
    conductor_k: float = 235.0, room_c: float = REFERENCE_C, current_a: float = CURRENT_A,
) -> HeatingModes:  # fmt: skip
    """The modes of the network in the module's words; `resistance_ohm` of one phase at 20 degC.

    Where the feedback of the hot copper outruns the cooling there is no final rise: the times come out negative.
    """
    per_phase_w_k, per_phase_j_k = 1.0 / (3.0 * winding_k_w), winding_j_k / 3.0
    power = current_a**2 * resistance_ohm * (conductor_k + room_c) / (conductor_k + REFERENCE_C)
    feedback = power / (conductor_k + room_c)
    capacity = np.array([per_phase_j_k, per_phase_j_k, housing_j_k])  # the phase at rest, one heated phase, housing
    flow = np.array(
        [
            [-per_phase_w_k, 0.0, per_phase_w_k],
            [0.0, feedback - per_phase_w_k, per_phase_w_k],
            [per_phase_w_k, 2.0 * per_phase_w_k, -3.0 * per_phase_w_k - 1.0 / housing_k_w],
        ]
    )
    rates, shapes = np.linalg.eig(flow / capacity[:, None])
    final = np.linalg.solve(flow, np.array([0.0, -power, 0.0]))
    amplitudes = (shapes[1] * np.linalg.solve(shapes, final)).real
    order = np.argsort(-rates.real)
    return HeatingModes(
        final_k=float(final[1]),
        amplitudes_k=tuple(float(amplitudes[k]) for k in order),
        times_s=tuple(float(-1.0 / rates.real[k]) for k in order),
    )


def driver_rise_k(
    thermal_k_w: float, on_ohm: float, dead_time_s: float, carrier_hz: float, current_a: float = CURRENT_A
) -> float:
    """Final rise of the driver: two phases carry the current, their diodes twice a carrier period for the dead time."""
    diodes = 2.0 * 2.0 * dead_time_s * carrier_hz * DIODE_V * current_a
    return thermal_k_w * (2.0 * on_ohm * current_a**2 + diodes)


def _motor_inputs(spec: RigSpec, motor: str) -> dict[str, tuple[str, StatedValue | None, str]]:
    entry, of = spec.motor[motor], f"motor.{motor}"
    heat = entry.thermal
    return {
        "resistance_ohm": (f"{of}.resistance_ohm", entry.resistance_ohm, "ohm"),
        "winding_k_w": (f"{of}.thermal.winding_to_housing_k_w", heat.winding_to_housing_k_w if heat else None, "K/W"),
        "housing_k_w": (f"{of}.thermal.housing_to_ambient_k_w", heat.housing_to_ambient_k_w if heat else None, "K/W"),
        "winding_j_k": (f"{of}.thermal.winding_capacity_j_k", heat.winding_capacity_j_k if heat else None, "J/K"),
        "housing_j_k": (f"{of}.thermal.housing_capacity_j_k", heat.housing_capacity_j_k if heat else None, "J/K"),
    }


def _driver_inputs(spec: RigSpec) -> dict[str, tuple[str, StatedValue | None, str]]:
    return {
        "thermal_k_w": ("driver.thermal_resistance_k_w", spec.driver.thermal_resistance_k_w, "K/W"),
        "on_ohm": ("driver.on_resistance_ohm", spec.driver.on_resistance_ohm, "ohm"),
    }


def _itself(resistance_ohm: float) -> float:
    return resistance_ohm


def _predicted(
    name: str, unit: str, words: str, table: dict[str, tuple[str, StatedValue | None, str]],
    function: Callable[..., float],
    extra: dict[str, Quantity] | None = None,
) -> Expectation:  # fmt: skip
    """The expectation, or what it needs."""
    absent = [key for key, known, _ in table.values() if known is None]
    if absent:
        return Expectation(name=name, needs=tuple(absent), model=words)
    inputs = {short: known.quantity(of) for short, (_, known, of) in table.items() if known is not None}
    keys = {key: known.value for key, known, _ in table.values() if known is not None}
    try:
        quantity = propagate(function, unit, **inputs, **(extra or {}))
    except MeasurementError as error:
        return Expectation(name=name, needs=(str(error),), model=words)
    return Expectation(name=name, quantity=quantity, model=words, inputs=keys)


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """What the rig file lets predict of `motor`'s heating."""
    table, prefix = _motor_inputs(spec, motor), f"{motor}.thermal"
    conductor = {"conductor_k": unstated.reciprocal_coefficient(spec, motor)}

    def of(part: Callable[[HeatingModes], float]) -> Callable[..., float]:
        def value(**inputs: float) -> float:
            modes = heating_modes(**inputs)
            if min(modes.times_s) <= 0.0:
                raise MeasurementError(RUNS_AWAY)
            return part(modes)

        return value

    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    return [
        _predicted(
            f"{prefix}.resistance",
            "ohm",
            "as the rig file says, at 20 degC",
            {"resistance_ohm": table["resistance_ohm"]},
            _itself,
        ),
        _predicted(f"{prefix}.rise", "K", MODEL, table, of(lambda h: h.final_k), conductor),
        _predicted(f"{prefix}.fast_rise", "K", MODEL, table, of(lambda h: h.fast_rise_k), conductor),
        _predicted(f"{prefix}.fast_time", "s", MODEL, table, of(lambda h: h.fast_time_s), conductor),
        _predicted(f"{prefix}.slow_time", "s", MODEL, table, of(lambda h: h.times_s[0]), conductor),
        _predicted(
            f"{prefix}.driver_rise",
            "K",
            DRIVER_MODEL,
            _driver_inputs(spec),
            lambda thermal_k_w, on_ohm, dead_time_s: driver_rise_k(thermal_k_w, on_ohm, dead_time_s, carrier_hz),
            {"dead_time_s": unstated.dead_time(spec, declared.dead_time_s)},
        ),
    ]


def overlay(
    curve_name: str, x: Sequence[float], begun: Mapping[str, float], spec: RigSpec, declared: Declared, motor: str
) -> list[tuple[float, float]] | None:
    """Rise and its standard uncertainty (K) at instants (s) for the curve `MOTOR.thermal.rise`; None for others."""
    del begun, declared
    table = _motor_inputs(spec, motor)
    known = {short: entry for short, (_, entry, _) in table.items() if entry is not None}
    if curve_name != f"{motor}.thermal.rise" or len(known) < len(table):
        return None
    values = {short: entry.value for short, entry in known.items()}
    k = unstated.reciprocal_coefficient(spec, motor).value
    room_c = spec.room.temperature_c.value if spec.room is not None else REFERENCE_C

    def curve(**inputs: float) -> HeatingModes:
        return heating_modes(**inputs, conductor_k=k, room_c=room_c)

    middle = curve(**values)
    ends = [
        tuple(curve(**{**values, short: values[short] + sign * entry.u}) for sign in (1.0, -1.0))
        for short, entry in known.items()
    ]
    return [(middle.at(t_s), math.hypot(*((high.at(t_s) - low.at(t_s)) / 2.0 for high, low in ends))) for t_s in x]
