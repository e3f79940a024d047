"""What the rig file lets expect of a step of the firmware's position loop, at 20 degC.

Stability margin first: a proportional loop on a shaft of low friction holds only while
K (delay + T/2 + L/R) < viscous + Kt^2 / (1.5 R): the delay takes from the damping what it turns into
(first-order expansion of the delayed angle; half a period for the hold: any textbook on sampled control).
The natural frequency is sqrt((K + m g l cos) / J), bent by the dead zone of the dead time; response and turning
points by harness/physics/swing.py, with the definitions of the measurement applied to them. Left out: cogging
(its share is in the budget), saliency, the table's steps, the speed dependence of friction.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.step import staircase as stairs
from harness.checks.step.stimulus import MEAN_PLACE_RAD
from harness.nouns.quantity import Quantity, exact, propagate, rectangular, shifted
from harness.nouns.results import Expectation
from harness.physics.loop import lacking, loop_delay, loop_period, shaft

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec

HUNTING_MARGIN = 1.0


def stability_margin(spec: RigSpec, declared: Declared, motor: str) -> Quantity | None:
    """Damping there is over damping that the delay takes; below 1 the loop hunts. None if the rig file is silent."""
    if lacking(spec, motor):
        return None
    parts = shaft(spec, declared, motor)
    return propagate(
        lambda damping, loop, lag: damping / (loop * lag), "1",
        damping=parts["damping"], loop=parts["loop"], lag=parts["lag_s"],
    )  # fmt: skip


def expected_to_hunt(spec: RigSpec, declared: Declared, motor: str) -> bool:
    """Whether the rig file lets expect a limit cycle: then only small steps are made."""
    margin = stability_margin(spec, declared, motor)
    return margin is not None and margin.value < HUNTING_MARGIN


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Expectations of the step check for one motor; an absent input is named in `needs`."""
    lack = lacking(spec, motor)
    delay = loop_delay(spec, motor)
    parts = {} if lack else shaft(spec, declared, motor)
    stated = spec.motor[motor].sensor.noise_rad
    noise = stated.value if stated is not None else 0.0  # of no use but to the settling time, which needs it stated

    def given(name: str, make: Callable[[], Quantity], model: str, missing: tuple[str, ...] = lack) -> Expectation:
        full = f"{motor}.step.{name}"
        if missing:
            return Expectation(name=full, needs=missing, model=model)
        try:
            return Expectation(name=full, quantity=make(), model=model)
        except MeasurementError as error:
            return Expectation(name=full, needs=(f"a loop that swings: {error}",), model=model)

    def swings(**values: float) -> float:
        """Frequency of the small steps, rad/s."""
        motions = stairs.motions(tuple(values[name] for name in stairs.SHAFT), stairs.STARTS)
        return float(np.mean([stairs.frequency(each) for each in motions]))

    def between(**values: float) -> float:
        """Decay halfway between a sharp dead zone and none: small currents see less dead time than large ones."""
        sharp = tuple(values[name] for name in stairs.SHAFT)
        none = tuple(0.0 if name == "dead_rad" else values[name] for name in stairs.SHAFT)
        clip_rad = values["clip_rad"]
        return 0.5 * sum(stairs.decay(stairs.motions(each, stairs.STARTS), clip_rad) for each in (sharp, none))

    @cache
    def drawn() -> stairs.StaircaseDraws:
        return stairs.draw_staircases(parts, noise)

    def bent(quantity: Quantity, slope: float) -> Quantity:
        """With what the shape of the dead zone does to the decay, times what the decay does to the quantity."""
        values = {name: parts[name].value for name in stairs.SHAFT}
        sharp = stairs.decay(stairs.motions(tuple(values.values()), stairs.STARTS), values["clip_rad"])
        half = slope * abs(sharp - between(**values))
        shape = rectangular(0.0, half, "1", "shape of the dead zone at small currents", remedy="larger steps")
        return shifted(quantity, shape=shape)

    def loss(**values: float) -> float:
        """Decay a half cycle that the delay takes away."""
        return math.pi / 2.0 * swings(**values) * values["lag_s"] * values["loop"] / (values["loop"] + values["arm"])

    def margin() -> Quantity:
        ratio = propagate(lambda **values: 1.0 + between(**values) / loss(**values), "1", **parts)
        return bent(ratio, 1.0 / loss(**{name: parts[name].value for name in stairs.SHAFT}))

    pieces = "motion in pieces"
    small = f"{pieces} from the rig file's stiffness, inertia, damping and friction, mean over the staircase"
    chain = f"Monte Carlo over the rig file's inputs of the whole sequence, each {pieces}"
    big = f"{chain}, with the clip"
    results = [
        given("stability_margin", margin, "1 + d / ((pi/2) w (delay + T/2) K/(K + m g l)); below 1 the loop hunts"),
        given(
            "natural_frequency",
            lambda: propagate(swings, "rad/s", **parts),
            f"sqrt((K + m g l cos)/J), lowered by the dead zone: {small}",
        ),
        given(
            "decay",
            lambda: bent(propagate(between, "1", **parts), 1.0),
            "pi (viscous + Kt^2/(1.5 R) - K (delay + T/2)) / (2 J w), halfway to a sharp dead zone",
        ),
        given(
            "delay",
            lambda: delay if delay is not None else exact(0.0, "s"),
            "age of the reading + reading to duties + L/(R + Ron), without the half period of the hold",
            () if delay is not None else lack,
        ),
        given("rise_time", lambda: drawn().quantity("rise_time", "s"), chain),
        given("overshoot", lambda: drawn().quantity("overshoot", "1"), chain),
        given("large_rise_time", lambda: drawn().quantity("large_rise_time", "s"), big),
        given("large_overshoot", lambda: drawn().quantity("large_overshoot", "1"), big),
        given("loop_period", lambda: loop_period(spec, declared), "as the rig file states it, else as declared", ()),
    ]
    unseen = () if stated is not None else (f"motor.{motor}.sensor.noise_rad",)
    results.append(_settling_expectation(f"{motor}.step.settling_time", (*lack, *unseen), drawn))
    results.append(_error_expectation(f"{motor}.step.steady_state_error", lack, parts))
    return results


