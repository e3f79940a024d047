"""A bench on paper: two motors in closed form, with rig-file knowledge and measurements that have honest errors.

Independent of the table of causes: what a fault does follows from the physics below, not from exponents.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

from harness.judge.verdict import Rule, judge_all
from harness.nouns.quantity import Quantity, exact, normal, propagate, rectangular, shifted
from harness.nouns.results import Detect, Expectation, Measurement, Outcome, Unmeasured, Verdict

G = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """Parameters of one drive axis (SI). Numbers are arbitrary, of the size of a small outer-rotor motor."""

    pole_pairs: float = 11.0
    flux: float = 6.0e-3
    resistance: float = 5.6
    driver: float = 0.25
    supply: float = 12.0
    gain: float = 4.93
    amplitude: float = 0.6
    clip: float = 0.4
    delay: float = 0.7e-3
    period: float = 1.0e-3
    inertia: float = 5.0e-5
    mass: float = 0.17
    length: float = 0.03
    viscous: float = 1.2e-4
    friction: float = 2.0e-3
    noise: float = 4.0e-4
    age: float = 1.0e-4
    hidden: float = 0.0
    """Lag of the reading that its age does not tell."""
    direction: float = 1.0
    order: float = 0.0
    offset: float = 0.8
    hang: float = 2.0
    weakest: float = 1.0
    r_winding: float = 2.4
    r_housing: float = 9.0
    c_winding: float = 11.0
    c_housing: float = 48.0
    driver_heat: float = 22.0


def _closed(m: Motor) -> float:
    return 1.5 * m.pole_pairs * m.flux * m.gain * m.supply / 2.0 / (m.resistance + m.driver)


def _peak(m: Motor, amplitude: float) -> float:
    return 1.5 * m.pole_pairs * m.flux * amplitude * m.supply / 2.0 / (m.resistance + m.driver)


def _total_inertia(m: Motor) -> float:
    return m.inertia + m.mass * m.length**2


def _frequency(m: Motor) -> float:
    return math.sqrt((_closed(m) + m.mass * G * m.length) / _total_inertia(m))


def _damping(m: Motor) -> float:
    kt = 1.5 * m.pole_pairs * m.flux
    return m.viscous + kt**2 / (1.5 * (m.resistance + m.driver)) - _closed(m) * (m.delay + m.period / 2.0)


def _decay(m: Motor) -> float:
    return math.pi * _damping(m) / (2.0 * _total_inertia(m) * _frequency(m))


def _modes(m: Motor) -> tuple[float, float, float, float]:
    """Fast rise, fast time, slow rise, slow time of winding (heated) and housing, at constant current 0.55 A."""
    power = 2.0 * 0.55**2 * m.resistance
    a = [
        [-1 / (m.r_winding * m.c_winding), 1 / (m.r_winding * m.c_winding)],
        [1 / (m.r_winding * m.c_housing), -(1 / m.r_winding + 1 / m.r_housing) / m.c_housing],
    ]
    trace, det = a[0][0] + a[1][1], a[0][0] * a[1][1] - a[0][1] * a[1][0]
    root = math.sqrt(trace**2 / 4.0 - det)
    slow, fast = trace / 2.0 + root, trace / 2.0 - root
    total = power * (m.r_winding + m.r_housing)
    # x(t) = total - s e^slow t - f e^fast t with x(0) = 0 and x'(0) = power / c_winding.
    f = (-power / m.c_winding - slow * total) / (fast - slow)
    return f, -1.0 / fast, total - f, -1.0 / slow


QUANTITIES: Mapping[str, tuple[str, Callable[[Motor], float]]] = {
    "commutation.direction": ("1", lambda m: m.direction),
    "commutation.phase_order": ("1", lambda m: m.order),
    "commutation.pole_pairs": ("1", lambda m: m.pole_pairs),
    "commutation.step_angle": ("rad", lambda m: 2.0 * math.pi / 6.0 / m.pole_pairs),
    "commutation.offset": ("rad", lambda m: m.offset),
    "commutation.hang_reading": ("rad", lambda m: m.hang),
    "commutation.weakest_vector": ("1", lambda m: m.weakest),
    "commutation.sensor_noise": ("rad", lambda m: m.noise),
    "commutation.sensor_age": ("s", lambda m: m.age),
    "commutation.reading_lag": ("s", lambda m: m.age + m.hidden + 0.25e-3),
    "stiffness.supply_voltage": ("V", lambda m: m.supply),
    "stiffness.open_loop": ("N m/rad", lambda m: m.pole_pairs * _peak(m, m.amplitude)),
    "stiffness.closed_loop": ("N m/rad", _closed),
    "stiffness.ratio": ("1", lambda m: _closed(m) / (m.pole_pairs * _peak(m, m.amplitude))),
    "stiffness.friction": ("N m", lambda m: m.friction),
    "stiffness.slip_torque": ("N m", lambda m: _peak(m, m.amplitude)),
    "stiffness.clip_torque": ("N m", lambda m: _peak(m, m.clip)),
    "stiffness.torque_per_ampere": ("N m/A", lambda m: 1.5 * m.pole_pairs * m.flux),
    "step.natural_frequency": ("rad/s", _frequency),
    "step.decay": ("1", _decay),
    "step.delay": ("s", lambda m: m.delay),
    "step.loop_period": ("s", lambda m: m.period),
    "step.stability_margin": ("1", lambda m: 1.0 + _damping(m) / (_closed(m) * (m.delay + m.period / 2.0))),
    "thermal.resistance": ("ohm", lambda m: m.resistance),
    "thermal.rise": ("K", lambda m: _modes(m)[0] + _modes(m)[2]),
    "thermal.fast_rise": ("K", lambda m: _modes(m)[0]),
    "thermal.fast_time": ("s", lambda m: _modes(m)[1]),
    "thermal.slow_time": ("s", lambda m: _modes(m)[3]),
    "thermal.driver_rise": ("K", lambda m: 2.0 * 0.55**2 * m.driver * m.driver_heat),
}
EXACT = {"commutation.direction", "commutation.phase_order"}
CERTAIN = EXACT | {"commutation.pole_pairs", "commutation.step_angle", "commutation.weakest_vector"}
BY_ARM = {
    "stiffness.open_loop",
    "stiffness.closed_loop",
    "stiffness.friction",
    "stiffness.slip_torque",
    "stiffness.clip_torque",
    "stiffness.torque_per_ampere",
}
BEFORE_ENERGISING = ("commutation.direction", "commutation.phase_order", "commutation.pole_pairs", "commutation.offset")

# Half-widths of what the rig file knows, in per cent (absolute for angles and times in ABSOLUTE).
KNOWN = {
    "flux": 3.0,
    "resistance": 2.0,
    "driver": 20.0,
    "supply": 0.5,
    "gain": 0.5,
    "clip": 0.5,
    "inertia": 15.0,
    "mass": 0.3,
    "length": 0.5,
    "viscous": 50.0,
    "friction": 50.0,
    "noise": 25.0,
    "r_winding": 10.0,
    "r_housing": 10.0,
    "c_winding": 15.0,
    "c_housing": 15.0,
    "driver_heat": 25.0,
    "period": 1.0,
}
ABSOLUTE = {"delay": 0.15e-3, "age": 0.06e-3, "offset": 0.08, "hang": 0.08}
SHARED_BY_MOTORS = {"supply", "driver", "gain", "clip", "delay", "period", "driver_heat"}

# Standard uncertainty of a measurement: share of the value, and absolute.
SPREAD = {
    "stiffness.friction": (0.1, 0.0),
    "commutation.sensor_noise": (0.05, 0.0),
    "step.decay": (0.0, 0.012),
    "step.delay": (0.0, 5e-5),
    "commutation.sensor_age": (0.0, 2e-5),
    "commutation.reading_lag": (0.0, 2e-4),
    "commutation.offset": (0.0, 0.03),
    "commutation.hang_reading": (0.0, 0.02),
    "commutation.weakest_vector": (0.0, 0.03),
    "step.stability_margin": (0.05, 0.02),
    "thermal.fast_rise": (0.03, 0.0),
    "thermal.fast_time": (0.04, 0.0),
}

DETECT = {
    "commutation.pole_pairs": Detect(absolute=0.9),
    "commutation.step_angle": Detect(percent=7),
    "commutation.offset": Detect(absolute=0.8),
    "commutation.hang_reading": Detect(absolute=0.4),
    "commutation.weakest_vector": Detect(absolute=0.5),
    "commutation.sensor_noise": Detect(percent=150),
    "commutation.sensor_age": Detect(absolute=0.5e-3),
    "commutation.reading_lag": Detect(absolute=2e-3),
    "stiffness.open_loop": Detect(percent=15),
    "stiffness.closed_loop": Detect(percent=20),
    "stiffness.ratio": Detect(percent=15),
    "stiffness.friction": Detect(percent=250),
    "stiffness.slip_torque": Detect(percent=15),
    "stiffness.clip_torque": Detect(percent=20),
    "stiffness.torque_per_ampere": Detect(percent=15),
    "stiffness.supply_voltage": Detect(percent=7),
    "step.natural_frequency": Detect(percent=20),
    "step.decay": Detect(absolute=0.3),
    "step.delay": Detect(absolute=1.0e-3),
    "step.loop_period": Detect(percent=10),
    "step.stability_margin": Detect(percent=100),
    "thermal.resistance": Detect(percent=10),
    "thermal.rise": Detect(percent=40),
    "thermal.fast_rise": Detect(percent=50),
    "thermal.fast_time": Detect(percent=60),
    "thermal.slow_time": Detect(percent=60),
    "thermal.driver_rise": Detect(percent=150),
}
MOTORS = ("leaf", "wheel")
NAMES = tuple(f"{motor}.{suffix}" for motor in MOTORS for suffix in QUANTITIES)
RULE = Rule(planned=len(NAMES), detect=DETECT)


def known_inputs(motor: str, file: Motor) -> dict[str, Quantity]:
    """The rig file's values as quantities, shared by both motors where one entry serves both."""
    inputs = {}
    for name, percent in KNOWN.items():
        half = getattr(file, name) * percent / 100.0
        inputs[name] = rectangular(getattr(file, name), half, "", _source(name, motor), f"know {name} better")
    for name, half in ABSOLUTE.items():
        inputs[name] = rectangular(getattr(file, name), half, "", _source(name, motor))
    return inputs


