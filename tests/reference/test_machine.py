"""Torque, stiffness and time constants of published machines, by the models and as the stiffness check measures."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from harness.base.gravity import STANDARD_M_S2
from harness.checks.commutation.model import step_angle
from harness.checks.step import staircase
from harness.checks.stiffness import analysis as stiffness
from harness.checks.stiffness import model as holding
from harness.checks.stiffness.held_field import NAMES, shaft_of
from harness.checks.stiffness.overlay import overlay
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Measurement
from harness.physics.loop import loop_delay, shaft
from harness.physics.motor import electrical_angle, torque_per_ampere
from harness.physics.swing import Shaft, let_go
from harness.rigfile import RigSpec
from tests.reference import machines
from tests.reference.cases import Case, reference
from tests.reference.machines import DECLARED, MOTOR

Array = NDArray[np.float64]


@reference("constant-conventions")
def test_torque_per_ampere(case: Case) -> dict[str, object]:
    peak = torque_per_ampere(case.input["pole_pairs"], case.input["lambda_peak_Vs"])
    return {"Kt_Nm_per_A_peak_q_current": peak, "Kt_Nm_per_A_rms_phase_current": peak * math.sqrt(2.0)}


@reference("msl-smpm")
def test_torque_of_a_library_machine(case: Case) -> dict[str, object]:
    i = case.input
    flux_peak = math.sqrt(2.0) * i["open_circuit_phase_V_rms"] / (2.0 * math.pi * i["frequency_Hz"])
    return {"torque_Nm": torque_per_ampere(i["pole_pairs"], flux_peak) * math.sqrt(2.0) * i["iq_rms_A"]}


@reference("fitzgerald-11-10")
def test_current_for_a_torque(case: Case) -> dict[str, object]:
    flux, rated = (case.expect[name]["value"] for name in ("lambda_pm_Vs", "rated_torque_Nm"))
    per_ampere = torque_per_ampere(case.input["poles"] // 2, flux)
    return {"iq_A": case.input["torque_fraction"] * rated / per_ampere}


def _expected(spec: RigSpec, name: str) -> float:
    """What the model of the stiffness check expects."""
    found = {each.name: each.quantity for each in holding.expect(spec, DECLARED, MOTOR)}
    quantity = found[f"{MOTOR}.stiffness.{name}"]
    assert quantity is not None
    return quantity.value


def _torque(spec: RigSpec, deflection_rad: float) -> float:
    """The model's curve of a held field."""
    rows = overlay("shaft.stiffness.open_loop", [deflection_rad], {}, spec, DECLARED, MOTOR)
    assert rows is not None
    return rows[0][0]


def _root(below: Callable[[float], bool], high: float) -> float:
    """The place between 0 and `high` up to which `below` holds, by halving."""
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if below(middle) else (low, middle)
    return high


def _reaches(spec: RigSpec, torque_n_m: float) -> float:
    """Deflection (rad) at which the model's curve reaches a torque."""
    half_period = math.pi / spec.motor[MOTOR].pole_pairs
    return _root(lambda x: _torque(spec, x) < torque_n_m, half_period / 2.0)


@reference(
    "static-stiffness-a", {"resonance_Hz": (1e-8, "turning points are halved to 1 in 67 million of a piece of swing")}
)
def test_stiffness_by_the_model(case: Case) -> dict[str, object]:
    pairs, largest = case.input["pole_pairs"], case.input["Tmax_Nm"]
    spec = machines.holding(pairs, largest)
    stiff = _expected(spec, "open_loop")
    near = math.radians(5.0) / pairs
    swing = let_go(
        Shaft(loop=stiff, arm=0.0, inertia=case.input["inertia_kgm2"], damping=0.0, lag_s=0.0, friction=1e-3 * stiff,
              dead_rad=0.0, clip_rad=9.0), -1.0, 0.0,
    )  # fmt: skip
    assert math.isclose(_expected(spec, "slip_torque"), largest, rel_tol=1e-12)
    return {
        "stiffness_Nm_per_rad": stiff,
        "stiffness_Nm_per_deg": math.radians(stiff),
        "peak_torque_angle_mech_deg": math.degrees(
            _root(lambda x: _torque(spec, x + 1e-3) > _torque(spec, x - 1e-3), math.pi / pairs)
        ),
        "resonance_Hz": staircase.frequency(swing) / math.tau,
        "deflection_at_half_Tmax_mech_deg": math.degrees(_reaches(spec, largest / 2.0)),
        "secant_stiffness_error_at_5_elec_deg_percent": 100.0 * (1.0 - _torque(spec, near) / near / stiff),
    }


