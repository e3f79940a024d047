"""Step response of the firmware's own position loop: natural frequency, decay, delay, transition metrics, timing.

A staircase of small steps (inside the clip) up and down about hanging, then large ones. Each step lasts until
friction holds the shaft. The places of the steps and their sizes are spread, because cogging and the place
where friction stopped the shaft before bend a single response: their scatter is part of the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.errors import LinkError, MeasurementError, MissingCapability
from harness.measure import pulse
from harness.measure.fit import linear, straight_line
from harness.measure.swings import Swings, decay_per_half_cycle, demand_lag, find_onset, find_swings, smoothed
from harness.measure.temperature import estimate, room, to_reference
from harness.observation import Column, Observation
from harness.quantity import Quantity, normal, propagate, rectangular, shifted
from harness.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

Array = NDArray[np.float64]
NEEDS: tuple[str, ...] = ()
PLANNED = (
    "natural_frequency", "decay", "delay", "rise_time", "overshoot", "settling_time", "steady_state_error",
    "large_rise_time", "large_overshoot", "loop_period", "loop_jitter", "stability_margin",
)  # fmt: skip
SMALL_RAD = tuple(float(size) for size in np.linspace(0.054, 0.066, 10))
"""Sizes of the small steps: spread over more than what friction leaves, so that it does not stop all alike."""
FIRST_RAD = -0.15
"""Foot of the staircase from hanging; five small steps up, five down."""
LARGE_RAD = 0.4
LEVEL_S = 0.08
"""Mean over this long before a change and at the end of a step: shorter than the shaft is seen to be still."""
MOST_S = {"small": 1.2, "large": 1.5}
HUNTING_DECAY = -0.02
"""Below this the swings grow: no large steps. Arbitrary."""
COGGING_SHARE = 0.04
"""Half-width of what cogging does to a large step at one place (own simulation with 0.7 mN m)."""
ONSET_PHASE_RAD = math.pi / 3.0
ONSET_PER_DECAY_RAD = 0.042
"""Shift of the extrapolated onset for one unit of decay, times the frequency (own simulation)."""
ONSET_HALF_WIDTH_S = 0.10e-3
"""How far the extrapolated onset may stand off: dead time and friction bend the first push (own simulation)."""
BEFORE_STEPS_W_S = ((1.0, 25.0), (0.15, 10.0))
"""Half of what the holding checks before this one may put into a winding (W, s): between nothing and twice this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step, instants from the first pass that used the new set point; angles in rad, counted through."""

    t_s: Array
    angle_rad: Array
    demand: Array
    before_s: Array
    before_rad: Array
    set_point_rad: float
    place_rad: float
    """Set point from hanging, or from where the loop was closed."""
    still: bool

    @property
    def initial_rad(self) -> float:
        """Mean level before the step."""
        return float(np.mean(self.before_rad[self.before_s > self.before_s[-1] - LEVEL_S]))

    @property
    def final_rad(self) -> float:
        """Mean level at its end."""
        return float(np.mean(self.angle_rad[self.t_s > self.t_s[-1] - LEVEL_S]))

    @property
    def way(self) -> float:
        """+1 up, -1 down."""
        return math.copysign(1.0, self.set_point_rad - self.initial_rad)

    def transition(self, half_window: int = 7) -> pulse.Transition:
        """Smoothed record between its levels, without the ends where smoothing is weak."""
        inside = slice(None, -half_window)
        return pulse.transition(
            self.t_s[inside], smoothed(self.angle_rad, half_window)[inside], self.initial_rad, self.final_rad
        )


def procedure(rig: Rig, motor: str, large_steps: bool = True) -> list[Observation]:
    """Small steps, then large ones unless the loop is expected to hunt or is seen to.

    Raises MissingCapability for firmware without a trace hook.
    """
    if rig.firmware_names and "trace" not in rig.firmware_names:
        raise MissingCapability("the firmware has no trace(motor, hook): add it, as the drive contract says")
    order = rig.random.permutation(len(SMALL_RAD))
    ways = [1.0] * (len(SMALL_RAD) // 2) + [-1.0] * (len(SMALL_RAD) - len(SMALL_RAD) // 2)
    stairs = [FIRST_RAD]
    for way, place in zip(ways, order, strict=True):
        stairs.append(stairs[-1] + way * SMALL_RAD[int(place)])
    rig.progress("small steps", 0.05)
    taken = [_take(rig, motor, "small", stairs)]
    if large_steps and not hunts(taken, rig.spec, motor):
        rig.progress("large steps", 0.6)
        places = [sign * LARGE_RAD / 2.0 for sign in (-1.0, 1.0, -1.0, 1.0, -1.0)]
        taken.append(_take(rig, motor, "large", places, hang_count(taken[0])))
    return taken


def hang_count(observation: Observation) -> int:
    """Count at which the arm hangs, seen by the loop: friction may have held the arm beside it at the start.

    Errors left after steps up and down grow with the distance from hanging, and friction pulls either way: where
    their straight line is zero. Where the steps do not show it, the count at which the shaft stood.
    """
    steps, conditions = steps_of(observation), observation.conditions
    design = np.column_stack(([step.way for step in steps], [step.place_rad for step in steps], np.ones(len(steps))))
    _, slope, level = linear(design, [step.final_rad - step.set_point_rad for step in steps]).values
    place = -float(level / slope) if slope < -0.01 else 0.0
    turn = int(str(conditions["counts_per_turn"]))
    place = min(max(place, -0.1), 0.1)  # friction does not hold an arm further out; arbitrary
    return (int(str(conditions["start_count"])) + round(place / math.tau * turn)) % turn


def _take(rig: Rig, motor: str, size: str, places_rad: Sequence[float], origin_count: int | None = None) -> Observation:
    """One run of steps to places relative to `origin_count`, or to where the shaft stands at its start."""
    from harness.measure.device import Service

    declared = rig.declared[motor]
    turn = declared.counts_per_turn
    offsets = tuple(round(place / math.tau * turn) for place in places_rad)
    reading_c = rig.thermometer.measure_temperature().value if rig.thermometer is not None else None
    with Service(
        rig, "loop", "steps", motor=rig.index(motor), offsets=offsets, most_ms=round(1000 * MOST_S[size]),
        origin=origin_count,
    ) as service:  # fmt: skip
        started = service.until("start")
        if not isinstance(started, tuple) or len(started) != 3:
            raise LinkError(f"loop.steps: expected (count, hook cost, still band) at the start, found {started!r}")
        first, hook_ns, band = (int(number) for number in started)
        service.until("done", timeout_s=3.0)
        while service.step() is not None:
            pass
        rows = service.rows("trace")
    observation = Observation(
        name=f"{motor}.step.{size}",
        columns=(
            Column(name="t", unit="s", scale=1e-6),
            Column(name="count", unit="rad", scale=math.tau / turn),
            Column(name="demand", unit="1", scale=1.0 / 32768.0),
            Column(name="step", unit="1"),
        ),
        data=rows,
        conditions={
            "offsets_count": list(offsets), "start_count": first, "counts_per_turn": turn,
            "hook_cost_s": hook_ns * 1e-9, "still_band_count": band, "most_s": MOST_S[size],
            "pace": declared.pace, "clip": declared.amplitude_limit, "room_c": reading_c,
        },
    )  # fmt: skip
    rig.keep(observation)
    return observation


def steps_of(observation: Observation) -> list[Step]:
    """The steps of a run after the first, which only goes to the starting place."""
    conditions = observation.conditions
    turn = int(str(conditions["counts_per_turn"]))
    offsets = [int(str(offset)) for offset in conditions["offsets_count"]]  # type: ignore[attr-defined]
    start = int(str(conditions["start_count"]))
    counts = np.unwrap(observation.si("count"), period=math.tau)
    counts = counts + math.tau * round((start * math.tau / turn - float(counts[0])) / math.tau)
    t, demand, number = observation.si("t"), observation.si("demand"), observation.si("step")
    found = []
    for place in range(2, len(offsets) + 1):
        rows = np.flatnonzero(number == place)
        before = np.flatnonzero(number == place - 1)
        if rows.size < 20 or before.size < 20:
            raise MeasurementError(f"{observation.name}: step {place} has {rows.size} passes, expected at least 20")
        # The first pass that used the new set point is where the demand jumps; late firmware does so passes later.
        window = np.arange(before[-1], min(rows[0] + 20, rows[-1]))
        jump = int(window[int(np.argmax(np.abs(np.diff(demand[window]))))]) + 1
        use = np.arange(jump, rows[-1] + 1)
        found.append(
            Step(
                t_s=t[use] - t[jump], angle_rad=counts[use], demand=demand[use],
                before_s=t[before[0] : jump] - t[jump], before_rad=counts[before[0] : jump],
                set_point_rad=(start + offsets[place - 1]) * math.tau / turn,
                place_rad=offsets[place - 1] * math.tau / turn,
                still=float(t[rows[-1]] - t[rows[0]]) < 0.98 * float(str(conditions["most_s"])),
            )
        )  # fmt: skip
    return found


def hunts(observations: Sequence[Observation], spec: RigSpec, motor: str) -> bool:
    """Whether the small steps did not come to rest, or swing more and more: then no large ones are made."""
    steps = steps_of(observations[0])
    if sum(not step.still for step in steps) > len(steps) // 2:
        return True
    try:
        decay, _ = decay_per_half_cycle(_swings(steps), f"{motor} {spec.file}")
    except MeasurementError:
        return False
    return decay.value < HUNTING_DECAY


def _swings(steps: Sequence[Step]) -> list[Swings]:
    """Turning points of the steps that have them."""
    found = []
    for step in steps:
        try:
            found.append(find_swings(step.t_s, step.angle_rad))
        except MeasurementError:
            continue
    return found


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """All quantities of the check; one that the records do not support is `cannot tell`, with the reason."""
    by_size = {observation.name.rpartition(".")[2]: observation for observation in observations}
    small = by_size["small"]
    steps = steps_of(small)
    found: dict[str, Quantity | str] = {}

    def take(name: str, measured: Callable[[], Quantity]) -> None:
        try:
            found[name] = measured()
        except MeasurementError as error:
            found[name] = str(error)

    source = f"{motor}.step"
    swings = _swings(steps)
    period, jitter = timing(small.si("t"), source)
    found["loop_period"], found["loop_jitter"] = period, jitter
    factor = _to_20_c(spec, motor, small)
    take("decay", lambda: _decay(swings, factor, source))
    take("natural_frequency", lambda: _natural_frequency(steps, spec, motor, factor, source))
    take("delay", lambda: _delay(steps, small, found, source))
    _metrics(steps, spec, motor, source, take)
    take("stability_margin", lambda: _margin(found, spec, motor))
    if "large" in by_size:
        large = steps_of(by_size["large"])
        take(
            "large_rise_time",
            lambda: _at_two_places(
                _scattered(
                    large, lambda step: pulse.rise_time(step.transition()), "s", f"{source}.large_rise_time scatter"
                ),
                motor,
            ),
        )
        take(
            "large_overshoot",
            lambda: _at_two_places(
                _scattered(
                    large, lambda step: pulse.overshoot(step.transition()), "1", f"{source}.large_overshoot scatter"
                ),
                motor,
            ),
        )
    return [_result(f"{motor}.step.{name}", found.get(name), small, by_size.get("large")) for name in PLANNED]


def _result(
    name: str, value: Quantity | str | None, small: Observation, large: Observation | None
) -> Measurement | Unmeasured:
    if value is None:
        return Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason="large steps are not made with a loop that hunts")
    if isinstance(value, str):
        return Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=value)
    used = large if ".large_" in name and large is not None else small
    note = f"trace hook {float(str(used.conditions['hook_cost_s'])) * 1e6:.1f} us a pass"
    if used.conditions["pace"] == "called":
        note += "; paced by the harness, not by the firmware: period and jitter are the harness's own"
    return Measurement(name=name, quantity=value, observations=(used.name,), note=note)


def timing(t_s: Array, source: str) -> tuple[Quantity, Quantity]:
    """Period: slope of the sampling instants over the pass number. Jitter: standard deviation of single periods.

    In the board's own microseconds; whole microseconds are what its clock shows.
    """
    fit = straight_line(np.arange(t_s.size, dtype=np.float64), t_s)
    periods = np.diff(t_s)
    resolution = rectangular(0.0, 0.5e-6 / t_s.size, "s", "resolution of the board's clock")
    period = normal(float(fit.values[1]), float(fit.u[1]), "s", f"{source}.loop_period scatter", dof=t_s.size - 2)
    deviation = float(np.std(periods, ddof=1))
    jitter = normal(
        deviation,
        deviation / math.sqrt(2.0 * (periods.size - 1)),
        "s",
        f"{source}.loop_jitter scatter",
        dof=periods.size - 1,
    )
    return shifted(period, resolution=resolution), shifted(
        jitter, resolution=rectangular(0.0, 0.3e-6, "s", "resolution of the board's clock")
    )


def _scattered(
    steps: Sequence[Step], value: Callable[[Step], float], unit: str, source: str, *, droop: bool = False
) -> Quantity:
    """Mean over steps, with their scatter; with `droop`, less what the place on the arm's slope does to it.

    Steps that do not give the value are left out. Raises MeasurementError when fewer than 3 remain.
    """
    rows, reason = [], ""
    for step in steps:
        try:
            rows.append((value(step), step.place_rad * step.way))
        except MeasurementError as error:
            reason = str(error)
    if len(rows) < 3:
        raise MeasurementError(f"{len(rows)} of {len(steps)} steps can be used, 3 are needed: {reason}")
    table = np.array(rows)
    columns = [np.ones(len(rows)), *([table[:, 1] - table[:, 1].mean()] if droop and len(rows) > 4 else [])]
    fit = linear(np.column_stack(columns), table[:, 0])
    return normal(
        float(fit.values[0]), float(fit.u[0]), unit, source, dof=len(rows) - len(columns), remedy="more steps"
    )


def _at_two_places(seen: Quantity, motor: str) -> Quantity:
    """Large steps meet cogging always at the same two places; their scatter does not show it."""
    width = COGGING_SHARE * abs(seen.value)
    return shifted(seen, cogging=rectangular(0.0, width, seen.unit, f"cogging of {motor} at two places", "more places"))


def _to_20_c(spec: RigSpec, motor: str, observation: Observation) -> Quantity:
    """Factor that refers the loop's torque to 20 degC."""
    reading = observation.conditions.get("room_c")
    warmth = estimate(
        spec, motor, room(spec, float(str(reading)) if reading is not None else None), BEFORE_STEPS_W_S, before_k=1.5
    )
    return to_reference(spec, motor, warmth)


