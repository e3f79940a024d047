"""What stiffness takes and does, and what arm and supply leave open of it, known before it is run."""

from __future__ import annotations

from collections.abc import Mapping

from harness.checks.effort import field_effort, loop_amplitude
from harness.checks.stiffness.procedure import CLIP_RAD_S, EDGE_S, SPEED_RAD_S
from harness.checks.stiffness.stimulus import AMPLITUDE, BY_SUPPLY, NO_SUPPLY, stimulus
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.nouns.quantity import Quantity, exact, propagate
from harness.nouns.reading import Reading
from harness.rigfile import RigSpec

SWEPT_S = 16.0
"""Sweeps of the field, slip and sweep of the loop, which no rig changes (the sum of the procedure's own waits)."""
FIELD_S = 9.0
"""Of them, those of the field; its smaller amplitude is taken for the larger."""
BY_ARM = ("open_loop", "closed_loop", "slip_torque", "clip_torque", "torque_per_ampere")
"""Torques and stiffnesses, which are the arm's times a number."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """As long as the ways to the loop's clip, which go as far as the travel allows; the loop once more inside it."""
    done = stimulus(spec, declared, motor)
    near, far = done.clip_rad
    usual_s = SWEPT_S + 2.0 * (far - near) / CLIP_RAD_S
    again_s = 4.0 * done.loop_reach_rad / SPEED_RAD_S + 3.0 * EDGE_S
    return field_effort(
        spec,
        motor,
        Duration(least_s=usual_s, usual_s=usual_s, most_s=usual_s + again_s),
        [(AMPLITUDE, FIELD_S), (loop_amplitude(spec, declared), usual_s + again_s - FIELD_S)],
        travel_rad=max(far, done.reach_rad, done.loop_reach_rad, done.slip_reach_rad),
    )


def foreseen(spec: RigSpec, motor: str, expected: Mapping[str, Quantity]) -> Mapping[str, Quantity]:
    """The arm's mass and length, of all that it is the measure of; the supply's accuracy, of its voltage."""
    found: dict[str, Quantity] = {}
    load = spec.motor[motor].load
    if load is not None and load.mass_kg is not None and load.length_m is not None:
        for name in (f"{motor}.stiffness.{quantity}" for quantity in BY_ARM):
            if name in expected:
                found[name] = propagate(
                    lambda n_m, kg, m, nominal=load.mass_kg.value * load.length_m.value: n_m * kg * m / nominal,
                    expected[name].unit,
                    n_m=exact(expected[name].value, expected[name].unit),
                    kg=load.mass_kg.quantity("kg"),
                    m=load.length_m.quantity("m"),
                )
    name = f"{motor}.stiffness.supply_voltage"
    for supply in spec.instruments_of("supply")[:1]:
        accuracy = spec.instrument[supply].voltage_accuracy
        if accuracy is not None and name in expected:
            volts = expected[name].value
            found[name] = Reading(name=supply, function="voltage", value=volts, unit="V", accuracy=accuracy).quantity()
    return found


def unmeasured(spec: RigSpec, declared: Declared, motor: str) -> Mapping[str, str]:
    """What takes a supply that is an instrument."""
    lacks = not spec.instruments_of("supply")
    return {f"{motor}.stiffness.{quantity}": NO_SUPPLY for quantity in BY_SUPPLY if lacks}
