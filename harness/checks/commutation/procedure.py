"""Commutation step order: what the shaft does when the field is turned step by step, and the sensor at rest.

A field at each of the vectors 60 electrical degrees apart, with the supply's current where it can be read; the
field turned slowly on and back at two amplitudes; after each the arm let go, once from either side, and readings
with the phases off. From these: sense and order of the phases, pole pairs, electrical offset, where
the arm hangs, the weakest vector, and noise and age of the reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.acting.hold import Hold, shaft_rad
from harness.acting.strength import largest_amplitude, require
from harness.base.errors import MeasurementError
from harness.checks.commutation import alignment as results
from harness.checks.commutation import standstill
from harness.fits.field_fit import Sweep
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

NEEDS: tuple[str, ...] = ()
PLANNED = (
    "direction", "pole_pairs", "phase_order", "step_angle", "step_spread", "offset", "hang_reading", "weakest_vector",
    "sensor_noise", "distinct_codes", "sensor_age",
)  # fmt: skip
VECTOR_RAD = math.tau / 6.0
AMPLITUDE = 0.6
LEAST_AMPLITUDE = 0.1
"""Below it friction and dead time decide where the shaft stands (arbitrary)."""
STEPS = 6
"""Vectors either way from hanging; half as many at half the amplitude, which carries half the arm."""
SPARE = 0.4
"""Of a step, gone further at either end: after a turn the shaft has to break loose first (arbitrary)."""
CARRIED = 0.75
"""Largest share of the field's torque that the arm may take (arbitrary: cogging and friction need the rest)."""
STEP_S = 0.07
"""Time for 60 electrical degrees in a sweep: about 1.4 rad/s of the shaft (arbitrary)."""
EDGE = 0.4
"""Of a sweep, speeding up and again slowing down: a sudden start would set the held arm swinging."""
ROW_S = 4e-3
SWING_S = 0.9
"""For an arm let go a vector from hanging to come to rest (arbitrary: friction takes its swing in a few passes)."""
RESTS = 4
"""Times that it is given as long again while it still swings: with crossed phases it is let go from far higher."""


def procedure(rig: Rig, motor: str) -> list[Observation]:
    """Drive one motor through the check, about 9 s. Raises what board, link and instruments raise."""
    spec = rig.spec
    amplitude, steps = strength(spec, motor, rig.declared[motor].max_static_duty)
    start = nearest_vector(spec, motor)
    name = f"{motor}.commutation"
    taken: list[Observation] = []
    supply = rig.supply

    def current_a() -> float | None:
        return None if supply is None else supply.measure_current().value

    with Hold(rig, motor, sample_ms=2) as hold:

        def to(vector: float, level: float, seconds: float, edge_s: float = 0.06) -> None:
            hold.field(vector * VECTOR_RAD, level, seconds, edge_s)

        rig.progress("vectors in order", 0.0)
        hold.sample(0.0)
        hold.wait(0.02)
        idle = current_a()
        to(start, amplitude, 0.2)
        to(start - 3, amplitude, 0.3, 0.12)
        hold.wait(0.1)
        vectors, currents = [], []
        hold.sample(ROW_S)
        for step in range(-3, 3):
            if step > -3:
                to(start + step, amplitude, 0.1, 0.05)
            hold.wait(0.06)
            vectors.append(start + step)
            currents.append(current_a())
        taken.append(
            hold.take(f"{name}.vectors", amplitude=amplitude, vectors=vectors, idle_a=idle, current_a=currents)
        )
        rig.progress("the field turned on and back", 0.2)
        hold.sample(0.0)
        for level, reach, label in ((amplitude, steps + SPARE, "large"), (amplitude / 2, steps / 2 + SPARE, "small")):
            to(start - reach, level, 0.45, 0.15)
            hold.wait(0.1)
            hold.forget()
            hold.sample(ROW_S)
            for way in (1, -1):
                to(start + way * reach, level, 2 * reach * STEP_S, EDGE * 2 * reach * STEP_S)
                ending = "up" if way > 0 else "down"
                taken.append(hold.take(f"{name}.{label}_{ending}", amplitude=level, centre=start))
            hold.sample(0.0)
        for which, side, done in (("from_below", -1, 0.6), ("from_above", 1, 0.8)):
            rig.progress(f"the arm let go {which.replace('_', ' ')}", done)
            if which == "from_above":
                to(start, amplitude, 0.2)
            to(start + side, amplitude, 0.15)
            taken.append(_rested(hold, f"{name}.rest_{which}", rig.declared[motor].counts_per_turn))
    return taken


