"""From sweeps of a held field to its largest torque and the friction.

The field's angle is regressed, not the deflection:

    field = p x + offset + p speed lag + asin((T_arm(x) +- F + damping speed + inertia acceleration) / Tmax)

x is the reading less the sensor's error, once and twice a turn; both are common to the two amplitudes, so that the
difference at one shaft angle carries the torque alone. A naive slope would take an eccentricity of 0.5 degrees for
-25 to +45 % of stiffness. The lag, of the current behind its voltage and of the reading behind the field, turns the
field by one angle at both amplitudes; friction turns it in proportion to 1 / Tmax, and so they part.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from harness.base.reference import REFERENCE_C
from harness.checks.stiffness.readings import HoldingReadings, middle_s
from harness.checks.stiffness.stimulus import SWEEPS
from harness.corrections.cogging import cogging_of
from harness.corrections.inertia import turning
from harness.corrections.sensor_error import sensor_error_u
from harness.corrections.temperature import to_reference
from harness.fits.regression import inflation, nonlinear
from harness.nouns.array import Array
from harness.nouns.quantity import Quantity, combine, exact, from_covariance, propagate, rectangular, scaled, shifted
from harness.rigfile import unstated

LATENCY_S = 0.15e-3
"""Standard uncertainty of the time between setting a field and reading the shaft in one tick of a board
(common practice, no source)."""
FIRM = 1e-6
"""Share of itself to which a fit holds what the rig file states as exact (arbitrary: it binds, and can be weighed)."""
NAMES = ("per_weight", "friction", "hang", "offset", "inertia", "lag", "cos_1", "sin_1", "cos_2", "sin_2")
WAYS = {"rising": 1.0, "falling": -1.0}
"""The two branches of a sweep, and the sense in which the shaft moves on each."""
SPREAD_RAD = 0.02
"""Electrical, of the residuals: where the fit starts from; its own scatter takes over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFieldFit:
    """What the sweeps of the held field gave."""

    peak_torque: Quantity
    """Tmax at AMPLITUDE and 20 degC, N m."""
    friction: Quantity
    torque_per_ampere: Quantity | None
    damping_n_m_s: Quantity
    """Torque per speed, of winding and bearing."""
    points: Mapping[str, tuple[tuple[float, float], ...]]
    """Torque of arm, damping and inertia over deflection, a series a branch: friction parts them."""
    warm: float
    """Factor that refers the points' torque to 20 degC."""
    parameters: Mapping[str, Quantity]
    """Of the fit, by NAMES; they share its sources."""

    @property
    def values(self) -> dict[str, float]:
        """The parameters' values."""
        return {name: quantity.value for name, quantity in self.parameters.items()}


def shaft_of(reading_rad: Array, parameters: Mapping[str, float]) -> Array:
    """Shaft angle: a reading less the sensor's error once and twice a turn, rad (n)."""
    error = sum(
        parameters[f"cos_{times}"] * np.cos(times * reading_rad)
        + parameters[f"sin_{times}"] * np.sin(times * reading_rad)
        for times in (1, 2)
    )
    return np.asarray(reading_rad - error)


