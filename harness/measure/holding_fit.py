"""From sweeps of a held field and of the loop to torques: the fits behind harness/measure/stiffness.py.

The field's angle is regressed, not the deflection: phi = p s + e(s) + asin((T_arm(s) +- F) / Tmax). The slow error
e(s) of the sensor is common to both amplitudes, so that the difference at one shaft angle carries the torque alone;
a naive slope would take an eccentricity of 0.5 degrees for -25 to +45 % of stiffness.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.contract import FULL_TURN
from harness.errors import MeasurementError
from harness.measure.fit import Fit, inflation, linear, nonlinear
from harness.measure.hold import shaft_rad
from harness.measure.temperature import Warmth, estimate, room, to_reference
from harness.observation import Observation
from harness.quantity import Contribution, Quantity, combine, exact, propagate, rectangular, scaled
from harness.rigfile import RigSpec

Array = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665
"""Standard gravity, ISO 80000-4 (from memory); the local value differs by up to 0.3 % (from memory)."""
GRAVITY_HALF_WIDTH = 0.003 * GRAVITY_M_S2
SETTLING_RAD = 0.10
"""Field travel after a reversal in which the shaft may still stick: dropped."""
MEAN_ABS_SUM = 6.0 / math.pi
"""Mean over the angle of |i_A| + |i_B| + |i_C| for phase currents of peak 1."""
WAVES = 3
"""Periodic torques taken out of the residuals (arbitrary: a fourth changed nothing on the virtual bench)."""
STANDING_S = 0.1
"""End of the way into the clip, in which the arm stands."""
REFERRED = 0.6
"""Amplitude that torques are stated for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Observations of one motor with what the rig file says about its arm and instruments."""

    spec: RigSpec
    motor: str
    pole_pairs: int
    sense: int
    turn: int
    hang_count: float
    arm_n_m: Quantity
    """m g l, the arm's torque at 90 degrees."""
    eccentric: Quantity
    """Relative error of the arm's torque over shaft angle through the sensor's once-a-turn error."""
    damping_n_m_s: Quantity
    """Torque per speed that a held field and the bearing add to friction."""
    dead: Quantity
    """Amplitude that dead time takes away."""
    observations: Mapping[str, Observation]
    supply_voltage: Quantity | None
    room_c: Quantity

    def current(self, observation: Observation) -> Quantity | None:
        """Phase current peak of a static field from the supply's current; None without a supply instrument.

        Supply current is the sum of duty times phase current: 0.75 a I, less what dead time takes off each duty.
        """
        rows, idle = observation.conditions.get("supply"), observation.conditions.get("idle")
        names = self.spec.instruments_of("supply")
        if not rows or not idle or not names:
            return None
        name = next(iter(names))
        accuracy = self.spec.instrument[name].current_accuracy
        loaded = float(np.mean([row[1] for row in rows]))  # type: ignore[attr-defined]
        empty = float(np.mean([row[1] for row in idle]))  # type: ignore[attr-defined]
        amplitude = float(observation.conditions["set_amplitude"])  # type: ignore[arg-type]
        source = f"instrument.{name}.current"
        drawn = loaded - empty  # the offset cancels
        gain = (accuracy.percent if accuracy is not None else 1.0) / 100.0 / math.sqrt(3.0)
        net = Quantity(
            value=drawn,
            unit="A",
            budget={
                f"{source}_gain": Contribution(
                    u=drawn * gain, shape="rectangular", remedy="a more accurate current reading"
                )
            },
        )
        firmware = self.spec.firmware
        lost = exact(0.0, "1")
        if firmware.dead_time_s is not None and firmware.carrier_hz is not None:
            lost = scaled(firmware.dead_time_s.quantity("s"), firmware.carrier_hz, "1")
        return propagate(lambda net, lost: net / (0.75 * amplitude - lost * MEAN_ABS_SUM), "A", net=net, lost=lost)

    def loop_points(self) -> dict[str, tuple[tuple[float, float], ...]]:
        """Arm torque over position error, a series a branch, thinned."""
        error, torque, way = _loop(self)
        return _branches(error, torque, way)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What the sweeps of the held field gave."""

    peak_torque: Quantity
    """Tmax at amplitude 0.6 and 20 degC, N m."""
    friction: Quantity
    torque_per_ampere: Quantity | None
    points: Mapping[str, tuple[tuple[float, float], ...]]
    refer: Quantity
    """Factor from the sweep at 0.6 to 20 degC."""
    refer_loop: Quantity
    """The same for the loop's sweep and clip, which come after."""
    fit: Fit
    scale: float
    """Tmax as fitted per unit of `weight`."""
    weight: float
    """Current (A) or net amplitude of the sweep at 0.6."""
    hang_rad: float