def _decay(swings: Sequence[Swings], factor: Quantity, source: str) -> Quantity:
    """Viscous decay; what warmth does to it stays in the budget (half of the factor's distance from 1)."""
    decay, _ = decay_per_half_cycle(swings, f"{source}.decay scatter")
    warm = 0.5 * abs(factor.value - 1.0) * abs(decay.value)
    return shifted(decay, warmth=rectangular(0.0, warm, "1", "winding warmer than 20 degC"))


def _rough_decay(steps: Sequence[Step], source: str) -> float:
    """Decay with the first push counted as a swing, where friction leaves too few others; 0.1 if that fails too."""
    extended = []
    for step in steps:
        try:
            swing = find_swings(step.t_s, step.angle_rad)
        except MeasurementError:
            continue
        extended.append(Swings(
            instants_s=np.concatenate(([0.0], swing.instants_s)),
            angles_rad=np.concatenate(([step.initial_rad], swing.angles_rad)), stops=swing.stops,
        ))  # fmt: skip
    try:
        return decay_per_half_cycle(extended, source)[0].value
    except MeasurementError:
        return 0.1  # a usual loop's; arbitrary


def _natural_frequency(steps: Sequence[Step], spec: RigSpec, motor: str, factor: Quantity, source: str) -> Quantity:
    """Frequency from the first turning points, the loop's share of the stiffness referred to 20 degC."""
    seen = _scattered(
        steps,
        lambda step: find_swings(step.t_s, step.angle_rad).frequency_rad_s,
        "rad/s",
        f"{source}.natural_frequency scatter",
    )
    share = loop_share(spec, motor, seen.value)
    return propagate(
        lambda w, warm, part: w * math.sqrt(1.0 + part * (warm - 1.0)), "rad/s", w=seen, warm=factor, part=share
    )


