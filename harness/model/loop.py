"""What the rig file lets expect of a step of the firmware's position loop, at 20 degC.

Stability margin first: a proportional loop on a shaft of low friction holds only while
K (delay + T/2 + L/R) < viscous + Kt^2 / (1.5 R): the delay takes from the damping what it turns into
(first-order expansion of the delayed angle; half a period for the hold: any textbook on sampled control).
The natural frequency is sqrt((K + m g l cos) / J), bent by the dead zone of the dead time; response and turning
points by harness/model/swing.py, with the definitions of the measurement applied to them. Left out: cogging
(its share is in the budget), saliency, the table's steps, the speed dependence of friction.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from harness.errors import MeasurementError
from harness.model.drive import circuit_ohm, dead_time_volts
from harness.model.motor import entries, known, local_gravity, needs, optional, torque_per_ampere
from harness.model.swing import Motion, Shaft, let_go
from harness.quantity import Quantity, exact, normal, propagate, rectangular, shifted
from harness.results import Expectation

if TYPE_CHECKING:
    from harness.contract import Declared
    from harness.rigfile import RigSpec

STAIRS = ((0.054, 0.6), (0.060, 0.0), (0.066, -0.6))
"""Steps that stand for the staircase: size, and where in the friction band (share) the shaft stood before."""
LARGE = ((0.3, 0.5), (0.3, -0.5))
LEAST_SWING_RAD = 0.010
COGGING_SHARE = 0.01
"""Standard uncertainty of the frequency for cogging that no rig file states (common practice, no source)."""
HUNTING_MARGIN = 1.0
TRIALS = 40
"""Draws of the Monte Carlo interval of the settling time; arbitrary, its ends are known to some 10 %."""
INPUTS = (
    "supply_v", "winding_ohm", "flux_v_s", "gain_per_rad", "amplitude_limit", "mass_kg", "length_m",
    "rotor_inertia_kg_m2", "viscous_n_m_s", "coulomb_n_m", "inductance_h",
)  # fmt: skip
SHAFT = tuple(Shaft.__dataclass_fields__)


def loop_delay(spec: RigSpec, motor: str) -> Quantity | None:
    """From the shaft's angle to the torque, s: age of the reading, reading to duties, L / R. None if not stated."""
    age, late = spec.motor[motor].sensor.age_s, spec.firmware.loop_delay_s
    inputs = known(spec, motor, "inductance_h", "winding_ohm", "on_ohm")
    if age is None or late is None or "inductance_h" not in inputs or "winding_ohm" not in inputs:
        return None
    return propagate(
        lambda age_s, late_s, henry, winding, on: age_s + late_s + henry / circuit_ohm(winding, on), "s",
        age_s=age.quantity("s"), late_s=late.quantity("s"), henry=inputs["inductance_h"],
        winding=inputs["winding_ohm"], on=optional(inputs, "on_ohm", "ohm"),
    )  # fmt: skip


def _period(spec: RigSpec, declared: Declared) -> Quantity:
    stated = spec.firmware.loop_period_s
    return stated.quantity("s") if stated is not None else exact(declared.loop_period_s, "s")


def lacking(spec: RigSpec, motor: str) -> str:
    """What the rig file does not state and a response needs, as an expectation says it; "" if nothing."""
    stated = needs(spec, motor, INPUTS).removeprefix("needs ")
    more = [] if not stated else [stated]
    if spec.motor[motor].sensor.age_s is None:
        more.append(f"motor.{motor}.sensor.age_s")
    if spec.firmware.loop_delay_s is None:
        more.append("firmware.loop_delay_s")
    return f"needs {', '.join(more)}" if more else ""


