"""Winding temperature from resistance, hot and while it cools."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.checks.thermal import procedure as thermal
from harness.checks.thermal.readings import Readings
from harness.corrections.resistance import resistance_at, rise_k, temperature_c
from harness.fits.lags import Input, LevelRecord, respond
from harness.nouns.observation import Column, Condition, Observation
from harness.nouns.quantity import exact
from harness.rigfile import loads, unstated
from tests.reference.cases import Case, reference

DEMO = Path(__file__).parents[2] / "rigs_demo" / "rigs" / "sluice.toml"


def _k(conductor: str) -> float:
    """As it is taken for a motor whose rig file states its conductor."""
    text = DEMO.read_text(encoding="utf-8").replace('conductor = "copper"', f'conductor = "{conductor}"')
    return unstated.reciprocal_coefficient(loads(text.encode(), "demo.toml"), "leaf").value


@reference("winding-constants")
def test_constants(case: Case) -> dict[str, object]:
    return {
        "k_copper_iec": _k("copper"),
        "k_aluminium_iec": _k("aluminium"),
        "alpha20_copper": resistance_at(1.0, 20.0, 21.0, 234.5) - 1.0,
    }


def _rise(case: Case, k_c: float) -> float:
    i = case.input
    room = exact(i["theta1_degC"], "degC")
    return rise_k(exact(i["R2_ohm"], "ohm"), exact(i["R1_ohm"], "ohm"), room, room, exact(k_c, "degC")).value


@reference("kulshreshtha-2-18")
def test_rise_by_resistance(case: Case) -> dict[str, object]:
    return {
        "rise_K": _rise(case, 1.0 / case.input["alpha0_per_degC"]),
        "rise_with_k_235_K": _rise(case, _k("copper")),
        "rise_with_k_234_5_K": _rise(case, 234.5),
    }


@reference("salivahanan-1-7")
def test_temperature_of_a_field_winding(case: Case) -> dict[str, object]:
    i = case.input
    return {"theta2_degC": temperature_c(i["R2_ohm"] / i["R1_ohm"], i["theta1_degC"], 1.0 / i["alpha0_per_degC"])}


@reference("cooling-a")
def test_cooling_back_to_the_instant_of_switching_off(case: Case) -> dict[str, object]:
    i = case.input
    at_s = np.append(0.0, case.column("t_s"))
    # Switched off at 0: a record without an input, in which what is left of the earlier one dies away.
    off = Input(at_s=at_s, first=np.zeros(at_s.size - 1), last=np.zeros(at_s.size - 1))
    ohm = np.asarray(case.column("R_ohm"), dtype=np.float64)
    found = respond(LevelRecord(drive=off, places=np.arange(1, at_s.size), y=ohm, at_rest=False))
    level, terms = found.parted(found.fit.values)
    start = exact(level + sum(term.start for term in terms), "ohm")
    cold, room = exact(i["theta_cold_degC"], "degC"), exact(i["coolant_degC"], "degC")
    return {
        "R_at_switch_off_ohm": start.value,
        "rise_at_switch_off_K": rise_k(start, exact(i["R_cold_ohm"], "ohm"), cold, room, exact(i["k"], "degC")).value,
        "time_constant_s": terms[0].time_s,
    }


def _heating(ohm: NDArray[np.float64], amperes: float) -> Observation:
    """What the thermal check would read of a winding between two terminals with `ohm` between them (n)."""
    rows = np.zeros(ohm.size, dtype=[(name, "<f8") for name, _ in thermal.COLUMNS])
    rows["t"] = np.linspace(0.0, 600.0, ohm.size)
    rows["volts"], rows["supply"], rows["difference"] = ohm * amperes, 0.5 * amperes, 0.5
    conditions: dict[str, Condition] = {
        "dead_time_s": 0.0, "carrier_hz": 20e3, "idle_a": [0.0, 0.0], "room_c": [20.0, 20.0],
        "driver_cold_c": [], "driver_hot_c": [],
    }  # fmt: skip
    columns = tuple(Column(name=name, unit=unit) for name, unit in thermal.COLUMNS)
    return Observation(name="leaf.thermal.heating", columns=columns, data=rows, conditions=conditions)


@reference("terminal-resistance")
def test_two_terminals_of_a_star(case: Case) -> dict[str, object]:
    """What a reading between two terminals is to the resistance that the thermal check makes of it."""
    text = DEMO.read_text(encoding="utf-8").replace("dead_time_s = { value = 150e-9, tolerance_percent = 30 }\n", "")
    between = case.input["R_phase_ohm"] * (3.0 - np.exp(-np.linspace(0.0, 3.0, 40)))
    curve = Readings(_heating(between, 0.5), loads(text.encode(), "demo.toml"), "leaf")
    ratio = between / curve.ohm
    assert np.ptp(ratio) < 1e-12
    return {"star_two_terminals": round(float(ratio[0]), 12)}
