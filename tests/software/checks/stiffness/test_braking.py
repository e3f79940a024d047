"""What brakes a shaft that moves under a field: bearings, and its own winding by the heat that it drives into it."""

from __future__ import annotations

import math
import re

import pytest

from harness.checks.stiffness.braking import Braking
from harness.nouns.quantity import exact
from harness.rigfile import RigSpec, loads
from tests.software.checks.windings import RIG, Machine

PAIRS, FLUX, OHM, VOLTS, VISCOUS = 10, 6.6e-3, 4.6 + 0.25, 12.0, 1.3e-4


def rig(*silent: str) -> RigSpec:
    text = RIG
    for key in silent:
        text = re.sub(rf"^{key} = .*\n", "", text, flags=re.MULTILINE)
    return loads(text.encode(), "rig.toml")


def heat(steps: int = 3600) -> float:
    """Of three phases that a turning shaft drives current through, over the square of its speed, N m s."""
    emfs = [
        PAIRS * FLUX * math.sin(math.tau * k / steps - phase * math.tau / 3.0)
        for k in range(steps)
        for phase in range(3)
    ]
    return math.fsum(emf**2 for emf in emfs) / OHM / steps


def test_by_the_flux_that_the_rig_file_states() -> None:
    assert Braking(spec=rig(), motor="leaf", by_current=False).values()(1.0) == pytest.approx(heat() + VISCOUS)


def test_by_the_torque_of_an_ampere_where_no_flux_is_stated() -> None:
    """Measured, from three windings at the current of one ampere."""
    machine = Machine(pole_pairs=PAIRS, flux_v_s=FLUX, ohm=OHM)
    one_ampere = 2.0 * OHM / VOLTS
    per_ampere = machine.torque(math.pi / 2.0 / PAIRS, one_ampere, VOLTS)
    found = Braking(spec=rig("flux_linkage_v_s"), motor="leaf", by_current=True).values()(per_ampere)
    assert found == pytest.approx(heat() + VISCOUS, rel=1e-3)


def test_by_the_torque_of_an_amplitude_where_no_current_was_read_either() -> None:
    machine = Machine(pole_pairs=PAIRS, flux_v_s=FLUX, ohm=OHM)
    whole = machine.torque(math.pi / 2.0 / PAIRS, 1.0, VOLTS)
    found = Braking(spec=rig("flux_linkage_v_s"), motor="leaf", by_current=False).values()(whole)
    assert found == pytest.approx(heat() + VISCOUS, rel=1e-3)


def test_bearings_of_which_nothing_is_stated_brake_up_to_half_of_what_the_winding_does() -> None:
    found = Braking(spec=rig("viscous_friction_n_m_s"), motor="leaf", by_current=False).damping(exact(1.0, "1"))
    assert found.value == pytest.approx(1.25 * heat())
    part = found.budget["motor.leaf.viscous_friction_n_m_s not stated"]
    assert part.u * math.sqrt(3.0) == pytest.approx(0.25 * heat())
