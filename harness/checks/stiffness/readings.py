"""What the fits of holding stiffness start from: observations of one motor, its arm, and what the supply said."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.base.errors import MeasurementError
from harness.checks.stiffness.moves import Moves
from harness.checks.stiffness.stimulus import AMPLITUDE
from harness.checks.stiffness.supply_readings import current_over_idle, voltage
from harness.checks.strength import FIELD_SHARE
from harness.corrections.dead_time import amplitude_lost
from harness.corrections.temperature import Warmth, estimate, room
from harness.fits.shaft import shaft_rad
from harness.nouns import gravity
from harness.nouns.array import Array
from harness.nouns.contract import FULL_TURN
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, exact, propagate, scaled
from harness.rigfile import RigSpec

SPAN = 8
"""Rows of one smoothing: three of 32 ms let the swinging through and leave neither cogging nor noise of the
acceleration, which would pass for a stiffer field (noise in what is regressed on)."""
LOOP_SPAN = 10
"""The same for the loop, whose error is regressed on the shaft's own place and so takes noise even less."""
SHARES = {"field_30": 0.25, "field_60": 1.0, "slip": 0.5, "loop": 0.1, "clip_up": 0.35, "clip_down": 0.35}
"""What heats the winding in turn, in parts of a field at amplitude 0.6: squares of amplitudes, a loop's their mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldingReadings:
    """Observations of one motor with what the rig file says about its arm and instruments."""

    spec: RigSpec
    motor: str
    pole_pairs: int
    sense: int
    turn: int
    hang_count: float
    arm_n_m: Quantity
    """m g l, the arm's torque at 90 degrees."""
    damping_n_m_s: Quantity
    """Torque per speed that a held field and the bearing add to friction."""
    dead: Quantity
    """Amplitude that dead time takes away."""
    observations: Mapping[str, Observation]
    supply_voltage: Quantity | None
    room_c: Quantity

    def current(self, observation: Observation) -> Quantity | None:
        """Phase current peak of a static field from the supply's current; None without a supply instrument.

        Supply current is the sum of duty times phase current: 0.75 a I, less what dead time takes off each duty,
        |i_A| + |i_B| + |i_C| at the field's angle.
        """
        net = current_over_idle(observation, self.observations.values(), self.spec, self.motor)
        if net is None:
            return None
        amplitude = observation.number("set_amplitude")
        firmware = self.spec.firmware
        lost = exact(0.0, "1")
        if firmware.dead_time_s is not None and firmware.carrier_hz is not None:
            lost = scaled(firmware.dead_time_s.quantity("s"), firmware.carrier_hz, "1")
        angle = float(observation.si("command")[-1]) * math.tau / FULL_TURN
        amperes = sum(abs(math.cos(angle - phase * math.tau / 3.0)) for phase in range(3))
        return propagate(lambda net, lost: net / (FIELD_SHARE * amplitude - lost * amperes), "A", net=net, lost=lost)

    def weight(self, observation: Observation, warm: float) -> Quantity:
        """What the field's torque is proportional to: the current, else the net amplitude at the winding's warmth.

        `warm`: the factor that refers a torque to 20 degC.
        """
        current = self.current(observation)
        if current is not None:
            return current
        amplitude = observation.number("set_amplitude")
        left = self._left_of_supply(amplitude) / warm
        return propagate(lambda dead: (amplitude - dead) * left, "1", dead=self.dead)

    def _left_of_supply(self, amplitude: float) -> float:
        """Share of the supply's voltage that is left when a field draws on its internal resistance."""
        internal, ohm = self.spec.supply.internal_resistance_ohm, self.spec.motor[self.motor].resistance_ohm
        if internal is None or ohm is None:
            return 1.0
        return 1.0 - internal.value * FIELD_SHARE * amplitude * amplitude / 2.0 / (ohm.value + on_ohm(self.spec))

    def field_moves(self, observation: Observation) -> Moves:
        """A sweep of the field: electrical angle from the arm's hanging, shaft from hanging."""
        zero = observation.number("zero_rad")
        command = (observation.si("command") * math.tau / FULL_TURN - zero) * self.sense
        return Moves.of(observation.si("t"), command, self.shaft(observation), SPAN, self.pole_pairs)

    def loop_moves(self) -> Moves:
        """The sweep of the loop: set point and shaft from hanging."""
        observation = self.observations["loop"]
        command = (observation.si("command") - self.hang_count) * math.tau / self.turn
        return Moves.of(observation.si("t"), command, self.shaft(observation), LOOP_SPAN)

    def shaft(self, observation: Observation) -> Array:
        """Reading from the rig file's hanging, rad (n)."""
        return shaft_rad(observation, self.turn, self.hang_count)

    def warmth(self, at_s: float) -> Warmth:
        """Estimated temperatures at a time of the service."""
        ohm = self.spec.motor[self.motor].resistance_ohm
        winding = ohm.value if ohm is not None else 5.0
        volts = AMPLITUDE * self.spec.supply.voltage_v.value / 2.0
        full = 1.5 * (volts / (winding + on_ohm(self.spec))) ** 2 * winding
        spells, last = [], 0.0
        for name, share in SHARES.items():
            if name in self.observations and last < at_s:
                until = min(at_s, float(self.observations[name].si("t")[-1]))
                spells.append((share * full, until - last))
                last = until
        return estimate(self.spec, self.motor, self.room_c, spells)


