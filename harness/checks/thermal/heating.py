"""Constant current through two phases of a motor at rest: the host's side of device_scripts/static.py.

The multimeter's two terminals carry the current, the third stands at half duty between them and carries none.
Phase current = (supply current - idle current) / (difference of the duties - 2 dead time x carrier): dead time
lowers the duty of the phase that drives and raises that of the other, once a carrier period each.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from harness.acting.service import Service
from harness.base.errors import MeasurementError, MissingCapability
from harness.checks.strength import largest_current_a, require
from harness.corrections.dead_time import phase_current
from harness.nouns.contract import FULL_DUTY

if TYPE_CHECKING:
    from harness.bench.rig import Rig

HALF = (FULL_DUTY + 1) // 2
SILENCE_MS = 10000
FEED_S = 8.0
"""Longest wait without a line to the board, below its patience of SILENCE_MS."""
RAMP_S = 0.3
"""Time in which the current comes up, so that the shaft settles along with it (arbitrary)."""
READINGS = 8
"""Of each instrument in one look (arbitrary)."""
SETTLE_S, SWINGS_S = 0.8, 5.0
"""From the current's being up: before it is looked whether the shaft rests, and when it has had time enough whatever is
seen (arbitrary; an arm that the short-circuited winding brakes swings for a second or two)."""
REST_READINGS, REST_SPREAD = 8, 1.5e-3
"""Resistances one right after the other that lie this near, relative, are of a shaft at rest (arbitrary: a swing shows
as some per cent of the volts, a supply of usual resolution scatters over some parts in ten thousand)."""
FIRST_DIFFERENCE = 0.1
"""Difference of duties for the first reading of the current (arbitrary), or what a winding of little resistance
bears."""
WITHIN = 0.004
"""The current counts as set when it is this near, relative; later readings bring it nearer (arbitrary)."""
TRIES = 8
LEAST_SHARE = 0.25
"""Of the current that the rig file's resistance allows: below it, the circuit is taken for open (arbitrary)."""
LEAST_CURRENT_A, LEAST_VOLTS = 0.005, 0.7
"""The same where the rig file has no resistance: amperes, and share of the driver's volts that the winding has."""


class HeatingReading(NamedTuple):
    """One look: when (s, bench time), volts across the two phases, supply amperes, difference of the duties."""

    at_s: float
    volts_v: float
    supply_a: float
    difference: float