def shaft(spec: RigSpec, declared: Declared, motor: str) -> dict[str, Quantity]:
    """The parameters of `Shaft` as quantities, from a rig file that states all of INPUTS and the delays.

    Raises MeasurementError where it does not.
    """
    pairs = spec.motor[motor].pole_pairs or declared.pole_pairs
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    table = entries(spec, motor)
    given = known(spec, motor, *INPUTS)
    for name in ("on_ohm", "dead_time_s", "arm_inertia_kg_m2"):
        given[name] = optional(known(spec, motor, name), name, table[name][2])
    internal = spec.supply.internal_resistance_ohm
    given["source_ohm"] = internal.quantity("ohm") if internal is not None else exact(0.0, "ohm")
    delay, period = loop_delay(spec, motor), _period(spec, declared)
    if delay is None:
        raise MeasurementError(f"motor {motor}: the rig file states no delay of the loop")

    def of(unit: str, function: Callable[..., float], *names: str, **others: Quantity) -> Quantity:
        return propagate(function, unit, **{name: given[name] for name in names}, **others)

    # A weak source sags with the power drawn, to first order nothing at small demands: left out of the loop.
    ohms = ("winding_ohm", "on_ohm")

    def kt(flux_v_s: float) -> float:
        return torque_per_ampere(pairs, flux_v_s)

    return {
        "loop": of("N m/rad", lambda supply_v, winding_ohm, on_ohm, flux_v_s, gain_per_rad:
                   kt(flux_v_s) * gain_per_rad * supply_v / 2.0 / circuit_ohm(winding_ohm, on_ohm),
                   "supply_v", *ohms, "flux_v_s", "gain_per_rad"),
        "arm": of("N m/rad", lambda mass_kg, length_m, g: mass_kg * g * length_m, "mass_kg", "length_m",
                  g=local_gravity()),
        "inertia": of("kg m2", lambda mass_kg, length_m, rotor_inertia_kg_m2, arm_inertia_kg_m2:
                      rotor_inertia_kg_m2 + arm_inertia_kg_m2 + mass_kg * length_m**2,
                      "mass_kg", "length_m", "rotor_inertia_kg_m2", "arm_inertia_kg_m2"),
        "damping": of("N m s", lambda viscous_n_m_s, winding_ohm, on_ohm, flux_v_s:
                      viscous_n_m_s + kt(flux_v_s) ** 2 / (1.5 * circuit_ohm(winding_ohm, on_ohm)),
                      "viscous_n_m_s", *ohms, "flux_v_s"),
        "lag_s": propagate(lambda late, hold: late + hold / 2.0, "s", late=delay, hold=period),
        "friction": given["coulomb_n_m"],
        "dead_rad": of("rad", lambda dead_time_s, supply_v, gain_per_rad:
                       dead_time_volts(supply_v, dead_time_s, carrier_hz) / (gain_per_rad * supply_v / 2.0),
                       "dead_time_s", "supply_v", "gain_per_rad"),
        "clip_rad": of("rad", lambda amplitude_limit, gain_per_rad: amplitude_limit / gain_per_rad,
                       "amplitude_limit", "gain_per_rad"),
    }  # fmt: skip


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


@lru_cache(maxsize=4096)
def _motions(values: tuple[float, ...], steps: tuple[tuple[float, float], ...], arm_at: float) -> tuple[Motion, ...]:
    """One motion a step of (size, start in the friction band); the arm hangs `arm_at` short of the set point."""
    moving = Shaft(**dict(zip(SHAFT, values, strict=True)))
    stick = moving.friction / (moving.loop + moving.arm)
    return tuple(let_go(moving, share * stick - size, -arm_at) for size, share in steps)


def _rise(motion: Motion, start: float) -> float:
    turn = motion.turns[0][0]
    low, high = (start + share * (motion.rest - start) for share in (0.1, 0.9))
    return motion.crossing(high, 0.0, turn) - motion.crossing(low, 0.0, turn)


def _overshoot(motion: Motion, start: float) -> float:
    return (motion.turns[0][1] - motion.rest) / (motion.rest - start)


def _settling(motion: Motion, start: float, noise_rad: float) -> float:
    """From the 50 % crossing to the last entry into the band."""
    size = abs(motion.rest - start)
    band = max(0.02 * size, 3.0 * noise_rad)
    points = [(0.0, start), *motion.turns, (motion.rest_s, motion.rest)]
    last = max(k for k, (_, y) in enumerate(points) if abs(y - motion.rest) > band)
    level = motion.rest + math.copysign(band, points[last][1] - motion.rest)
    entered = motion.crossing(level, points[last][0], points[last + 1][0])
    return entered - motion.crossing(start + 0.5 * (motion.rest - start), 0.0, motion.turns[0][0])


def _frequency(motion: Motion, _start: float) -> float:
    last = min(2, len(motion.turns) - 1)
    if not last:
        raise MeasurementError("a frequency needs two turning points: friction ends the motion at once")
    return math.pi * last / (motion.turns[last][0] - motion.turns[0][0])