@reference("dubey-7-1")
def test_torque_angle_at_half_torque(case: Case) -> dict[str, object]:
    pairs = case.input["poles"] // 2
    spec = machines.holding(pairs, case.expect["pull_out_torque_Nm"]["value"])
    torque = case.input["power_W"] / (2.0 * math.pi * case.input["frequency_Hz"] / pairs)
    delta = pairs * _reaches(spec, torque)
    return {
        "delta_deg": math.degrees(delta),
        "torque_Nm": _torque(spec, math.radians(case.expect["delta_deg"]["value"]) / pairs),
        "stiffness_Nm_per_mech_rad_at_zero": _expected(spec, "open_loop"),
    }


ECCENTRIC_RAD = 5e-3
SPEED_RAD_S = 0.05
OHM, SUPPLY_V, ARM_M = 100.0, 20.0, 0.05
CLOSE_TO_THE_ROOM = {
    "winding_to_housing_k_w": 1e-3, "housing_to_ambient_k_w": 1e-3, "winding_capacity_j_k": 1.0,
    "housing_capacity_j_k": 1.0,
}  # fmt: skip
COLUMNS = (("t", "s"), ("count", "1"), ("command", "1"), ("amplitude", "1"))


def _still(pairs: int, field_rad: Array, peak_n_m: Array, arm_n_m: float, drag_n_m: Array) -> Array:
    """Shaft angles at which the field balances arm and drag, by halving on the stable side of each field."""
    low, high = (field_rad / pairs + side * math.pi / 2.0 / pairs for side in (-1.0, 1.0))
    for _ in range(60):
        middle = (low + high) / 2.0
        pulls = peak_n_m * np.sin(field_rad - pairs * middle) > arm_n_m * np.sin(middle) + drag_n_m
        low, high = np.where(pulls, middle, low), np.where(pulls, high, middle)
    return np.asarray(low, dtype=np.float64)


def _held(pairs: int, largest_n_m: float) -> tuple[RigSpec, list[Observation]]:
    """A field that holds an arm of half its torque, read by an eccentric sensor: two sweeps, and a slip.

    The winding stays as warm as the room; what its back-EMF brakes is in the balance.
    """
    per_ampere, arm = largest_n_m / (0.6 * SUPPLY_V / 2.0 / OHM), largest_n_m / 2.0
    spec = machines.rig(
        pole_pairs=pairs, supply_v=SUPPLY_V, resistance_ohm=OHM, flux_linkage_v_s=per_ampere / 1.5 / pairs,
        load={"mass_kg": arm / ARM_M / STANDARD_M_S2, "length_m": ARM_M}, thermal=CLOSE_TO_THE_ROOM,
    )  # fmt: skip

    def taken(
        name: str, command: Array, amplitude: Array, drag: Array, row_s: float, **conditions: float
    ) -> Observation:
        field = command / FULL_TURN * math.tau
        shaft_rad = _still(pairs, field, largest_n_m * amplitude / 0.6, arm, drag)
        reading = shaft_rad + ECCENTRIC_RAD * np.sin(shaft_rad + 0.7)
        data = np.zeros(command.size, dtype=[(column, "<f8") for column, _ in COLUMNS])
        data["t"], data["command"] = np.arange(command.size) * row_s, command
        data["count"] = np.round(reading / math.tau * spec.motor[MOTOR].sensor.counts)
        data["amplitude"] = np.round(amplitude * FULL_AMPLITUDE)
        columns = tuple(Column(name=column, unit=unit) for column, unit in COLUMNS)
        return Observation(
            name=f"{MOTOR}.stiffness.{name}",
            columns=columns,
            data=data,
            conditions={"zero_rad": 0.0, "hang_rad": 0.0, **conditions},
        )

    way = np.repeat([1.0, -1.0, 1.0], [400, 800, 400])
    step = round(1e-3 * pairs / math.tau * FULL_TURN)
    row_s = step / FULL_TURN * math.tau / pairs / SPEED_RAD_S
    drag = way * per_ampere**2 / (1.5 * OHM) * SPEED_RAD_S
    sweeps = [
        taken(f"field_{round(100 * level)}", np.cumsum(way * step), np.full(way.size, level), drag, row_s,
              set_amplitude=level)
        for level in (0.3, 0.6)
    ]  # fmt: skip
    falling = np.linspace(0.6, 0.15, 300)
    slip = taken("slip", np.full(300, 600.0 * step), falling, 0.0 * falling, 1.0, slipped=0.15)
    return spec, [*sweeps, slip]