def readings_of(spec: RigSpec, motor: str, by_name: Mapping[str, Observation]) -> Readings:
    """Gather what the fits need. Raises MeasurementError where a needed observation is missing."""
    entry = spec.motor[motor]
    load = entry.load
    if load is None or load.mass_kg is None or load.length_m is None:
        raise MeasurementError(f"{motor}: no arm with mass and length: no known torque")
    gravity = rectangular(GRAVITY_M_S2, GRAVITY_HALF_WIDTH, "m/s2", "local gravity", "look up the local value")
    arm = propagate(
        lambda mass, length, g: mass * length * g,
        "N m",
        mass=load.mass_kg.quantity("kg"),
        length=load.length_m.quantity("m"),
        g=gravity,
    )
    eccentricity = entry.sensor.eccentricity_rad or 0.0
    # Amplitude anywhere from 0 to the rig file's and phase unknown: variance = E^2/3 x 1/2.
    budget = (
        {}
        if not eccentricity
        else {
            f"motor.{motor}.sensor.eccentricity_rad": Contribution(
                u=eccentricity / math.sqrt(6.0), shape="arcsine", remedy="centre the magnet"
            )
        }
    )
    first = next((by_name[name] for name in ("field_30", "field_60") if name in by_name), None)
    if first is None:
        raise MeasurementError(f"{motor}: the sweeps of the held field are missing")
    said = first.conditions.get("room_c")
    turn = 1 << entry.sensor.bits
    hang = load.hang_reading_rad.value if load.hang_reading_rad is not None else 0.0
    return Readings(
        spec=spec,
        motor=motor,
        pole_pairs=entry.pole_pairs or 1,
        sense=entry.direction or 1,
        turn=turn,
        hang_count=hang / math.tau * turn,
        arm_n_m=arm,
        eccentric=Quantity(value=0.0, unit="1", budget=budget),
        damping_n_m_s=_damping(spec, motor),
        dead=_dead(spec),
        observations=by_name,
        supply_voltage=_voltage(spec, first),
        room_c=room(spec, float(said) if isinstance(said, (int, float)) else None),
    )


def _damping(spec: RigSpec, motor: str) -> Quantity:
    """Kt^2 / (1.5 R) + viscous friction, from the rig file; 0 +- 100 % of nothing where it is silent."""
    entry = spec.motor[motor]
    if entry.flux_linkage_v_s is None or entry.resistance_ohm is None or entry.pole_pairs is None:
        return exact(0.0, "N m s")
    pole_pairs = entry.pole_pairs
    viscous = entry.viscous_friction_n_m_s
    return propagate(
        lambda flux, ohm, viscous: 1.5 * (pole_pairs * flux) ** 2 / ohm + viscous,
        "N m s",
        flux=entry.flux_linkage_v_s.quantity("V s"),
        ohm=entry.resistance_ohm.quantity("ohm"),
        viscous=exact(0.0, "N m s") if viscous is None else viscous.quantity("N m s"),
    )


def _dead(spec: RigSpec) -> Quantity:
    """Amplitude that dead time takes: 4/pi of the error of a phase over half the supply (fundamental of a square)."""
    firmware = spec.firmware
    if firmware.dead_time_s is None or firmware.carrier_hz is None:
        return exact(0.0, "1")
    return scaled(firmware.dead_time_s.quantity("s"), firmware.carrier_hz * 2.0 * 4.0 / math.pi * 1.1, "1")