def _rested(hold: Hold, name: str, turn: int) -> Observation:
    """Phases off, and readings of the arm once it hangs still."""
    hold.sample(0.0)
    hold.off()
    for _ in range(RESTS):
        hold.wait(SWING_S)
        hold.forget()
        hold.sample(ROW_S)
        hold.wait(ROW_S * (standstill.READINGS + 8))
        seen = hold.look(name, phases="off")
        hold.sample(0.0)
        if not standstill.moves(shaft_rad(seen, turn, 0.0)):
            break
    return hold.keep(seen)


def strength(spec: RigSpec, motor: str, max_static_duty: float) -> tuple[float, int]:
    """Amplitude, and vectors either way, that current limits, duty limit and the arm allow, from the rig file.

    Raises MissingCapability where they allow less than LEAST_AMPLITUDE.
    """
    entry, volts = spec.motor[motor], spec.supply.voltage_v
    allowed = largest_amplitude(spec, motor, max_static_duty)
    require(allowed, LEAST_AMPLITUDE, "a field that turns the shaft")
    amplitude = min(AMPLITUDE, allowed.value)
    load, flux = entry.load, entry.flux_linkage_v_s
    if load is None or load.mass_kg is None or load.length_m is None or flux is None:
        return amplitude, STEPS
    on = spec.driver.on_resistance_ohm
    ohm = entry.resistance_ohm.value + (on.value if on is not None else 0.0)
    torque = 1.5 * entry.pole_pairs * flux.value * amplitude * volts.value / 2.0 / ohm
    arm = load.mass_kg.value * load.length_m.value * 9.81
    reach = math.asin(min(1.0, CARRIED * torque / arm)) * entry.pole_pairs / VECTOR_RAD
    return amplitude, max(3, min(STEPS, int(reach)))