def middle_s(observation: Observation) -> float:
    """Time of the service in the middle of an observation."""
    t = observation.si("t")
    return float(t[0] + t[-1]) / 2.0


def on_ohm(spec: RigSpec) -> float:
    """On-resistance of a switch as the rig file states it, otherwise 0."""
    on = spec.driver.on_resistance_ohm
    return on.value if on is not None else 0.0


def readings_of(spec: RigSpec, motor: str, by_name: Mapping[str, Observation]) -> HoldingReadings:
    """Gather what the fits need. Raises MeasurementError where a needed observation is missing."""
    entry = spec.motor[motor]
    load = entry.load
    if load is None or load.mass_kg is None or load.length_m is None:
        raise MeasurementError(f"{motor}: no arm with mass and length: no known torque")
    arm = propagate(
        lambda mass, length, g: mass * length * g,
        "N m",
        mass=load.mass_kg.quantity("kg"),
        length=load.length_m.quantity("m"),
        g=gravity.local(),
    )
    strong = by_name.get("field_60")
    if strong is None or "field_30" not in by_name:
        raise MeasurementError(f"{motor}: the sweeps of the held field are missing")
    turn = entry.sensor.counts
    hang = load.hang_reading_rad.value if load.hang_reading_rad is not None else 0.0
    return HoldingReadings(
        spec=spec,
        motor=motor,
        pole_pairs=entry.pole_pairs or 1,
        sense=entry.direction or 1,
        turn=turn,
        hang_count=hang / math.tau * turn,
        arm_n_m=arm,
        damping_n_m_s=_damping(spec, motor),
        dead=amplitude_lost(spec),
        observations=by_name,
        supply_voltage=voltage(strong, spec),
        room_c=room(spec, strong.number("room_c") if strong.states("room_c") else None),
    )


def _damping(spec: RigSpec, motor: str) -> Quantity:
    """Kt^2 / (1.5 (R + Ron)) + viscous friction, from the rig file; 0 where it is silent."""
    entry = spec.motor[motor]
    if entry.flux_linkage_v_s is None or entry.resistance_ohm is None or entry.pole_pairs is None:
        return exact(0.0, "N m s")
    pole_pairs = entry.pole_pairs
    viscous = entry.viscous_friction_n_m_s
    return propagate(
        lambda flux, ohm, viscous: 1.5 * (pole_pairs * flux) ** 2 / (ohm + on_ohm(spec)) + viscous,
        "N m s",
        flux=entry.flux_linkage_v_s.quantity("V s"),
        ohm=entry.resistance_ohm.quantity("ohm"),
        viscous=exact(0.0, "N m s") if viscous is None else viscous.quantity("N m s"),
    )