def loop_share(spec: RigSpec, motor: str, frequency_rad_s: float) -> Quantity:
    """Share of the loop in the stiffness that brings the shaft back; the arm has the rest."""
    entry, load = spec.motor[motor], spec.motor[motor].load
    if load is None or load.mass_kg is None or load.length_m is None or entry.rotor_inertia_kg_m2 is None:
        return rectangular(0.9, 0.1, "1", "share of the load in the stiffness", "state the load and the inertias")
    own = load.own_inertia_kg_m2
    return propagate(
        lambda m, length, rotor, arm: 1.0 - m * 9.80665 * length / ((rotor + m * length**2 + arm) * frequency_rad_s**2),
        "1", m=load.mass_kg.quantity("kg"), length=load.length_m.quantity("m"),
        rotor=entry.rotor_inertia_kg_m2.quantity("kg m2"),
        arm=own.quantity("kg m2") if own is not None else rectangular(0.0, 0.0, "kg m2", "arm"),
    )  # fmt: skip


def _delay(
    steps: Sequence[Step], observation: Observation, found: Mapping[str, Quantity | str], source: str
) -> Quantity:
    """Lag of the demand behind the reading it answers, plus onset of motion after the demand's first change."""
    decay = found["decay"]
    damping, u_damping = (decay.value, decay.u) if isinstance(decay, Quantity) else (_rough_decay(steps, source), 0.1)
    frequency = found["natural_frequency"]
    if not isinstance(frequency, Quantity):
        raise MeasurementError(f"the onset of motion needs the frequency: {frequency}")
    w = frequency.value
    spacing = float(np.median(np.diff(observation.si("t"))))
    clip = float(str(observation.conditions["clip"]))
    turn = int(str(observation.conditions["counts_per_turn"]))
    band = int(str(observation.conditions["still_band_count"])) * math.tau / turn

    def onset(step: Step) -> float:
        early = step.before_s > -0.06
        if float(np.ptp(step.before_rad[early])) > band:
            raise MeasurementError("the shaft was not at rest before the step")
        late = step.t_s <= ONSET_PHASE_RAD / w
        t = np.concatenate((step.before_s[early], step.t_s[late]))
        angle = np.concatenate((step.before_rad[early], step.angle_rad[late]))
        return find_onset(t, angle, frequency_rad_s=w, decay=damping, begin_s=0.0).instant_s

    lags = []
    for step in steps:
        demand = np.where(np.abs(step.demand) < 0.995 * clip, step.demand, math.nan)
        moving = step.t_s < 4.0 * math.tau / w
        try:
            lags.append(demand_lag(step.t_s[moving], step.angle_rad[moving], demand[moving], longest_s=12.0 * spacing))
        except MeasurementError:
            continue
    if len(lags) < 3:
        raise MeasurementError("fewer than 3 steps inside the clip: expected a demand that follows the reading")
    lag = float(np.median(lags))
    seen = _scattered(steps, lambda step: onset(step) + lag, "s", f"{source}.delay scatter")
    grid = rectangular(0.0, 0.05 * spacing if lag % spacing > 0.01 * spacing else 0.0, "s", "grid of trial lags")
    bent = rectangular(0.0, ONSET_HALF_WIDTH_S, "s", "first push bent by friction and dead time", "a stiffer loop")
    damped = normal(
        0.0, ONSET_PER_DECAY_RAD / w * u_damping, "s", f"decay in the onset of {source}", remedy="more steps"
    )
    return shifted(seen, grid=grid, bent=bent, damped=damped)