FITTED = "a regression over two sweeps"


@reference("static-stiffness-a", {"stiffness_Nm_per_rad": (2e-3, FITTED)})
def test_stiffness_as_it_is_measured(case: Case) -> dict[str, object]:
    spec, observations = _held(case.input["pole_pairs"], case.input["Tmax_Nm"])
    found = {each.name: each for each in stiffness.analyse(observations, spec, MOTOR)}
    measured = found[f"{MOTOR}.stiffness.open_loop"]
    assert isinstance(measured, Measurement)
    return {"stiffness_Nm_per_rad": measured.quantity.value}


@reference("time-constants-a")
def test_time_constants(case: Case) -> dict[str, object]:
    """A brushed equivalent between two terminals: Ke of two phases is root of 3 times pole pairs times flux linkage."""
    i = case.input
    spec = machines.rig(
        pole_pairs=1, resistance_ohm=i["R_line_ohm"] / 2.0, inductance_h=i["L_line_H"] / 2.0,
        flux_linkage_v_s=i["K_two_phase_Nm_per_A"] / math.sqrt(3.0), rotor_inertia_kg_m2=i["J_kgm2"],
        viscous_friction_n_m_s=0.0, coulomb_friction_n_m=0.0, sensor={"age_s": 0.0},
        firmware={"loop_delay_s": 0.0, "gain_per_rad": 1.0, "amplitude_limit": 1.0},
        load={"mass_kg": 1e-5, "length_m": 1e-4},
    )  # fmt: skip
    delay, parts = loop_delay(spec, MOTOR), shaft(spec, DECLARED, MOTOR)
    assert delay is not None
    return {"tau_e_s": delay.value, "tau_m_s": (parts["inertia"].value - 1e-13) / parts["damping"].value}


@reference("electrical-angle")
def test_electrical_angle(case: Case) -> dict[str, object]:
    angles = zip(case.input["pole_pairs"], case.input["mechanical_deg"], strict=True)
    offset = math.radians(case.input["offset_deg"])
    return {
        "electrical_deg": [
            math.degrees(electrical_angle(1, pairs, math.radians(angle), offset)) % 360.0 for pairs, angle in angles
        ]
    }


@reference("six-step-table")
def test_steps_of_a_turn(case: Case) -> dict[str, object]:
    return {"steps_per_mechanical_turn_7_pole_pairs": round(math.tau / step_angle(7), 9)}


@reference("eccentricity-a")
def test_eccentricity(case: Case) -> dict[str, object]:
    """What is taken off the readings of a turn, from an eccentricity over a radius."""
    reading = np.arange(360) * math.tau / 360.0
    errors = []
    for radius_mm, eccentricity_um in zip(case.input["radius_mm"], case.input["eccentricity_um"], strict=True):
        parameters = dict.fromkeys(NAMES, 0.0) | {"sin_1": 1e-3 * eccentricity_um / radius_mm}
        errors.append(np.degrees(reading - shaft_of(reading, parameters)) * 3600.0)
    spectrum = np.abs(np.fft.rfft(errors[0]))
    return {
        "amplitude_arcsec_printed": [float(np.max(error)) for error in errors],
        "amplitude_arcsec": [float(np.max(error)) for error in errors],
        "harmonic_order": int(np.argmax(spectrum)),
        "residual_after_opposite_head_mean_first_order": float(np.max(np.abs(errors[0][:180] + errors[0][180:]))) / 2.0,
    }