def _decay(motions: Sequence[Motion], clip_rad: float) -> float:
    """-ln q of S[k+1] = q S[k] - c over all pairs of swings, the first push among them; weighted by S[k+1]^2."""
    pairs = []
    for motion in motions:
        start = motion.at(0.0)
        points = [y for _, y in motion.turns]
        sizes = np.abs(np.diff([start, *points] if abs(start) < clip_rad else points))
        pairs += [(a, b) for a, b in pairwise(sizes) if b >= LEAST_SWING_RAD]
    if len(pairs) < 2:
        raise MeasurementError("a decay needs two pairs of swings: friction ends the motion at once")
    table = np.array(pairs)
    return -math.log(max(float(np.polyfit(table[:, 0], table[:, 1], 1, w=table[:, 1] ** 2)[0]), 1e-3))


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Expectations of the step check for one motor; an absent input is named in `needs`."""
    lack = lacking(spec, motor)
    delay = loop_delay(spec, motor)
    parts = {} if lack else shaft(spec, declared, motor)
    stated = spec.motor[motor].sensor.noise_rad
    noise = stated.value if stated is not None else 0.0

    def given(name: str, make: Callable[[], Quantity], model: str, missing: str = lack) -> Expectation:
        full = f"{motor}.step.{name}"
        if missing:
            return Expectation(name=full, needs=missing, model=model)
        try:
            return Expectation(name=full, quantity=make(), model=model)
        except MeasurementError as error:
            return Expectation(name=full, needs=f"needs a loop that swings: {error}", model=model)

    def mean(
        feature: Callable[[Motion, float], float],
        unit: str,
        steps: tuple[tuple[float, float], ...] = STAIRS,
        arm_at: float = 0.0,
    ) -> Quantity:
        def function(**values: float) -> float:
            motions = _motions(tuple(values[name] for name in SHAFT), steps, arm_at)
            found = [feature(each, each.at(0.0)) for each in motions if each.turns]
            if not found:
                raise MeasurementError("friction holds the shaft at once")
            return float(np.mean(found))

        return propagate(function, unit, **parts)

    def frequency() -> Quantity:
        found = mean(_frequency, "rad/s")
        return shifted(
            found,
            cogging=normal(
                0.0, COGGING_SHARE * found.value, "rad/s", f"cogging of {motor}", remedy="state the cogging torque"
            ),
        )

    def between(**values: float) -> float:
        """Decay halfway between a sharp dead zone and none: small currents see less dead time than large ones."""
        sharp = tuple(values[name] for name in SHAFT)
        none = tuple(0.0 if name == "dead_rad" else values[name] for name in SHAFT)
        return 0.5 * sum(_decay(_motions(each, STAIRS, 0.0), values["clip_rad"]) for each in (sharp, none))

    def bent(found: Quantity, slope: float) -> Quantity:
        """With what the shape of the dead zone does to the decay, times what the decay does to the quantity."""
        values = {name: parts[name].value for name in SHAFT}
        sharp = _decay(_motions(tuple(values.values()), STAIRS, 0.0), values["clip_rad"])
        half = slope * abs(sharp - between(**values))
        shape = rectangular(0.0, half, "1", "shape of the dead zone at small currents", remedy="larger steps")
        return shifted(found, shape=shape)

    def taken(**values: float) -> float:
        """Decay a half cycle that the delay takes away."""
        motions = _motions(tuple(values[name] for name in SHAFT), STAIRS, 0.0)
        frequency = float(np.mean([_frequency(each, 0.0) for each in motions]))
        return math.pi / 2.0 * frequency * values["lag_s"] * values["loop"] / (values["loop"] + values["arm"])

    def margin() -> Quantity:
        found = propagate(lambda **values: 1.0 + between(**values) / taken(**values), "1", **parts)
        return bent(found, 1.0 / taken(**{name: parts[name].value for name in SHAFT}))

    small = "motion in pieces from the rig file's stiffness, inertia, damping and friction, mean over the staircase"
    big = small.replace("mean over the staircase", "mean over large steps, with the clip")
    results = [
        given("stability_margin", margin, "1 + d / ((pi/2) w (delay + T/2) K/(K + m g l)); below 1 the loop hunts"),
        given("natural_frequency", frequency, f"sqrt((K + m g l cos)/J), lowered by the dead zone: {small}"),
        given(
            "decay",
            lambda: bent(propagate(between, "1", **parts), 1.0),
            "pi (viscous + Kt^2/(1.5 R) - K (delay + T/2)) / (2 J w), halfway to a sharp dead zone",
        ),
        given(
            "delay",
            lambda: delay if delay is not None else exact(0.0, "s"),
            "age of the reading + reading to duties + L/(R + Ron), without the half period of the hold",
            "" if delay is not None else lack,
        ),
        given("rise_time", lambda: mean(_rise, "s"), small),
        given("overshoot", lambda: _with_place(mean(_overshoot, "1"), parts, motor), small),
        given("large_rise_time", lambda: mean(_rise, "s", LARGE, LARGE[0][0] / 2.0), big),
        given("large_overshoot", lambda: mean(_overshoot, "1", LARGE, LARGE[0][0] / 2.0), big),
        given("loop_period", lambda: _period(spec, declared), "as the rig file states it, else as declared", ""),
    ]
    results.append(_settling_expectation(f"{motor}.step.settling_time", lack, parts, noise))
    results.append(_error_expectation(f"{motor}.step.steady_state_error", lack, parts))
    return results


def _with_place(found: Quantity, parts: dict[str, Quantity], motor: str) -> Quantity:
    """The final level lies anywhere in the friction band; ten steps leave a share of that in their mean."""
    band = parts["friction"].value / (parts["loop"].value + parts["arm"].value)
    spread = (1.0 + found.value) * band / STAIRS[1][0] / math.sqrt(3.0 * 10.0)
    return shifted(found, place=normal(0.0, spread, "1", f"where friction holds {motor}", remedy="more steps"))


def _settling_expectation(name: str, lack: str, parts: dict[str, Quantity], noise: float) -> Expectation:
    """Monte Carlo interval: settling jumps by half cycles, no normal law fits it."""
    model = "95 % Monte Carlo interval over the rig file's inputs and where friction left the shaft before"
    if lack:
        return Expectation(name=name, needs=lack, model=model)
    random = np.random.default_rng(1)
    means = []
    sources = sorted({source for quantity in parts.values() for source in quantity.budget})
    for _ in range(TRIALS):
        draw = dict(zip(sources, random.uniform(-math.sqrt(3.0), math.sqrt(3.0), len(sources)), strict=True))
        values = tuple(
            parts[name].value + sum(draw[source] * part.u for source, part in parts[name].budget.items())
            for name in SHAFT
        )
        shares = random.uniform(-0.9, 0.9, len(STAIRS))
        steps = tuple((size, round(float(share), 3)) for (size, _), share in zip(STAIRS, shares, strict=True))
        motions = [each for each in _motions(values, steps, 0.0) if each.turns and each.held]
        if motions:
            means.append(float(np.mean([_settling(each, each.at(0.0), noise) for each in motions])))
    if len(means) < TRIALS // 2:
        return Expectation(name=name, needs="needs a loop that settles: this one is expected to hunt", model=model)
    low, middle, high = (float(np.quantile(means, share)) for share in (0.025, 0.5, 0.975))
    return Expectation(name=name, quantity=exact(middle, "s"), interval=(low, high), model=model)


def _error_expectation(name: str, lack: str, parts: dict[str, Quantity]) -> Expectation:
    """Droop of the arm at the mean place of the steps, and friction either way of it."""
    model = "-m g l x 0.03 rad / (K + m g l) +- friction / (K + m g l): friction holds the shaft anywhere in between"
    if lack:
        return Expectation(name=name, needs=lack, model=model)
    half = {way: propagate(
        lambda loop, arm, friction, dead, way=way: (-0.03 * arm + way * (friction + loop * dead)) / (loop + arm), "rad",
        loop=parts["loop"], arm=parts["arm"], friction=parts["friction"], dead=parts["dead_rad"])
        for way in (-1.0, 0.0, 1.0)}  # fmt: skip
    middle = Quantity(value=half[0.0].value, unit="rad", budget=half[1.0].budget)
    return Expectation(name=name, quantity=middle, interval=(half[-1.0].value, half[1.0].value), model=model)


def overlay(
    curve: str, x: Sequence[float], spec: RigSpec, declared: Declared, motor: str
) -> list[tuple[float, float]] | None:
    """(share of the step, standard uncertainty) at times after a step, for the curves of the step check."""
    size = curve.rpartition(".")[2]
    if size not in ("small", "large") or lacking(spec, motor):
        return None
    steps, arm_at = (((0.06, 0.0),), 0.0) if size == "small" else (((0.3, 0.0),), 0.15)
    parts = shaft(spec, declared, motor)
    delay = loop_delay(spec, motor)
    late = delay.value if delay is not None else 0.0

    def shares(**values: float) -> np.ndarray:
        motion = _motions(tuple(values[name] for name in SHAFT), steps, arm_at)[0]
        return np.array([1.0 + motion.at(max(0.0, t - late)) / steps[0][0] for t in x])

    centre = {name: quantity.value for name, quantity in parts.items()}
    middle = shares(**centre)
    by_source: dict[str, np.ndarray] = {}
    for name, quantity in parts.items():
        if quantity.u == 0.0:
            continue
        slope = (shares(**{**centre, name: centre[name] + quantity.u})
                 - shares(**{**centre, name: centre[name] - quantity.u})) / (2.0 * quantity.u)  # fmt: skip
        for source, part in quantity.budget.items():
            by_source[source] = by_source.get(source, np.zeros(len(x))) + slope * part.u
    u = np.sqrt(sum((each**2 for each in by_source.values()), np.zeros(len(x))))
    return [(float(value), float(width)) for value, width in zip(middle, u, strict=True)]