def _metrics(
    steps: Sequence[Step], spec: RigSpec, motor: str, source: str, take: Callable[[str, Callable[[], Quantity]], None]
) -> None:
    """Rise, overshoot, settling and the error left, over the small steps."""
    rest = [float(np.std(step.angle_rad[step.t_s > step.t_s[-1] - LEVEL_S], ddof=1)) for step in steps if step.still]
    stated = spec.motor[motor].sensor.noise_rad
    noise = float(np.median(rest)) if rest else (stated.value if stated is not None else 0.0)

    def settling(step: Step) -> float:
        move = step.transition()
        return pulse.settling_time(move, pulse.band_for(move.amplitude, noise))

    def shot(step: Step) -> float:
        top = float(find_swings(step.t_s, step.angle_rad).angles_rad[0])
        return (top - step.final_rad) / (step.final_rad - step.initial_rad)

    ways: dict[str, tuple[Callable[[Step], float], str]] = {
        "rise_time": (lambda step: pulse.rise_time(step.transition()), "s"),
        "overshoot": (shot, "1"),
        "settling_time": (settling, "s"),
        "steady_state_error": (lambda step: step.way * (step.final_rad - step.set_point_rad), "rad"),
    }
    for name, (value, unit) in ways.items():
        take(
            name,
            lambda value=value, unit=unit, name=name: _scattered(  # type: ignore[misc]
                steps, value, unit, f"{source}.{name} scatter", droop=name == "steady_state_error"
            ),
        )


def _margin(found: Mapping[str, Quantity | str], spec: RigSpec, motor: str) -> Quantity:
    """Damping there is over damping that the delay takes: 1 + d / ((pi/2) w (delay + T/2) share)."""
    parts: dict[str, Quantity] = {}
    for name in ("decay", "natural_frequency", "delay", "loop_period"):
        value = found[name]
        if not isinstance(value, Quantity):
            raise MeasurementError(f"needs {name}: {value}")
        parts[name] = value
    return propagate(
        lambda d, w, late, period, share: 1.0 + d / (math.pi / 2.0 * w * (late + period / 2.0) * share), "1",
        d=parts["decay"], w=parts["natural_frequency"], late=parts["delay"], period=parts["loop_period"],
        share=loop_share(spec, motor, parts["natural_frequency"].value),
    )  # fmt: skip


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """One step up and one down of each size: angle from where it began, as a share of the step; decimated."""
    del spec
    found = []
    for observation in observations:
        size = observation.name.rpartition(".")[2]
        steps = steps_of(observation)
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
