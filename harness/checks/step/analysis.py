"""What the step response makes of a trace: natural frequency, decay, delay, transition metrics, timing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.step import dynamics, metrics
from harness.checks.step.quantities import CHECK
from harness.checks.step.steps import Step, small_and_large
from harness.checks.step.stimulus import HUNTS
from harness.corrections.cogging import Cogging, cogging_of
from harness.nouns.loop_span import LoopSpan, span_of
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """All quantities of the check; one that the records do not support is `cannot tell`, with the reason."""
    (trace,) = observations
    small, large = small_and_large(trace)
    results: dict[str, Quantity | Unmeasured] = {}
    source = f"{motor}.step"

    def take(name: str, measured: Callable[[], Quantity]) -> None:
        try:
            results[name] = measured()
        except MeasurementError as error:
            results[name] = Unmeasured(name=f"{source}.{name}", outcome=Outcome.CANNOT_TELL, reason=str(error))

    factor = dynamics.to_20_c(spec, motor, trace)
    cogging = cogging_of(spec, motor)
    results["loop_period"], results["loop_jitter"] = metrics.timing(trace.si("t"), source)
    take("decay", lambda: dynamics.decay(small, factor, cogging, f"{source}.decay scatter"))
    cold = dynamics.rise_at_20_c
    frequency_source = f"{source}.natural_frequency"
    take(
        "natural_frequency",
        lambda: dynamics.natural_frequency(small, large, spec, cogging, factor, frequency_source),
    )
    take("delay", lambda: dynamics.delay(small, trace, results, source))
    take("stability_margin", lambda: dynamics.margin(results, spec, motor))
    take("rise_time", lambda: cold(metrics.small_rise(small, cogging, f"{source}.rise_time scatter"), factor))
    take("overshoot", lambda: metrics.small_overshoot(small, cogging, f"{source}.overshoot scatter"))
    take(
        "steady_state_error",
        lambda: _error_left(small, spec, cogging, results, f"{source}.steady_state_error scatter"),
    )
    take("settling_time", lambda: _settling(small, spec, motor, results, source))
    if large:
        take("large_rise_time", lambda: cold(metrics.large_rise(large, small, cogging, f"{source} levels"), factor))
        take("large_overshoot", lambda: metrics.large_overshoot(large, small, cogging, f"{source} levels"))
    else:
        for name in ("large_rise_time", "large_overshoot"):
            results[name] = Unmeasured(name=f"{source}.{name}", outcome=Outcome.NOT_RUN, reason=HUNTS)
    return [_with_note(f"{source}.{row.name}", results[row.name], trace) for row in CHECK.quantities]


def loop_spans(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[LoopSpan]:
    """Where the loop was exercised: all steps, by the set points that they were given."""
    (trace,) = observations
    turn, start = trace.whole("counts_per_turn"), trace.whole("start_count")
    set_points = (start + np.array([0, *trace.wholes("offsets_count")])) * math.tau / turn
    hang = spec.motor[motor].stated_hang_rad
    hang_rad = hang.value if hang is not None else float(set_points[0])
    target_rad = set_points[trace.si("step").astype(np.int64)]
    return [span_of(trace.si("t"), trace.si("count"), target_rad, hang_rad)]


def _error_left(
    small: Sequence[Step], spec: RigSpec, cogging: Cogging, results: dynamics.Results, source: str
) -> Quantity:
    need = "how wide friction's band of rest is needs the frequency"
    frequency = dynamics.measured(results, "natural_frequency", need)
    rest_rad = dynamics.rest_half_width_rad(small, spec, cogging.motor, frequency.value)
    return metrics.error_left(small, cogging, source, rest_rad)


def _settling(small: Sequence[Step], spec: RigSpec, motor: str, results: dynamics.Results, source: str) -> Quantity:
    frequency = dynamics.measured(
        results, "natural_frequency", "the half cycle that settling jumps by needs the frequency"
    )
    noise_rad = metrics.noise_of(small, spec, motor)
    return metrics.settling(small, noise_rad, math.pi / frequency.value, f"{source}.settling_time")


def _with_note(name: str, result: Quantity | Unmeasured, trace: Observation) -> Measurement | Unmeasured:
    if isinstance(result, Unmeasured):
        return result
    note = f"trace hook {trace.number('hook_cost_s') * 1e6:.1f} us a pass"
    if trace.text("pace") == "called":
        note += "; paced by the harness, not by the firmware: period and jitter are the harness's own"
    return Measurement(name=name, quantity=result, observations=(trace.name,), note=note)


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """One step up and one down of each size: angle from where it began, as a share of the step; decimated."""
    drawn = []
    (trace,) = observations
    for size, steps in zip(("small", "large"), small_and_large(trace), strict=True):
        if not steps:
            continue
        series, begun = {}, {}
        for word, way in (("up", 1.0), ("down", -1.0)):
            step = next((each for each in steps if each.way == way), None)
            if step is None:
                continue
            share = (step.angle_rad - step.initial_rad) / (step.set_point_rad - step.initial_rad)
            every = max(1, step.t_s.size // 1000)
            series[word] = tuple((float(t), float(y)) for t, y in zip(step.t_s[::every], share[::every], strict=True))
            begun[word] = {
                "way": step.way,
                "way_rad": abs(step.set_point_rad - step.initial_rad),
                "place_rad": step.place_rad,
            }
        drawn.append(
            Curve(
                name=f"{motor}.step.{size}", title=f"{size} step".capitalize(), x_label="time from the step",
                x_unit="s", y_label="share of the step", y_unit="1", series=series, begun=begun, joined=True,
            )
        )  # fmt: skip
    return drawn