def _voltage(spec: RigSpec, observation: Observation) -> Quantity | None:
    rows = observation.conditions.get("supply")
    names = spec.instruments_of("supply")
    if not rows or not names:
        return None
    name = next(iter(names))
    accuracy = spec.instrument[name].voltage_accuracy
    volts = float(np.mean([row[0] for row in rows]))  # type: ignore[attr-defined]
    budget = {}
    if accuracy is not None:
        budget = {
            f"instrument.{name}.voltage_gain": Contribution(
                u=volts * accuracy.percent / 100.0 / math.sqrt(3.0), shape="rectangular", remedy="a better voltmeter"
            ),
            f"instrument.{name}.voltage_offset": Contribution(
                u=accuracy.offset / math.sqrt(3.0), shape="rectangular", remedy="a better voltmeter"
            ),
        }
    return Quantity(value=volts, unit="V", budget=budget)


def _moving(command: Array, unit: float) -> tuple[Array, NDArray[np.bool_]]:
    """Sense of motion of a command (+-1), and where it has moved on far enough from its last reversal (rad)."""
    sense = np.sign(np.gradient(command))
    keep = np.zeros(command.size, dtype=bool)
    start = 0
    for end in [*(np.flatnonzero(np.diff(sense) != 0) + 1), command.size]:
        if sense[start] != 0:
            away = np.abs(command[start:end] - command[start]) * unit
            left = np.abs(command[start:end] - command[end - 1]) * unit
            keep[start:end] = (away > SETTLING_RAD) & (left > 0.01)
        start = end
    return np.asarray(sense, dtype=np.float64), keep


def _sweep(readings: Readings, name: str) -> tuple[Array, Array, Array]:
    """Field angle (electrical, from the arm's hanging), shaft angle from hanging, sense of motion; settled points."""
    observation = readings.observations[name]
    zero = float(observation.conditions["zero_rad"])  # type: ignore[arg-type]
    command = observation.si("command") * math.tau / FULL_TURN * readings.sense - zero * readings.sense
    sense, keep = _moving(command, 1.0 / readings.pole_pairs)
    return command[keep], shaft_rad(observation, readings.turn, readings.hang_count)[keep], sense[keep]


