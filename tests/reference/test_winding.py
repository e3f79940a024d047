"""Winding temperature from resistance, and what a motor's conventions make of its constants."""

from __future__ import annotations

import math

import numpy as np

from harness.corrections.resistance import RECIPROCAL_COEFFICIENT_C, resistance_at, rise_k, temperature_c
from harness.fits.regression import nonlinear
from harness.nouns.quantity import exact
from harness.physics.motor import electrical_angle, torque_per_ampere
from tests.reference.cases import Case, reference


@reference(
    "winding-constants",
    left_out={
        "k_copper_ieee": "another standard's constant; the harness keeps to IEC 60034-1",
        "k_from_alpha20_0_00393": "arithmetic on a rounded handbook figure that the harness does not use",
    },
)
def test_constants(case: Case) -> dict[str, object]:
    return {
        "k_copper_iec": RECIPROCAL_COEFFICIENT_C["copper"],
        "k_aluminium_iec": RECIPROCAL_COEFFICIENT_C["aluminium"],
        "alpha20_copper": resistance_at(1.0, 20.0, 21.0, 234.5) - 1.0,
    }


@reference("kulshreshtha-2-18")
def test_rise_by_resistance(case: Case) -> dict[str, object]:
    i = case.input
    ratio, cold = i["R2_ohm"] / i["R1_ohm"], i["theta1_degC"]
    room = exact(cold, "degC")
    rise = rise_k(exact(i["R2_ohm"], "ohm"), exact(i["R1_ohm"], "ohm"), room, room, RECIPROCAL_COEFFICIENT_C["copper"])
    return {
        "rise_K": temperature_c(ratio, cold, 1.0 / i["alpha0_per_degC"]) - cold,
        "rise_with_k_235_K": rise.value,
        "rise_with_k_234_5_K": temperature_c(ratio, cold, 234.5) - cold,
    }


@reference("salivahanan-1-7")
def test_temperature_of_a_field_winding(case: Case) -> dict[str, object]:
    i = case.input
    return {"theta2_degC": temperature_c(i["R2_ohm"] / i["R1_ohm"], i["theta1_degC"], 1.0 / i["alpha0_per_degC"])}


BACK_EMF = "back-EMF is no quantity of the harness"


@reference(
    "constant-conventions",
    left_out={
        "Ke_phase_peak_V_s_per_rad": BACK_EMF,
        "Ke_line_peak_V_s_per_rad": BACK_EMF,
        "Ke_line_rms_V_s_per_rad": BACK_EMF,
        "Ke_line_rms_V_per_krpm": BACK_EMF,
        "Kv_rpm_per_V_line_peak": BACK_EMF,
        "ratio_Kt_rms_to_Ke_line_rms": BACK_EMF,
        "ratio_Kt_peak_to_Ke_line_peak": BACK_EMF,
        "ratio_Kt_peak_to_Ke_phase_peak": BACK_EMF,
    },
)
def test_torque_per_ampere(case: Case) -> dict[str, object]:
    peak = torque_per_ampere(case.input["pole_pairs"], case.input["lambda_peak_Vs"])
    return {"Kt_Nm_per_A_peak_q_current": peak, "Kt_Nm_per_A_rms_phase_current": peak * math.sqrt(2.0)}


CURVE = "another reading of the same sine"


@reference(
    "static-stiffness-a",
    left_out={
        "stiffness_Nm_per_deg": "the same in degrees; SI only",
        "peak_torque_angle_mech_deg": CURVE,
        "resonance_Hz": "inertia comes in with the step, where gravity and damping do too",
        "deflection_at_half_Tmax_mech_deg": CURVE,
        "secant_stiffness_error_at_5_elec_deg_percent": CURVE,
    },
)
def test_stiffness_from_a_curve(case: Case) -> dict[str, object]:
    """Deflection regressed on torque, as holding is measured."""
    pairs, largest = case.input["pole_pairs"], case.input["Tmax_Nm"]
    torque = np.linspace(-0.9, 0.9, 41) * largest
    deflection = np.arcsin(torque / largest) / pairs
    found = nonlinear(lambda b: np.arcsin(np.clip(torque / b[0], -1.0, 1.0)) / b[1], [0.4, 6.0], deflection)
    return {"stiffness_Nm_per_rad": float(found.values[0] * found.values[1])}


@reference("electrical-angle")
def test_electrical_angle(case: Case) -> dict[str, object]:
    angles = zip(case.input["pole_pairs"], case.input["mechanical_deg"], strict=True)
    offset = math.radians(case.input["offset_deg"])
    return {
        "electrical_deg": [
            math.degrees(electrical_angle(1, pairs, math.radians(angle), offset)) % 360.0 for pairs, angle in angles
        ]
    }


AT_REST = "needs dq voltages; the models are for a rotor at rest"


@reference(
    "msl-smpm",
    left_out={
        "lambda_peak_Vs": AT_REST,
        "phase_voltage_rms_V": AT_REST,
        "current_rms_A": AT_REST,
        "mechanical_power_kW": AT_REST,
        "power_factor": AT_REST,
        "rotor_angle_deg": AT_REST,
    },
)
def test_torque_of_a_library_machine(case: Case) -> dict[str, object]:
    i = case.input
    flux_peak = math.sqrt(2.0) * i["open_circuit_phase_V_rms"] / (2.0 * math.pi * i["frequency_Hz"])
    return {"torque_Nm": torque_per_ampere(i["pole_pairs"], flux_peak) * math.sqrt(2.0) * i["iq_rms_A"]}
