"""What the checks may set: never more than a limit allows, and on the demo's rigs what they always set."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MissingCapability
from harness.checks.commutation import stimulus as commutation
from harness.checks.registry import check_named
from harness.checks.step import stimulus as step
from harness.checks.stiffness import stimulus as stiffness
from harness.checks.strength import largest_amplitude, largest_current_a, require
from harness.checks.thermal import heating
from harness.checks.thermal import stimulus as thermal
from harness.nouns.mounting import Mounting
from harness.rigfile import RigSpec, load
from tests.software.run.fakes import declared

SLUICE = load("rigs_demo/rigs/sluice.toml")
RIGS = (SLUICE, load("rigs_demo/rigs/handwheel.toml"))
MOTORS = [(spec, motor) for spec in RIGS for motor in spec.motors]


def limited(spec: RigSpec = SLUICE, *, phase_a: float | None = None, supply_a: float | None = None) -> RigSpec:
    limits, supply = spec.limits, spec.supply
    if phase_a is not None:
        limits = limits.model_copy(update={"phase_current_a": phase_a})
    if supply_a is not None:
        supply = supply.model_copy(update={"current_limit_a": supply_a})
    return spec.model_copy(update={"limits": limits, "supply": supply})


class Touched(Exception):
    """A check has gone on to its board."""


def rig(spec: RigSpec, **changes: object) -> Any:
    def script(*_: object, **__: object) -> None:
        raise Touched

    nothing = SimpleNamespace(measure_temperature=lambda: SimpleNamespace(value=21.0))
    return SimpleNamespace(
        spec=spec,
        declared=dict.fromkeys(spec.motors, declared(**changes)),
        supply=nothing,
        thermometer=nothing,
        multimeter=lambda _: nothing,
        firmware_names=("trace",),
        random=SimpleNamespace(permutation=range),
        progress=lambda *_, **__: None,
        index=spec.motors.index,
        mounting=lambda _: Mounting(direction=1, offset_rad=0.8, hang_rad=2.0),
        script=script,
        guard_terms=dict,
    )


def begin(check: str, spec: RigSpec, **changes: object) -> None:
    """What a qualification does with a check, up to its first touch of the board."""
    here, wanted = rig(spec, **changes), check_named(check)
    wanted.procedure(here, "leaf", wanted.stimulus(spec, here.declared["leaf"], "leaf"))


@pytest.mark.parametrize(("spec", "motor"), MOTORS)
def test_the_demos_rigs_bear_the_whole_stimulus(spec: RigSpec, motor: str) -> None:
    assert commutation.strength(spec, motor, 1.0)[0] == commutation.AMPLITUDE == 0.6
    assert tuple(stiffness.SWEEPS.values()) == (0.3, 0.6)
    assert largest_amplitude(spec, motor, 1.0).value > 0.6
    assert thermal.CURRENT_A == 0.55
    assert largest_current_a(spec, motor).value > 0.55


@pytest.mark.parametrize("check", ["commutation", "stiffness", "step", "thermal"])
def test_every_check_begins_on_the_demos_rig(check: str) -> None:
    with pytest.raises(Touched):
        begin(check, SLUICE)


def test_the_first_look_at_a_current_is_what_it_was_on_the_demos_rig() -> None:
    here = rig(SLUICE)
    here.script = lambda *_, **__: None
    assert heating.HeatingService(here, "leaf", 0.003, thermal.CURRENT_A)._first == heating.FIRST_DIFFERENCE == 0.1


def test_a_winding_of_little_resistance_gets_less_at_the_first_look() -> None:
    ohm = SLUICE.motor["leaf"].resistance_ohm
    motor = SLUICE.motor["leaf"].model_copy(update={"resistance_ohm": type(ohm)(**_entries(ohm, 0.1))})
    spec = SLUICE.model_copy(update={"motor": {**SLUICE.motor, "leaf": motor}, "supply": limited(supply_a=20.0).supply})
    here = rig(spec)
    here.script = lambda *_, **__: None
    first = heating.HeatingService(here, "leaf", 0.003, thermal.CURRENT_A)._first
    assert (first - 0.006) * 12.0 / 2.0 / 0.1 <= spec.limits.phase_current_a
    assert first < 0.1


def _entries(known: Any, value: float) -> dict[str, Any]:
    names = getattr(known, "__dataclass_fields__", None) or type(known).model_fields
    return {name: getattr(known, name) for name in names} | {"value": value}


@pytest.mark.parametrize(
    ("check", "spec", "changes", "words"),
    [
        ("commutation", limited(phase_a=0.05), {}, "limits.phase_current_a is 0.05 A: it allows amplitude 0.034"),
        ("commutation", SLUICE, {"max_static_duty": 0.5}, r"max_static_duty 0\.50: it allows amplitude 0, "),
        ("stiffness", limited(phase_a=0.5), {}, r"limits.phase_current_a is 0.5 A: it allows amplitude 0.34, .* 0.6$"),
        ("stiffness", limited(supply_a=0.2), {}, "supply.current_limit_a is 0.2 A: it allows amplitude"),
        ("stiffness", SLUICE, {"max_static_duty": 0.7}, "max_static_duty 0.70: it allows amplitude 0.4, .* 0.6$"),
        ("stiffness", SLUICE, {"amplitude_limit": 1.0}, "the clip of the firmware's loop needs amplitude 1$"),
        ("step", SLUICE, {"amplitude_limit": 1.0}, "the clip of the firmware's loop needs amplitude 1$"),
        ("thermal", limited(phase_a=0.5), {}, "limits.phase_current_a is 0.5 A: it allows 0.45 A, .* needs 0.55 A$"),
        ("thermal", limited(supply_a=0.3), {}, "supply.current_limit_a is 0.3 A: it allows 0.*, .* needs 0.55 A$"),
    ],
)
def test_a_check_that_needs_more_is_not_run_and_says_which_limit(
    check: str, spec: RigSpec, changes: dict[str, object], words: str
) -> None:
    with pytest.raises(MissingCapability, match=rf"^because .*{words}"):
        begin(check, spec, **changes)


def test_small_steps_are_made_where_the_clip_is_too_strong() -> None:
    with pytest.raises(Touched):
        here = rig(SLUICE, amplitude_limit=1.0)
        small = step.stimulus(SLUICE, here.declared["leaf"], "leaf", hunts=True)
        check_named("step").procedure(here, "leaf", small)


@given(
    phase_a=st.floats(0.02, 5.0), supply_a=st.floats(0.1, 5.0), duty=st.floats(0.5, 1.0), which=st.sampled_from(MOTORS)
)
def test_no_stimulus_goes_over_any_limit(
    phase_a: float, supply_a: float, duty: float, which: tuple[RigSpec, str]
) -> None:
    spec, motor = limited(which[0], phase_a=phase_a, supply_a=supply_a), which[1]
    ohm, volts = spec.motor[motor].resistance_ohm.low, spec.supply.voltage_v.high
    idle_a = spec.driver.idle_current_a.high if spec.driver.idle_current_a is not None else 0.0
    amplitude = largest_amplitude(spec, motor, duty).value
    assert 0.5 + max(amplitude, 0.0) / 2.0 <= duty + 1e-9
    if amplitude > 0.0:
        # Three sine phases, each at its own place: power by brute force.
        peaks = [amplitude * volts / 2.0 * math.cos(k * math.tau / 3.0 + 0.3) for k in range(3)]
        assert amplitude * volts / 2.0 / ohm < phase_a
        assert sum(v * v / ohm for v in peaks) / volts + idle_a < supply_a
    current = largest_current_a(spec, motor).value
    assert current < phase_a
    if current > 0.0:
        assert 2.0 * spec.motor[motor].resistance_ohm.high * current**2 / volts + idle_a < supply_a


def test_what_is_allowed_is_let_pass() -> None:
    require(largest_amplitude(SLUICE, "leaf", 1.0), 0.6, "this")
    with pytest.raises(MissingCapability, match=r"this needs amplitude 0\.9$"):
        require(largest_amplitude(SLUICE, "leaf", 1.0), 0.9, "this")