class HeatingService(Service):
    """The service on one motor; a context manager that ends it with the phases off.

    Raises MissingCapability without supply or multimeter, or with a limit below the current; StoppedByBoard at a limit.
    """

    def __init__(self, rig: Rig, motor: str, dead_share: float, current_a: float) -> None:
        supply, meter = rig.supply, rig.multimeter(motor)
        if supply is None or meter is None:
            raise MissingCapability(
                f"{motor}: thermal rise needs a supply and a multimeter across two terminals: "
                "add an [instrument.NAME] of each class"
            )
        allowed = largest_current_a(rig.spec, motor)
        require(allowed, current_a, "warming a winding")
        ohm, volts = rig.spec.motor[motor].resistance_ohm.low, rig.spec.supply.voltage_v.high
        self._first = min(FIRST_DIFFERENCE, 2.0 * dead_share + allowed.value * 2.0 * ohm / volts)
        self.rig, self.motor = rig, motor
        self._supply, self._meter = supply, meter
        across = next(entry.across for entry in rig.spec.instrument.values() if entry.across and entry.is_at(motor))
        self._phases = tuple("ABC".index(terminal.phase) for terminal in across)
        self._dead_share = dead_share
        self._current_a = current_a
        self._largest = 2.0 * (rig.declared[motor].max_static_duty - 0.5)
        super().__init__(rig, "static", "hold", last="q", motor=rig.index(motor), silence_ms=SILENCE_MS)
        self._outstanding = 0
        self.difference = 0.0
        self.idle_a = 0.0
        self.duties: list[tuple[float, float]] = []
        """When each difference of duties took effect (s, bench time): where as much heat is made as along the ramp."""

    def set(self, difference: float, ramp_s: float = 0.0) -> None:
        """Bring the two duties apart, symmetric about a half, along a straight line."""
        half = round(difference * FULL_DUTY / 2.0)
        duties = [HALF, HALF, HALF]
        duties[self._phases[0]] += half
        duties[self._phases[1]] -= half
        before, self.difference = self.difference, 2.0 * half / FULL_DUTY
        share = 2.0 / 3.0 if self.difference > before else 1.0 / 3.0  # of a ramp of the current, heat as its square
        self.duties.append((self.rig.clock.now_s() + share * ramp_s, self.difference))
        self.send(f"d {duties[0]} {duties[1]} {duties[2]} {round(ramp_s * 1e3)}")
        self._outstanding += 1
        if ramp_s > 0.0:
            self.wait(ramp_s)

    def find_idle(self, count: int = 4) -> list[tuple[float, float]]:
        """Supply current with the bridge on and no phase current: (s, A) each. Their mean is used from now on."""
        self.set(0.0)
        self.wait(0.1)
        readings = [(self.rig.clock.now_s(), self._supply.measure_current().value) for _ in range(count)]
        self.idle_a = sum(supply_a for _, supply_a in readings) / count
        return readings

    def read(self) -> HeatingReading:
        """Volts and supply current one after the other; checked against the rig file's limits."""
        self.rig.watch()
        volts = self._meter.measure_voltage().value
        at_s = self.rig.clock.now_s()
        supply_a = self._supply.measure_current().value
        reading = HeatingReading(at_s, volts, supply_a, self.difference)
        self.rig.check_limits(phase_current_a=self.current_a(reading))
        return reading

    def look(self) -> HeatingReading:
        """The mean of some readings one right after the other."""
        several = self._several(READINGS)
        at_s, volts, supply_a, _ = (sum(values) / READINGS for values in zip(*several, strict=True))
        return HeatingReading(at_s, volts, supply_a, self.difference)

    def settle(self) -> None:
        """Wait until the shaft rests, by the resistance that a swing would change, or has had SWINGS_S for it."""
        self.wait(SETTLE_S)
        until_s = self.rig.clock.now_s() + SWINGS_S - SETTLE_S
        while self.rig.clock.now_s() < until_s:
            found = [reading.volts_v / self.current_a(reading) for reading in self._several(REST_READINGS)]
            if max(found) - min(found) < REST_SPREAD * abs(sum(found) / len(found)):
                return

    def _several(self, count: int) -> list[HeatingReading]:
        """Readings one right after the other."""
        return [self.read() for _ in range(count)]

    def current_a(self, reading: HeatingReading) -> float:
        """Phase current of a reading; 0 before the duties are apart."""
        if reading.difference <= 2.0 * self._dead_share:
            return 0.0
        return phase_current(reading.supply_a, self.idle_a, reading.difference, self._dead_share)

    def most(self, difference: float) -> float:
        """How many times `difference` the firmware allows."""
        return self._largest / difference

    def driver_c(self) -> float | None:
        """The driver's temperature as the firmware has it; None if it has none."""
        self.send("t")
        self.wait(0.01)
        value = self.until("temperature")
        if value is None:
            return None
        celsius = int(str(value)) / 100.0
        self.rig.check_limits(driver_temperature_c=celsius)
        return celsius

    def wait(self, seconds: float) -> None:
        """Let time pass and tell the board now and then that somebody is there; then take what it has answered."""
        while seconds > FEED_S:
            self.rig.pass_time(FEED_S)
            self.send("")
            seconds -= FEED_S
        self.rig.pass_time(max(seconds, 0.0))
        while self._outstanding:
            self.until("done")
            self._outstanding -= 1

    def find_current(self) -> float:
        """Find the difference of duties that gives CURRENT_A; returns it, with the current on.

        Raises MeasurementError where no current flows, or not as much at the largest static duty.
        """
        self.set(self._first, RAMP_S)
        self.wait(0.3)
        current = self._checked_path(self.read())
        for _ in range(TRIES):
            # Volts lost to dead time do not grow with the current: the first scaling falls short of it or over.
            wanted = 2.0 * self._dead_share + (self.difference - 2.0 * self._dead_share) * self._current_a / current
            if wanted > self._largest:
                raise MeasurementError(
                    f"{self.motor}: {self._current_a:g} A needs a difference of duties of {wanted:.2f}, the firmware "
                    f"allows {self._largest:.2f}: a higher supply voltage would do"
                )
            self.set(wanted, 0.1)
            self.wait(0.15)
            current = self.current_a(self.read())
            if abs(current / self._current_a - 1.0) < WITHIN:
                return self.difference
        raise MeasurementError(
            f"{self.motor}: phase current does not settle at {self._current_a:g} A, found {current:.3f} A"
        )

    def _checked_path(self, first: HeatingReading) -> float:
        """Phase current of the first reading. Raises MeasurementError where it takes another way, or none.

        With one of the two leads open, half of the voltage drives a current through the third phase.
        """
        current = self.current_a(first)
        ohm, volts = self.rig.spec.motor[self.motor].resistance_ohm, self.rig.spec.supply.voltage_v.value
        if ohm is not None:
            usual = self._first * volts / (2.0 * ohm.value)
            open_lead = current < LEAST_SHARE * usual
            expected = f"about {usual * 1e3:.0f} mA"
        else:
            usual_v = (self._first - 2.0 * self._dead_share) * volts
            open_lead = current < LEAST_CURRENT_A or abs(first.volts_v) < LEAST_VOLTS * usual_v
            expected = f"more, and about {usual_v:.2g} V across them (found {abs(first.volts_v):.2g} V)"
        if open_lead:
            raise MeasurementError(
                f"{self.motor}: {current * 1e3:.0f} mA at a difference of duties of {self._first:g}, expected "
                f"{expected}: no path through the two phases at the multimeter; look for an open lead"
            )
        return current
