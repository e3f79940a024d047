"""What the fits of holding stiffness start from: observations of one motor, its arm, and what the supply said."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.base.errors import MeasurementError
from harness.checks.stiffness.braking import Braking
from harness.checks.stiffness.moves import Moves
from harness.checks.stiffness.stimulus import AMPLITUDE, LOOP, LOOP_INSIDE
from harness.checks.stiffness.supply_readings import current_over_idle, voltage
from harness.checks.strength import FIELD_SHARE
from harness.corrections.dead_time import amplitude_lost, dead_share
from harness.corrections.temperature import Warmth, estimate, room
from harness.fits.shaft import shaft_rad
from harness.nouns import gravity
from harness.nouns.array import Array
from harness.nouns.contract import FULL_TURN
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, propagate
from harness.rigfile import RigSpec, unstated

SPAN_S = 0.064
"""Of one smoothing: three of them leave neither noise of the acceleration, which would pass for a stiffer field
(noise in what is regressed on), nor most of the swinging that cogging keeps up, which bends the fit."""
LOOP_SPAN_S = 0.040
"""The same for the loop, whose error is regressed on the shaft's own place and so takes noise even less."""
SHARES = {"field_30": 0.25, "field_60": 1.0, "slip": 0.5, LOOP: 0.1, "clip_up": 0.24, "clip_down": 0.24}
SHARES[LOOP_INSIDE] = SHARES[LOOP]
"""What heats the winding, in parts of a field at amplitude 0.6: squares of amplitudes, a loop's their mean."""


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
    braking: Braking
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
        lost = dead_share(self.spec, observation)
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
        left = self._left_of_supply(amplitude)
        return propagate(lambda dead, left: (amplitude - dead) * left / warm, "1", dead=self.dead, left=left)

    def _left_of_supply(self, amplitude: float) -> Quantity:
        """Share of the supply's voltage that is left when a field draws on its internal resistance."""
        ohm = self.spec.motor[self.motor].resistance_ohm.value
        return propagate(
            lambda source_ohm, on_ohm: 1.0 - source_ohm * FIELD_SHARE * amplitude * amplitude / 2.0 / (ohm + on_ohm),
            "1",
            source_ohm=unstated.source_resistance(self.spec),
            on_ohm=unstated.on_resistance(self.spec, self.motor),
        )

    def field_moves(self, observation: Observation) -> Moves:
        """A sweep of the field: electrical angle from the arm's hanging, shaft from hanging."""
        zero = observation.number("zero_rad")
        command = (observation.si("command") * math.tau / FULL_TURN - zero) * self.sense
        return Moves.of(observation.si("t"), command, self.shaft(observation), SPAN_S, self.pole_pairs)

    @property
    def loop(self) -> str:
        """Name of the loop's sweep inside its clip."""
        return LOOP_INSIDE if LOOP_INSIDE in self.observations else LOOP

    def loop_moves(self) -> Moves:
        """The sweep of the loop: set point and shaft from hanging."""
        observation = self.observations[self.loop]
        command = (observation.si("command") - self.hang_count) * math.tau / self.turn
        return Moves.of(observation.si("t"), command, self.shaft(observation), LOOP_SPAN_S)

    def shaft(self, observation: Observation) -> Array:
        """Reading from where the procedure took the arm to hang, rad (n)."""
        return shaft_rad(observation, self.turn, self.hang_count)

    def warmth(self, at_s: float) -> Warmth:
        """Estimated temperatures at a time of the service."""
        winding = self.spec.motor[self.motor].resistance_ohm.value
        volts = AMPLITUDE * self.spec.supply.voltage_v.value / 2.0
        full = 1.5 * (volts / (winding + unstated.on_resistance(self.spec, self.motor).value)) ** 2 * winding
        ends = {
            name: float(observation.si("t")[-1]) for name, observation in self.observations.items() if name in SHARES
        }
        spells, last = [], 0.0
        for name in sorted(ends, key=lambda name: ends[name]):
            if last < at_s:
                until = min(at_s, ends[name])
                spells.append((SHARES[name] * full, until - last))
                last = until
        return estimate(self.spec, self.motor, self.room_c, spells)


def middle_s(observation: Observation) -> float:
    """Time of the service in the middle of an observation."""
    t = observation.si("t")
    return float(t[0] + t[-1]) / 2.0


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
    if strong.states("hang_rad"):
        hang = strong.number("hang_rad")
    elif load.hang_reading_rad is not None:
        hang = load.hang_reading_rad.value
    else:
        raise MeasurementError(f"{motor}: nothing says where its arm hangs: state motor.{motor}.load.hang_reading_rad")
    supply_voltage = voltage(strong, spec)
    return HoldingReadings(
        spec=spec,
        motor=motor,
        pole_pairs=entry.pole_pairs,
        sense=strong.whole("sense") if strong.states("sense") else entry.direction or 1,
        turn=turn,
        hang_count=hang / math.tau * turn,
        arm_n_m=arm,
        braking=Braking(spec=spec, motor=motor, by_current=supply_voltage is not None),
        dead=amplitude_lost(spec, strong),
        observations=by_name,
        supply_voltage=supply_voltage,
        room_c=room(spec, strong.number("room_c") if strong.states("room_c") else None),
    )