def nearest_vector(spec: RigSpec, motor: str) -> int:
    """The vector (counted in steps of 60 degrees) that should hold the shaft nearest to hanging; 0 if unknown."""
    entry = spec.motor[motor]
    offset, hang = entry.electrical_offset_rad, entry.load.hang_reading_rad if entry.load is not None else None
    if offset is None or hang is None:
        return 0
    field = (entry.direction or 1) * entry.pole_pairs * hang.value + offset.value
    return round(math.remainder(field, math.tau) / VECTOR_RAD)


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """Every planned quantity: a measurement, or why this one cannot be told. Pure; raises nothing for a bad motor."""
    data = _Data(observations, spec, motor)
    made: list[Measurement | Unmeasured] = []
    notes = data.notes()
    for quantity in PLANNED:
        name = f"{motor}.commutation.{quantity}"
        used = tuple(o.name for o in observations if (".rest_" in o.name) == (quantity in results.AT_REST))
        try:
            made.append(
                Measurement(
                    name=name, quantity=data.quantity(quantity), observations=used, note=notes.get(quantity, "")
                )
            )
        except MeasurementError as error:
            reason = "; ".join(part for part in (str(error), notes.get("weakest_vector", "")) if part)
            made.append(Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=reason))
    return made


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Shaft reading against the turned field, each sweep a series."""
    data = _Data(observations, spec, motor)
    series = {}
    for name, sweep in data.sweeps.items():
        every = max(1, sweep.field_rad.size // 250)
        series[name.replace("_", " amplitude, ")] = tuple(
            (float(a), float(b) + data.zero_rad)
            for a, b in zip(sweep.field_rad[::every], sweep.shaft_rad[::every], strict=True)
        )
    return [
        Curve(
            name=f"{motor}.commutation.following",
            title=f"{motor}: reading while the field turns slowly",
            x_label="electrical angle of the field",
            x_unit="rad",
            y_label="shaft reading",
            y_unit="rad",
            series=series,
            joined=True,
        )
    ]


class _Data:
    """The observations of one motor in SI units, and what has been found from them so far."""

    def __init__(self, observations: Sequence[Observation], spec: RigSpec, motor: str) -> None:
        self.spec, self.motor = spec, motor
        counts = spec.motor[motor].sensor.counts
        per_count = math.tau / counts
        by_name = {Name(o.name).quantity: o for o in observations}

        def shaft(o: Observation) -> np.typing.NDArray[np.float64]:
            raw = o.si("count") * per_count
            return np.asarray((raw - self.zero_rad + math.pi) % math.tau - math.pi, dtype=np.float64)

        self.least_step_rad = per_count
        rests = [o for name, o in by_name.items() if name.startswith("rest_")]
        if not rests:
            raise MeasurementError(f"{motor}: no reading at rest was taken")
        first = rests[0].si("count") * per_count
        self.zero_rad = float(np.angle(np.mean(np.exp(1j * first)))) % math.tau
        self.rests = [shaft(o) for o in rests]
        self.ages_s = np.concatenate([o.si("age") for o in rests])
        self.sweeps: dict[str, Sweep] = {}
        for name in ("large_up", "large_down", "small_up", "small_down"):
            if name in by_name:
                o = by_name[name]
                begin, end = o.data.size // 8, o.data.size - o.data.size // 16  # while the shaft surely slides
                t_s = o.si("t")[begin:end]
                field = o.si("command")[begin:end] * math.tau / FULL_TURN
                # The reading is older than the field it comes with.
                late_s = float(np.mean(o.si("age")))
                self.sweeps[name] = Sweep(
                    amplitude=float(np.max(o.si("amplitude"))) / FULL_AMPLITUDE,
                    t_s=t_s,
                    field_rad=field - late_s * np.gradient(field, t_s),
                    shaft_rad=shaft(o)[begin:end],
                )
        self.vectors = by_name.get("vectors")
        self.centre = by_name["large_up"].whole("centre") if "large_up" in by_name else 0
        self._found: results.Alignment | MeasurementError | None = None

    def alignment(self) -> results.Alignment:
        """The regression over the sweeps, made once. Raises MeasurementError each time if it cannot be made."""
        if self._found is None:
            try:
                self._found = results.align(self.sweeps, self.spec, self.motor, self.zero_rad, self.centre * VECTOR_RAD)
            except MeasurementError as error:
                self._found = error
        if isinstance(self._found, MeasurementError):
            raise MeasurementError(str(self._found))
        return self._found

    def notes(self) -> dict[str, str]:
        """What goes with a number: the phase that is open, the shaft that stood still."""
        words = results.open_phase(self.vectors)
        found = {"weakest_vector": words} if words else {}
        try:
            if results.direction(self.sweeps).value == 0.0:
                found["direction"] = results.STILL
        except MeasurementError:
            pass
        return found

    def quantity(self, which: str) -> Quantity:
        """One planned quantity. Raises MeasurementError where these observations do not carry it."""
        source = f"{self.motor}.commutation"
        at_rest: dict[str, Callable[[], Quantity]] = {
            "direction": lambda: results.direction(self.sweeps),
            "weakest_vector": lambda: results.weakest_vector(self.vectors, self.sweeps, self.spec),
            "hang_reading": self._hang,
            "sensor_noise": lambda: standstill.noise(self.rests, self.least_step_rad, source),
            "distinct_codes": lambda: standstill.distinct_codes(
                self.rests, standstill.noise(self.rests, self.least_step_rad, source).value, self.least_step_rad, source
            ),
            "sensor_age": lambda: standstill.age(self.ages_s, source),
        }
        if which in at_rest:
            return at_rest[which]()
        if results.direction(self.sweeps).value == 0.0:
            raise MeasurementError(results.STILL)
        return self.alignment().quantity(which)

    def _hang(self) -> Quantity:
        try:
            return self.alignment().quantity("hang_reading")
        except MeasurementError:
            return results.hang_at_rest(self.rests, self.spec, self.motor, self.zero_rad)