def open_loop(readings: Readings) -> Held:
    """Fit both sweeps at once.

    Parameters: torque per weight, friction, the angle at which the arm hangs, a cubic for the sensor's slow error,
    and one cogging harmonic found in the residuals (its order is not known beforehand). Raises MeasurementError.
    """
    names = ("field_30", "field_60")
    sweeps = [_sweep(readings, name) for name in names]
    currents = [readings.current(readings.observations[name]) for name in names]
    amplitudes = [float(readings.observations[name].conditions["set_amplitude"]) for name in names]  # type: ignore[arg-type]
    with_current = all(current is not None for current in currents)
    warmths = _warmths(readings, amplitudes)
    refer = [to_reference(readings.spec, readings.motor, warmth) for warmth in warmths]
    if with_current:
        weights = [current.value for current in currents if current is not None]
    else:
        weights = [(a - readings.dead.value) / r.value for a, r in zip(amplitudes, refer, strict=False)]
    phi, s, way = (np.concatenate([sweep[part] for sweep in sweeps]) for part in range(3))
    weight = np.concatenate([np.full(sweep[0].size, w) for sweep, w in zip(sweeps, weights, strict=True)])
    scale0 = 1.5 * readings.arm_n_m.value / weights[0]
    slow = np.column_stack((np.ones_like(s), s, s**2, s**3))
    wave = np.zeros((s.size, 2))

    def deflected(p: Array) -> Array:
        torque = readings.arm_n_m.value * np.sin(s - p[2]) + way * p[1] + wave @ p[7:]
        return np.asarray(np.arcsin(np.clip(torque / (p[0] * weight), -0.9999, 0.9999)))

    def model(p: Array) -> Array:
        return np.asarray(readings.pole_pairs * s + slow @ p[3:7] + deflected(p))

    start = [scale0, 0.04 * readings.arm_n_m.value, 0.0, 0.0, 0.0, 0.0, 0.0]
    fit = nonlinear(lambda p: model(np.append(p, (0.0, 0.0))), start, phi)
    full = np.append(fit.values, (0.0, 0.0))
    residual_torque = -fit.residuals * np.cos(deflected(full)) * full[0] * weight
    wave = _waves(s, residual_torque)
    fit = nonlinear(model, [*fit.values, *[1e-5] * wave.shape[1]], phi)
    grown = inflation(fit.residuals)
    per_weight, rubbing = _typed(readings, fit, grown)
    speed = _speed(readings.observations["field_60"], readings)
    friction = combine(((1.0, rubbing), (-speed, readings.damping_n_m_s)), "N m")
    if with_current and currents[1] is not None:
        current = currents[1]
        gain_u = current.budget
        kt = Quantity(
            value=per_weight.value,
            unit="N m/A",
            budget={
                **per_weight.budget,
                **{
                    key: Contribution(
                        u=-part.u * per_weight.value / current.value, shape=part.shape, dof=part.dof, remedy=part.remedy
                    )
                    for key, part in gain_u.items()
                },
            },
        )
        magnet = propagate(
            lambda kt, magnet_c: kt / (1.0 + _flux_per_k(readings) * (magnet_c - 20.0)),
            "N m/A",
            kt=kt,
            magnet_c=warmths[1].magnet_c,
        )
        # Current and torque per ampere err together: their product does not know the current's gain.
        peak = propagate(lambda k, r: k * weights[1] * r, "N m", k=per_weight, r=refer[1])
    else:
        magnet = None
        net = combine(((1.0, exact(REFERRED, "1")), (-1.0, readings.dead)), "1")
        peak = propagate(lambda k, r, net: k * net * r / refer[1].value, "N m", k=per_weight, r=refer[1], net=net)
    points = _branches(
        phi[weight == weights[1]] / readings.pole_pairs - s[weight == weights[1]],
        readings.arm_n_m.value * np.sin(s - fit.values[2])[weight == weights[1]],
        way[weight == weights[1]],
    )
    return Held(
        peak_torque=peak,
        friction=friction,
        torque_per_ampere=magnet,
        points=points,
        refer=refer[1],
        refer_loop=refer[2],
        fit=fit,
        scale=float(fit.values[0]),
        weight=weights[1],
        hang_rad=float(fit.values[2]),
    )


def _flux_per_k(readings: Readings) -> float:
    thermal = readings.spec.motor[readings.motor].thermal
    return thermal.flux_per_k.value if thermal is not None and thermal.flux_per_k is not None else -1.1e-3


def _typed(readings: Readings, fit: Fit, grown: float) -> tuple[Quantity, Quantity]:
    """Torque per weight and friction with the arm's and the sensor's share."""
    dof = max(3.0, fit.dof / grown**2)
    made = []
    for place, unit in ((0, "N m/A"), (1, "N m")):
        value = float(fit.values[place])
        relative = value / readings.arm_n_m.value
        budget = {
            f"{readings.motor} held-field fit#{place + 1}": Contribution(
                u=float(fit.u[place]) * grown, dof=dof, remedy="more and slower sweeps"
            )
        }
        for key, part in readings.arm_n_m.budget.items():
            budget[key] = Contribution(u=part.u * relative, shape=part.shape, remedy=part.remedy)
        for key, part in readings.eccentric.budget.items():
            budget[key] = Contribution(u=part.u * value, shape=part.shape, remedy=part.remedy)
        made.append(Quantity(value=value, unit=unit, budget=budget))
    return made[0], made[1]


def _strongest_order(s: Array, torque: Array) -> int:
    """Order (periods a turn) of the strongest sine in a torque over shaft angle; 20 to 400 are tried."""
    orders = np.arange(20, 401)
    phase = np.exp(1j * np.outer(orders, s))
    return int(orders[int(np.argmax(np.abs(phase @ (torque - torque.mean()))))])


def _waves(s: Array, torque: Array) -> Array:
    """Cosine and sine columns of the WAVES strongest orders in turn: cogging, and the ripple of dead time."""
    left, columns = torque - torque.mean(), np.empty((s.size, 0))
    for _ in range(WAVES):
        order = _strongest_order(s, left)
        columns = np.column_stack((columns, np.cos(order * s), np.sin(order * s)))
        left = linear(columns, torque - torque.mean()).residuals
    return columns


