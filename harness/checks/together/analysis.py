"""Does one motor feel the other through the supply?

The change of deflection and the sag of the supply are what a weak source, a shared driver or a firmware that runs out
of time would show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.checks.together.stimulus import HOLD, NO_SUPPLY
from harness.nouns.observation import Observation, observation_named
from harness.nouns.quantity import Contribution, Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec
from harness.rigfile.arm import field_torque_n_m

SIDE = 0.5
"""Part of friction / stiffness by which one slow approach from below may end to either side of another: friction holds
a shaft anywhere from where it would stand without any to friction / stiffness short of that; cogging decides where."""
UNSTATED_STUCK_RAD = 0.02
"""Friction / stiffness where the rig file does not tell both (arbitrary: a degree, which a person feels as play)."""


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """Deflection change of each motor (rad) and the sag of the supply (V)."""
    observation = observation_named(observations, HOLD)
    names = spec.motors
    last = len(names)
    results: list[Measurement | Unmeasured] = []
    for number, name in enumerate(names):
        means = []
        for wanted in (number, last):
            chosen = _error_rad(observation, spec, number, wanted)
            if chosen.size < 5:
                raise MeasurementError(f"together: too few samples of {name} in spell {wanted}")
            means.append(
                (float(np.mean(chosen)), float(np.std(chosen, ddof=1) / math.sqrt(chosen.size)), chosen.size - 1)
            )
        noise = math.hypot(means[0][1], means[1][1])
        budget = {
            f"{name} noise of the hold": Contribution(u=noise, dof=float(means[0][2]), remedy="more readings"),
            f"where friction left {name}": Contribution(
                u=_stuck(spec, name) * math.sqrt(2.0 / 3.0), shape="triangular", remedy="more approaches"
            ),
        }
        change = Quantity(value=means[1][0] - means[0][0], unit="rad", budget=budget)
        results.append(
            Measurement(name=f"together.{name}_deflection_change", quantity=change, observations=(observation.name,))
        )
    results.append(_sag(observation, spec))
    return results


def _error_rad(observation: Observation, spec: RigSpec, motor: int, spell: int) -> NDArray[np.float64]:
    """Set point less reading of a motor in one spell (n)."""
    turn = spec.motor[spec.motors[motor]].sensor.counts
    chosen = (observation.si("spell") == spell) & (observation.si("motor") == motor)
    error = (observation.si("target") - observation.si("count"))[chosen]
    return np.asarray(((error + turn / 2) % turn - turn / 2) * math.tau / turn)


def _stuck(spec: RigSpec, motor: str) -> float:
    """Half-width, rad, of where friction may leave the shaft: the most that the rig file lets friction be."""
    friction, gain = spec.motor[motor].coulomb_friction_n_m, spec.firmware.gain_per_rad
    stiffness = None if gain is None else field_torque_n_m(spec, motor, gain.value)  # an amplitude for each rad
    if friction is None or stiffness is None:
        return SIDE * UNSTATED_STUCK_RAD
    return SIDE * friction.high / stiffness


def _sag(observation: Observation, spec: RigSpec) -> Measurement | Unmeasured:
    volts = observation.series("volts")
    last = str(len(spec.motors))
    if last not in volts or not spec.instruments_of("supply"):
        return Unmeasured(
            name="together.supply_sag",
            outcome=Outcome.NOT_RUN,
            reason=NO_SUPPLY,
        )
    alone = [value for spell, values in volts.items() if spell != last for value in values]
    both = volts[last]
    # Each spell has a level of its own; what its readings scatter by is the same in all.
    squares = math.fsum(float(np.var(values)) * len(values) for values in volts.values())
    dof = max(1.0, float(sum(map(len, volts.values())) - len(volts)))
    u = max(math.sqrt(squares / dof), 1e-4) * math.sqrt(1.0 / len(alone) + 1.0 / len(both))
    part = Contribution(u=u, dof=dof, remedy="more readings")
    value = float(np.mean(alone) - np.mean(both))
    # Gain and offset of one instrument cancel in a difference of two nearly equal readings.
    return Measurement(
        name="together.supply_sag",
        observations=(observation.name,),
        quantity=Quantity(value=value, unit="V", budget={"supply readings": part}),
    )


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Position error of each motor, alone and together."""
    observation = observation_named(observations, HOLD)
    series: dict[str, tuple[tuple[float, float], ...]] = {}
    for number, name in enumerate(spec.motors):
        for wanted, word in ((number, "alone"), (len(spec.motors), "together")):
            error = _error_rad(observation, spec, number, wanted)
            series[f"{name} {word}"] = tuple((float(place), float(value)) for place, value in enumerate(error))
    return [
        Curve(
            name="together.error",
            title="Position error under the arm, alone and together",
            x_label="reading",
            x_unit="1",
            y_label="set point less reading",
            y_unit="rad",
            series=series,
            joined=True,
        )
    ]