def _source(name: str, motor: str) -> str:
    return name if name in SHARED_BY_MOTORS else f"motor.{motor}.{name}"


@cache
def expectations(motor: str, file: Motor) -> tuple[Expectation, ...]:
    """What the rig file lets expect, by propagation through the same closed forms."""
    result = []
    for suffix, (unit, formula) in QUANTITIES.items():
        if suffix in CERTAIN:
            quantity = exact(formula(file), unit)
        else:
            quantity = propagate(lambda f=formula, **k: f(replace(file, **k)), unit, **known_inputs(motor, file))
        result.append(Expectation(name=f"{motor}.{suffix}", quantity=quantity))
    return tuple(result)


def measurements(
    motor: str,
    true: Motor,
    file: Motor,
    dice: random.Random,
    *,
    arm: float = 1.0,
    without: frozenset[str] = frozenset(),
) -> list[Measurement | Unmeasured]:
    """What the bench reads on the true motor; `arm` is true over stated torque of the arm."""
    results: list[Measurement | Unmeasured] = []
    for suffix, (unit, formula) in QUANTITIES.items():
        name, value = f"{motor}.{suffix}", formula(true)
        if suffix in without:
            results.append(Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason="no instrument"))
        elif suffix in EXACT:
            results.append(Measurement(name=name, quantity=exact(value, unit)))
        else:
            value = value / arm if suffix in BY_ARM else value
            share, absolute = SPREAD.get(suffix, (0.01, 0.0))
            nominal = abs(formula(file))
            u = math.hypot(share * nominal, absolute)
            quantity = normal(value + dice.gauss(0.0, u), u, unit, f"{name}.scatter", dof=30)
            if suffix in BY_ARM:
                arms = rectangular(0.0, 0.006 * abs(value), unit, f"motor.{motor}.arm")
                quantity = shifted(quantity, arm=arms)
            results.append(Measurement(name=name, quantity=quantity))
    return results


