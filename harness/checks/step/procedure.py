"""Step response of the firmware's own position loop: natural frequency, decay, delay, transition metrics, timing.

A staircase of small steps (inside the clip) up and down about hanging, then large ones. Each step lasts until
friction holds the shaft. The places of the steps and their sizes are spread, because cogging and the place
where friction stopped the shaft before bend a single response: their scatter is part of the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.acting.strength import largest_amplitude, require
from harness.base.errors import LinkError, MeasurementError, MissingCapability
from harness.checks.step import dynamics, metrics
from harness.checks.step.steps import Step, small_and_large
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

NEEDS: tuple[str, ...] = ()
PLANNED = (
    "natural_frequency", "decay", "delay", "rise_time", "overshoot", "settling_time", "steady_state_error",
    "large_rise_time", "large_overshoot", "loop_period", "loop_jitter", "stability_margin",
)  # fmt: skip
SMALL_RAD = tuple(float(size) for size in np.linspace(0.054, 0.066, 10))
"""Sizes of the small steps: spread over more than what friction leaves, so that it does not stop all alike."""
WAYS = (-1, -1, 1, 1, 1, 1, -1, -1, -1, -1)
"""Down, up and down again, so that all places are near where the arm hangs and no step only goes to a start."""
LARGE_RAD = 0.3
LARGE_WAYS = (1, -1)
"""From the foot of the staircase, and back to it."""
MOST_S = 1.5
"""A step is over by then, at rest or not. Arbitrary: ten half cycles of a loop of 20 rad/s."""


def procedure(rig: Rig, motor: str, large_steps: bool = True) -> list[Observation]:
    """Small steps, then large ones unless the loop is expected to hunt; the board sees itself whether it does.

    Raises MissingCapability for firmware without a trace hook, or whose clip, which large steps reach, a limit forbids.
    """
    from harness.acting.service import Service

    if rig.firmware_names and "trace" not in rig.firmware_names:
        raise MissingCapability("the firmware has no trace(motor, hook): add it, as the drive contract says")
    places = [0.0]
    for way, place in zip(WAYS, rig.random.permutation(len(SMALL_RAD)), strict=True):
        places.append(places[-1] + way * SMALL_RAD[int(place)])
    for way in LARGE_WAYS if large_steps else ():
        places.append(places[-1] + way * LARGE_RAD)
    declared = rig.declared[motor]
    if large_steps:
        allowed = largest_amplitude(rig.spec, motor, declared.max_static_duty)
        require(allowed, declared.amplitude_limit, "the clip of the firmware's loop")
    turn = declared.counts_per_turn
    offsets = tuple(round(place / math.tau * turn) for place in places[1:])
    reading_c = rig.thermometer.measure_temperature().value if rig.thermometer is not None else None
    rig.progress("steps", 0.05)
    with Service(
        rig, "loop", "steps", motor=rig.index(motor), offsets=offsets, small=len(SMALL_RAD),
        most_ms=round(1000 * MOST_S),
    ) as service:  # fmt: skip
        started = service.until("start")
        if not isinstance(started, tuple) or len(started) != 3:
            raise LinkError(f"loop.steps: expected (count, hook cost, noise) at the start, found {started!r}")
        first, hook_ns, noise = (int(number) for number in started)
        service.until("done", timeout_s=3.0)
        while service.step() is not None:
            pass
        rows = service.rows("trace")
    observation = Observation(
        name=f"{motor}.step.trace",
        columns=(
            Column(name="t", unit="s", scale=1e-6),
            Column(name="count", unit="rad", scale=math.tau / turn),
            Column(name="demand", unit="1", scale=1.0 / 32768.0),
            Column(name="step", unit="1"),
        ),
        data=rows,
        conditions={
            "offsets_count": list(offsets), "small_steps": len(SMALL_RAD), "start_count": first,
            "counts_per_turn": turn, "hook_cost_s": hook_ns * 1e-9, "noise_count": noise, "most_s": MOST_S,
            "pace": declared.pace, "clip": declared.amplitude_limit, "room_c": reading_c,
        },
    )  # fmt: skip
    rig.keep(observation)
    return [observation]


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """All quantities of the check; one that the records do not support is `cannot tell`, with the reason."""
    (trace,) = observations
    small, large = small_and_large(trace)
    found: dict[str, Quantity | str] = {}

    def take(name: str, measured: Callable[[], Quantity]) -> None:
        try:
            found[name] = measured()
        except MeasurementError as error:
            found[name] = str(error)

    source = f"{motor}.step"
    factor = dynamics.to_20_c(spec, motor, trace)
    found["loop_period"], found["loop_jitter"] = metrics.timing(trace.si("t"), source)
    take("decay", lambda: dynamics.decay(small, factor, motor, f"{source}.decay scatter"))
    cold = dynamics.rise_at_20_c
    frequency_source = f"{source}.natural_frequency"
    take(
        "natural_frequency",
        lambda: dynamics.natural_frequency(small, large, spec, motor, factor, frequency_source),
    )
    take("delay", lambda: dynamics.delay(small, trace, found, source))
    take("stability_margin", lambda: dynamics.margin(found, spec, motor))
    take("rise_time", lambda: cold(metrics.small_rise(small, motor, f"{source}.rise_time scatter"), factor))
    take("overshoot", lambda: metrics.small_overshoot(small, motor, f"{source}.overshoot scatter"))
    take("steady_state_error", lambda: _error_left(small, spec, motor, found, f"{source}.steady_state_error scatter"))
    take("settling_time", lambda: _settling(small, spec, motor, found, source))
    if large:
        take("large_rise_time", lambda: cold(metrics.large_rise(large, small, motor, f"{source} levels"), factor))
        take("large_overshoot", lambda: metrics.large_overshoot(large, small, motor, f"{source} levels"))
    return [_result(f"{motor}.step.{name}", found.get(name), trace) for name in PLANNED]


def _error_left(
    small: Sequence[Step], spec: RigSpec, motor: str, found: Mapping[str, Quantity | str], source: str
) -> Quantity:
    frequency = found["natural_frequency"]
    if not isinstance(frequency, Quantity):
        raise MeasurementError(f"how wide friction's band of rest is needs the frequency: {frequency}")
    return metrics.error_left(small, motor, source, dynamics.rest_half_width_rad(spec, motor, frequency.value))


def _settling(
    small: Sequence[Step], spec: RigSpec, motor: str, found: Mapping[str, Quantity | str], source: str
) -> Quantity:
    frequency = found["natural_frequency"]
    if not isinstance(frequency, Quantity):
        raise MeasurementError(f"the half cycle that settling jumps by needs the frequency: {frequency}")
    noise_rad = metrics.noise_of(small, spec, motor)
    return metrics.settling(small, noise_rad, math.pi / frequency.value, f"{source}.settling_time")


def _result(name: str, value: Quantity | str | None, trace: Observation) -> Measurement | Unmeasured:
    if value is None:
        return Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason="large steps are not made with a loop that hunts")
    if isinstance(value, str):
        return Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=value)
    note = f"trace hook {trace.number('hook_cost_s') * 1e6:.1f} us a pass"
    if trace.text("pace") == "called":
        note += "; paced by the harness, not by the firmware: period and jitter are the harness's own"
    return Measurement(name=name, quantity=value, observations=(trace.name,), note=note)


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """One step up and one down of each size: angle from where it began, as a share of the step; decimated."""
    del spec
    found = []
    (trace,) = observations
    for size, steps in zip(("small", "large"), small_and_large(trace), strict=True):
        if not steps:
            continue
        series = {}
        for word, way in (("up", 1.0), ("down", -1.0)):
            step = next((each for each in steps if each.way == way), None)
            if step is None:
                continue
            share = (step.angle_rad - step.initial_rad) / (step.set_point_rad - step.initial_rad)
            every = max(1, step.t_s.size // 1000)
            series[word] = tuple((float(t), float(y)) for t, y in zip(step.t_s[::every], share[::every], strict=True))
        found.append(
            Curve(
                name=f"{motor}.step.{size}", title=f"{size} step".capitalize(), x_label="time from the step",
                x_unit="s", y_label="share of the step", y_unit="1", series=series, joined=True,
            )
        )  # fmt: skip
    return found
