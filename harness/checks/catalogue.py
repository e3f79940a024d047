"""Names of the checks and of the quantities they measure, with words for people.

A quantity's full name is `motor.check.quantity` (`gate.stiffness.open_loop`), or `together.quantity` for
what belongs to both motors. The rig file, the table at the terminal and the report read this list; each
measure module states for itself what it plans, and a test holds the two against each other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.nouns.names import Name


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One bench check: its name on the command line, its title, and its quantities with their words.

    MOTOR in the name of a quantity stands for each motor of the rig.
    """

    name: str
    title: str
    per_motor: bool
    quantities: Mapping[str, str]


CHECKS: tuple[Check, ...] = (
    Check(
        name="commutation",
        title="Commutation step order",
        per_motor=True,
        quantities={
            "direction": "sense of the reading for a field in the order A, B, C",
            "pole_pairs": "pole pairs counted",
            "phase_order": "place of the phases in the order A, B, C",
            "step_angle": "mean angle of a step of 60 electrical degrees",
            "step_spread": "rms departure of the steps from even ones, noise taken off",
            "offset": "electrical angle at reading zero",
            "hang_reading": "reading with the arm hanging",
            "weakest_vector": "weakest pair of vectors over the mean (current, else motion)",
            "sensor_noise": "noise of the reading at standstill",
            "distinct_codes": "distinct codes at standstill",
            "sensor_age": "age of the reading when the firmware hands it over",
        },
    ),
    Check(
        name="stiffness",
        title="Holding stiffness",
        per_motor=True,
        quantities={
            "open_loop": "stiffness of a held field",
            "closed_loop": "stiffness of the position loop",
            "ratio": "closed-loop to open-loop stiffness",
            "friction": "friction torque, half the distance of the branches",
            "slip_torque": "largest torque of a held field before it slips",
            "clip_torque": "largest torque of the loop before it gives way",
            "torque_per_ampere": "torque per ampere of phase current",
            "supply_voltage": "supply voltage while holding",
        },
    ),
    Check(
        name="step",
        title="Step response",
        per_motor=True,
        quantities={
            "natural_frequency": "natural frequency of the loop",
            "decay": "decay per half cycle",
            "delay": "delay from set point to motion",
            "rise_time": "rise time of a small step",
            "overshoot": "overshoot of a small step",
            "settling_time": "settling time of a small step",
            "steady_state_error": "error left after a small step",
            "large_rise_time": "rise time of a large step",
            "large_overshoot": "overshoot of a large step",
            "loop_period": "period of the firmware's loop",
            "loop_jitter": "jitter of that period",
            "stability_margin": "margin of the loop's stability",
        },
    ),
    Check(
        name="thermal",
        title="Thermal rise",
        per_motor=True,
        quantities={
            "resistance": "winding resistance at 20 degC",
            "rise": "final rise of the winding",
            "fast_rise": "rise of the winding over its housing",
            "fast_time": "time constant, winding to housing",
            "slow_time": "time constant, housing to ambient",
            "driver_rise": "rise of the driver",
        },
    ),
    Check(
        name="together",
        title="Both motors holding",
        per_motor=False,
        quantities={
            "MOTOR_deflection_change": "change of a motor's deflection when the other motor joins",
            "supply_sag": "fall of the supply when both hold",
        },
    ),
)

CHECK_NAMES: tuple[str, ...] = tuple(check.name for check in CHECKS)


def quantities_of(check: Check, motors: Iterable[str]) -> dict[str, str]:
    """Quantities of a check on a rig with these motors, with their words."""
    found: dict[str, str] = {}
    for quantity, words in check.quantities.items():
        if "MOTOR" in quantity:
            found.update({quantity.replace("MOTOR", motor): words for motor in motors})
        else:
            found[quantity] = words
    return found


def words_of(name: str) -> str:
    """What a quantity is, in words; the name itself where the list does not know it."""
    dotted = Name(name)
    for known in CHECKS:
        for pattern, words in known.quantities.items() if known.name == dotted.check else ():
            if re.fullmatch(pattern.replace("MOTOR", "[a-z0-9_]+"), dotted.quantity):
                return words
    return name