def draw(motor: Motor, dice: random.Random, shared: Mapping[str, float]) -> Motor:
    """A healthy motor within the rig file's tolerances."""
    changes = {
        name: getattr(motor, name) * shared.get(name, 1.0 + dice.uniform(-1, 1) * half / 100.0)
        for name, half in KNOWN.items()
    }
    for name, half in ABSOLUTE.items():
        changes[name] = getattr(motor, name) + (shared[name] if name in shared else dice.uniform(-half, half))
    return replace(motor, **changes)


FILE = {
    "leaf": Motor(),
    "wheel": Motor(
        flux=5.8e-3,
        resistance=5.4,
        inertia=5.2e-5,
        mass=0.165,
        offset=-2.4,
        hang=-1.9,
        r_winding=2.3,
        r_housing=8.6,
        c_winding=11.5,
        c_housing=50.0,
    ),
}


def judged(
    seed: int,
    fault: Callable[[str, Motor], Motor] = lambda _, motor: motor,
    *,
    arm: Mapping[str, float] | None = None,
    without: frozenset[str] = frozenset(),
    nominal: bool = False,
) -> list[Verdict]:
    """Verdicts on both motors with a fault in; after a precondition that does not conform nothing else is run."""
    dice = random.Random(seed)
    shared = {name: 1.0 + dice.uniform(-1, 1) * KNOWN[name] / 100.0 for name in sorted(SHARED_BY_MOTORS & set(KNOWN))}
    shared |= {name: dice.uniform(-1, 1) * ABSOLUTE[name] for name in sorted(SHARED_BY_MOTORS & set(ABSOLUTE))}
    verdicts: list[Verdict] = []
    for motor, file in FILE.items():
        true = fault(motor, file if nominal else draw(file, dice, shared))
        results = measurements(motor, true, file, dice, arm=(arm or {}).get(motor, 1.0), without=without)
        mine = judge_all(results, expectations(motor, file), RULE)
        stopped = any(v.outcome is Outcome.DIFFERS and v.name.split(".", 1)[1] in BEFORE_ENERGISING for v in mine)
        if stopped:
            mine = [v if ".commutation." in v.name else _not_run(v) for v in mine]
        verdicts += mine
    return verdicts


def _not_run(verdict: Verdict) -> Verdict:
    return Verdict(
        name=verdict.name, outcome=Outcome.NOT_RUN, expected=verdict.expected, reason="commutation does not conform"
    )