def _speed(observation: Observation, readings: Readings) -> float:
    """Mean speed of the sweep, rad/s of the shaft."""
    command = observation.si("command") * math.tau / FULL_TURN / readings.pole_pairs
    moving = np.abs(np.gradient(command, observation.si("t")))
    return float(np.median(moving[moving > 0.0]))


def _warmths(readings: Readings, amplitudes: list[float]) -> list[Warmth]:
    """Estimated warmth in the middle of each sweep."""
    entry = readings.spec.motor[readings.motor]
    ohm = entry.resistance_ohm.value if entry.resistance_ohm is not None else 5.0
    on = readings.spec.driver.on_resistance_ohm
    volts = readings.spec.supply.voltage_v.value / 2.0
    seconds = 7.0  # of a sweep
    powers = [1.5 * (a * volts / (ohm + (on.value if on is not None else 0.0))) ** 2 * ohm for a in amplitudes]
    spells = [
        [(powers[0], seconds / 2.0)],
        [(powers[0], seconds), (powers[1], seconds / 2.0)],
        [(powers[0], seconds), (powers[1], seconds + 2.0), (0.0, 2.0), (0.2 * powers[1], seconds / 2.0)],
    ]
    return [estimate(readings.spec, readings.motor, readings.room_c, spell) for spell in spells]