def open_loop(readings: HoldingReadings) -> HeldFieldFit:
    """Fit the sweeps of both amplitudes at once. Raises MeasurementError."""
    sweeps = [readings.observations[name] for name in SWEEPS]
    warmths = [readings.warmth(middle_s(observation)) for observation in sweeps]
    refer = [to_reference(readings.spec, readings.motor, warmth) for warmth in warmths]
    weights = [readings.weight(observation, r.value) for observation, r in zip(sweeps, refer, strict=True)]
    moves = [readings.field_moves(observation) for observation in sweeps]
    phi, s, speed, acceleration, way = (
        np.concatenate([getattr(part, name) for part in moves])
        for name in ("command_rad", "shaft_rad", "speed_rad_s", "acceleration_rad_s2", "way")
    )
    weight = np.repeat([w.value for w in weights], [part.shaft_rad.size for part in moves])
    arm = readings.arm_n_m.value
    beliefs = _beliefs(readings)
    believed = [NAMES.index(name) for name in beliefs]

    damping_n_m_s = readings.braking.values()

    def model(values: Array) -> Array:
        given = dict(zip(NAMES, values, strict=True))
        x = shaft_of(s, given)
        torque = arm * np.sin(x - given["hang"]) + way * given["friction"]
        torque += damping_n_m_s(given["per_weight"]) * speed + given["inertia"] * acceleration
        behind = np.arcsin(np.clip(torque / (given["per_weight"] * weight), -0.9999, 0.9999))
        field = readings.pole_pairs * (x + speed * given["lag"]) + given["offset"] + behind
        return np.concatenate((field, values[believed]))

    start = [1.5 * arm / weights[0].value, 0.04 * arm, *[0.0] * (len(NAMES) - 2)]
    for name, (value, _) in beliefs.items():
        start[NAMES.index(name)] = value
    points = np.concatenate((phi, [value for value, _ in beliefs.values()]))
    spread, grown = SPREAD_RAD, 1.0
    for _ in range(2):  # the second time with the spread that the first has found
        u_points = np.concatenate((np.full(phi.size, spread), [u for _, u in beliefs.values()]))
        fit = nonlinear(model, start, points, u_points)
        residuals = fit.residuals[: phi.size]
        grown = inflation(residuals)
        spread, start = float(np.std(residuals)) * grown, fit.values.tolist()
    fitted = from_covariance(
        fit.values.tolist(),
        fit.covariance.tolist(),
        ("N m/A", "N m", "rad", "rad", "kg m2", "s", *["rad"] * 4),
        f"{readings.motor} held-field fit",
        max(3.0, (phi.size - len(NAMES)) / grown**2),  # of as many independent readings as tell as much
        "more and slower sweeps",
    )
    parameters = dict(zip(NAMES, fitted, strict=True))
    # What the fit itself leaves open of the damping is in its friction already.
    damping = readings.braking.damping(exact(parameters["per_weight"].value, "1"))
    parameters["friction"] = _friction(readings, parameters["friction"], damping, float(np.mean(np.abs(speed))))
    per_weight = with_share(parameters["per_weight"], readings.arm_n_m)
    bent = cogging_of(readings.spec, readings.motor).swinging_share * per_weight.value
    cogging = rectangular(
        0.0, bent, per_weight.unit, f"cogging under the sweeps of {readings.motor}", "a motor that cogs less"
    )
    per_weight = shifted(per_weight, cogging=cogging)
    parting = 1.0 / weights[0].value - 1.0 / weights[1].value

    def constant(per_weight: float, low: float, high: float) -> float:
        """Torque per weight were the weights others: the sweeps give the difference of two deflections."""
        return per_weight * (1.0 / low - 1.0 / high) / parting

    inputs = {"per_weight": per_weight, "low": weights[0], "high": weights[1]}
    values = dict(zip(NAMES, fit.values.tolist(), strict=True))
    x = shaft_of(s, values)
    chosen = weight == weights[1].value
    magnet = None
    if readings.current(sweeps[1]) is not None:
        magnet = propagate(
            lambda per_weight, low, high, magnet_c, flux_per_k: (
                constant(per_weight, low, high) / (1.0 + flux_per_k * (magnet_c - REFERENCE_C))
            ),
            "N m/A",
            magnet_c=warmths[1].magnet_c,
            flux_per_k=unstated.flux_per_k(readings.spec, readings.motor),
            **inputs,
        )
    return HeldFieldFit(
        peak_torque=propagate(
            lambda per_weight, low, high, r: constant(per_weight, low, high) * high * r, "N m", r=refer[1], **inputs
        ),
        friction=parameters["friction"],
        torque_per_ampere=magnet,
        damping_n_m_s=damping,
        points=branches(
            (phi - values["offset"])[chosen] / readings.pole_pairs - x[chosen] - (speed * values["lag"])[chosen],
            (arm * np.sin(x - values["hang"]) + damping.value * speed + values["inertia"] * acceleration)[chosen],
            way[chosen],
        ),
        warm=refer[1].value,
        parameters=parameters,
    )


def _beliefs(readings: HoldingReadings) -> dict[str, tuple[float, float]]:
    """What is known of the fit's parameters beforehand: value and standard uncertainty, which is never 0."""
    entry = readings.spec.motor[readings.motor]
    once, twice = sensor_error_u(readings.spec, readings.motor)
    made = {"cos_1": (0.0, once), "sin_1": (0.0, once), "cos_2": (0.0, twice), "sin_2": (0.0, twice)}
    made["lag"] = (0.0, 10.0 * LATENCY_S)
    if entry.inductance_h is not None:
        lag = propagate(
            lambda henry, winding_ohm, on_ohm: henry / (winding_ohm + on_ohm),
            "s",
            henry=entry.inductance_h.quantity("H"),
            winding_ohm=entry.resistance_ohm.quantity("ohm"),
            on_ohm=unstated.on_resistance(readings.spec, readings.motor),
        )
        made["lag"] = (lag.value, math.hypot(LATENCY_S, lag.u))
    if (inertia := turning(readings.spec, readings.motor)) is not None:
        made["inertia"] = (inertia.value, inertia.u)
    return {name: (value, max(u, FIRM * abs(value) or FIRM)) for name, (value, u) in made.items()}


def with_share(value: Quantity, source: Quantity) -> Quantity:
    """A quantity that is in proportion to `source`, with its share of the uncertainty added."""
    relative = value.value / source.value
    parts = (value, Quantity(value=0.0, unit=value.unit, budget=scaled(source, relative, value.unit).budget))
    return combine(((1.0, part) for part in parts), value.unit)


def _friction(readings: HoldingReadings, fitted: Quantity, damping: Quantity, speed_rad_s: float) -> Quantity:
    """The fitted friction with the shares of the arm, and of the damping that was taken off at the mean speed."""
    off = Quantity(value=0.0, unit="N m", budget=scaled(damping, -speed_rad_s, "N m").budget)
    return combine(((1.0, with_share(fitted, readings.arm_n_m)), (1.0, off)), "N m")


def branches(x: Array, y: Array, way: Array) -> dict[str, tuple[tuple[float, float], ...]]:
    """Points of the two senses of motion, thinned to at most 150 each."""
    made = {}
    for word, sense in WAYS.items():
        places = np.flatnonzero(way == sense)
        places = places[:: max(1, places.size // 150)]
        made[word] = tuple((float(x[i]), float(y[i])) for i in places)
    return made