def _settling_expectation(name: str, lack: tuple[str, ...], drawn: Callable[[], stairs.StaircaseDraws]) -> Expectation:
    """An interval over friction's tolerance: settling jumps by half cycles, and friction decides how many."""
    model = "Monte Carlo over the rig file's inputs of the whole sequence: an interval over the largest of them"
    if lack:
        return Expectation(name=name, needs=lack, model=model)
    try:
        middle, interval = drawn().bounded("settling_time", "s")
    except MeasurementError as error:
        return Expectation(name=name, needs=(f"a loop that settles: {error}",), model=model)
    return Expectation(name=name, quantity=middle, interval=interval, model=model)


def _error_expectation(name: str, lack: tuple[str, ...], parts: dict[str, Quantity]) -> Expectation:
    """Droop of the arm at the mean place of the steps, and friction either way of it."""
    droop = f"-m g l x {MEAN_PLACE_RAD:.3f} rad / (K + m g l)"
    model = f"{droop} +- friction / (K + m g l): friction holds the shaft anywhere in between"
    if lack:
        return Expectation(name=name, needs=lack, model=model)
    half = {way: propagate(
        lambda loop, arm, friction, dead, way=way:
        (-MEAN_PLACE_RAD * arm + way * (friction + loop * dead)) / (loop + arm), "rad",
        loop=parts["loop"], arm=parts["arm"], friction=parts["friction"], dead=parts["dead_rad"])
        for way in (-1.0, 0.0, 1.0)}  # fmt: skip
    middle = Quantity(value=half[0.0].value, unit="rad", budget=half[1.0].budget)
    return Expectation(name=name, quantity=middle, interval=(half[-1.0].value, half[1.0].value), model=model)