def _branches(x: Array, y: Array, way: Array) -> dict[str, tuple[tuple[float, float], ...]]:
    """Points of the two senses of motion, thinned to at most 150 each."""
    made = {}
    for word, sense in (("rising", 1.0), ("falling", -1.0)):
        places = np.flatnonzero(way == sense)
        places = places[:: max(1, places.size // 150)]
        made[word] = tuple((float(x[i]), float(y[i])) for i in places)
    return made


def _loop(readings: Readings) -> tuple[Array, Array, Array]:
    """Position error, arm torque and sense of motion of the loop's sweep, settled points."""
    observation = readings.observations["loop"]
    command = (observation.si("command") - readings.hang_count) * math.tau / readings.turn
    s = shaft_rad(observation, readings.turn, readings.hang_count)
    way, keep = _moving(command, 1.0)
    return (command - s)[keep], readings.arm_n_m.value * np.sin(s)[keep], way[keep]


def closed_loop(readings: Readings, held: Held) -> Quantity:
    """Slope of the loop's torque over position error outside the dead zone, at 20 degC.

    error = T / K + sense of T x dead zone + constant +- F / K: linear in its parameters.
    """
    observation = readings.observations["loop"]
    command = (observation.si("command") - readings.hang_count) * math.tau / readings.turn
    s_all = shaft_rad(observation, readings.turn, readings.hang_count)
    way_all, keep = _moving(command, 1.0)
    s, way, error = s_all[keep], way_all[keep], (command - s_all)[keep]
    torque = readings.arm_n_m.value * np.sin(s - held.hang_rad)
    total = torque + way * held.friction.value
    useful = np.abs(total) > 0.1 * readings.arm_n_m.value
    design = np.column_stack((torque, way, np.sign(total), np.ones_like(s)))[useful]
    waves = _waves(s[useful], linear(design, error[useful]).residuals)
    fit = linear(np.column_stack((design, waves)), error[useful])
    grown = inflation(fit.residuals)
    slope = 1.0 / float(fit.values[0])
    budget = {
        f"{readings.motor} loop fit": Contribution(
            u=slope**2 * float(fit.u[0]) * grown, dof=max(3.0, fit.dof / grown**2), remedy="more and slower sweeps"
        )
    }
    for key, part in readings.arm_n_m.budget.items():
        budget[key] = Contribution(u=part.u * slope / readings.arm_n_m.value, shape=part.shape, remedy=part.remedy)
    for key, part in readings.eccentric.budget.items():
        budget[key] = Contribution(u=part.u * slope, shape=part.shape, remedy=part.remedy)
    warm = Quantity(value=slope, unit="N m/rad", budget=budget)
    return propagate(lambda k, r: k * r, "N m/rad", k=warm, r=held.refer_loop)


def largest_slipping(readings: Readings, held: Held) -> Quantity:
    """Largest torque of the field from the way to its slip, referred to amplitude 0.6 and 20 degC.

    While the amplitude falls the shaft sinks: at each reading Tmax = (arm torque - friction) / sin(p deflection),
    taken between 50 and 75 electrical degrees, where the field is close to giving way and still at rest.
    Raises MeasurementError if it never slipped.
    """
    observation = readings.observations["slip"]
    if observation.conditions.get("slipped") is None:
        raise MeasurementError(f"{readings.motor}: the field did not slip although its amplitude went to 0.05")
    zero = float(observation.conditions["zero_rad"])  # type: ignore[arg-type]
    phi = (observation.si("command") * math.tau / FULL_TURN - zero) * readings.sense
    s = shaft_rad(observation, readings.turn, readings.hang_count)
    c = held.fit.values
    angle = phi - readings.pole_pairs * s - c[3] - c[4] * s - c[5] * s**2 - c[6] * s**3
    amplitude = observation.si("amplitude") / 32768.0 - readings.dead.value
    chosen = (angle > math.radians(50.0)) & (angle < math.radians(75.0)) & (amplitude > 0.0)
    if np.count_nonzero(chosen) < 5:
        raise MeasurementError(f"{readings.motor}: too few readings on the way to the slip")
    arm = readings.arm_n_m.value * np.sin(s - held.hang_rad)
    peak = (arm - held.friction.value) / np.sin(angle) / amplitude
    value = float(np.mean(peak[chosen])) * (REFERRED - readings.dead.value)
    strain = float(np.mean(1.0 / np.tan(angle[chosen])))
    eccentricity = readings.spec.motor[readings.motor].sensor.eccentricity_rad or 0.0
    net = float(np.mean(amplitude[chosen]))
    budget = {
        "angle of the field at slip": Contribution(
            u=value * strain * readings.pole_pairs * 0.1 * eccentricity, shape="normal", remedy="centre the magnet"
        ),
        f"{readings.motor} slip readings": Contribution(u=value * 0.01, dof=10.0, remedy="a slower slip"),
    }
    for key, part in readings.arm_n_m.budget.items():
        budget[key] = Contribution(u=part.u * value / readings.arm_n_m.value, shape=part.shape, remedy=part.remedy)
    for key, part in held.friction.budget.items():
        u = -part.u / float(np.mean(np.sin(angle[chosen]))) / net * REFERRED + (budget[key].u if key in budget else 0.0)
        budget[key] = Contribution(u=u, shape=part.shape, dof=part.dof, remedy=part.remedy)
    for key, part in readings.dead.budget.items():
        budget[key] = Contribution(
            u=part.u * value * (1.0 / net - 1.0 / REFERRED), shape=part.shape, remedy=part.remedy
        )
    warm = Quantity(value=value, unit="N m", budget=budget)
    return propagate(lambda k, r: k * r, "N m", k=warm, r=held.refer)


def largest_clipped(readings: Readings, held: Held) -> Quantity:
    """Torque of the loop at its clip: the arm stands where its torque and the friction carry it, both sides' mean."""
    sides = []
    for word, sign in (("up", 1.0), ("down", -1.0)):
        observation = readings.observations[f"clip_{word}"]
        t = observation.si("t")
        s = shaft_rad(observation, readings.turn, readings.hang_count)[t > t[-1] - STANDING_S]
        sides.append(sign * float(np.mean(np.sin(s - held.hang_rad))))
    share = sum(sides) / 2.0
    eccentric = scaled(readings.eccentric, math.cos(math.asin(min(0.99, share))), "1")
    warm = propagate(
        lambda arm, friction, eccentric: arm * (share + eccentric) + friction,
        "N m",
        arm=readings.arm_n_m,
        friction=held.friction,
        eccentric=eccentric,
    )
    stuck = Contribution(u=0.25 * held.friction.value, shape="rectangular", remedy="approach the clip from both sides")
    warm = Quantity(value=warm.value, unit="N m", budget={**warm.budget, "where the arm stuck": stuck})
    return propagate(lambda k, r: k * r, "N m", k=warm, r=held.refer_loop)
