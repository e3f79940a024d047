"""What commutation makes of its readings.

Sense and order of the phases, pole pairs, electrical offset, where the arm hangs, the weakest vector, and noise, age
and lag of the reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.commutation import alignment as results
from harness.checks.commutation import standstill
from harness.checks.commutation.quantities import CHECK
from harness.checks.commutation.stimulus import EDGE, VECTOR_RAD
from harness.corrections.dead_time import amplitude_lost
from harness.fits.field_fit import Sweep
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

PULLED = ("pole_pairs", "step_angle", "offset", "hang_reading")
"""Quantities that a load bends: they say that one is there which nobody stated."""
SHOWN = 0.3
"""Of a count: noise above it makes a reading of one place come in two codes now and then (arbitrary)."""

BEGIN, END = 1.0 / 8.0, 15.0 / 16.0
"""Of a sweep, the part in which the shaft surely slides (arbitrary)."""


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """Every planned quantity: a measurement, or why this one cannot be told. Pure; raises nothing for a bad motor."""
    data = _Readings(observations, spec, motor)
    made: list[Measurement | Unmeasured] = []
    notes = data.notes()
    for quantity in (row.name for row in CHECK.quantities):
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
    data = _Readings(observations, spec, motor)
    series, begun = {}, {}
    for name, sweep in data.sweeps.items():
        every = max(1, sweep.field_rad.size // 250)
        label = name.replace("_", " amplitude, ")
        begun[label] = {"amplitude": sweep.amplitude, **_pace(sweep, spec.motor[motor].pole_pairs)}
        series[label] = tuple(
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
            begun=begun,
            joined=True,
        )
    ]


def _pace(sweep: Sweep, pole_pairs: int) -> dict[str, float]:
    """The shaft's speed amid a sweep, signed as the reading goes, and its largest acceleration at the edges.

    A speed goes up as 3 u^2 - 2 u^3, so most of all by 1.5 times its mean.
    """
    fastest_rad_s = float(np.max(np.abs(np.gradient(sweep.field_rad, sweep.t_s)))) / pole_pairs
    whole_s = float(sweep.t_s[-1] - sweep.t_s[0]) / (END - BEGIN)
    return {
        "speed_rad_s": math.copysign(fastest_rad_s, float(sweep.shaft_rad[-1] - sweep.shaft_rad[0])),
        "acceleration_rad_s2": 1.5 * fastest_rad_s / (EDGE * whole_s),
    }


class _Readings:
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
        corrected_s: list[float] = []
        for name in ("large_up", "large_down", "small_up", "small_down"):
            if name in by_name:
                o = by_name[name]
                begin, end = int(o.data.size * BEGIN), math.ceil(o.data.size * END)
                t_s = o.si("t")[begin:end]
                field = o.si("command")[begin:end] * math.tau / FULL_TURN
                # The reading is older than the field it comes with.
                late_s = float(np.mean(o.si("age")))
                if late_s > standstill.LONGEST_AGE_S:  # an age that none can have corrects nothing
                    late_s = 0.0
                corrected_s.append(late_s)
                self.sweeps[name] = Sweep(
                    amplitude=float(np.max(o.si("amplitude"))) / FULL_AMPLITUDE,
                    t_s=t_s,
                    field_rad=field - late_s * np.gradient(field, t_s),
                    shaft_rad=shaft(o)[begin:end],
                )
        self.corrected_s = float(np.mean(corrected_s)) if corrected_s else 0.0
        self.vectors = by_name.get("vectors")
        self.lost = amplitude_lost(spec, self.vectors)
        self.centre = by_name["large_up"].whole("centre") if "large_up" in by_name else 0
        self._found: results.Alignment | MeasurementError | None = None

    def alignment(self) -> results.Alignment:
        """The regression over the sweeps, made once. Raises MeasurementError each time if it cannot be made."""
        if self._found is None:
            try:
                self._found = results.align(
                    self.sweeps, self.spec, self.motor, self.zero_rad, self.centre * VECTOR_RAD, self.lost,
                    self.corrected_s,
                )  # fmt: skip
            except MeasurementError as error:
                self._found = error
        if isinstance(self._found, MeasurementError):
            raise MeasurementError(str(self._found))
        return self._found

    @property
    def still(self) -> str:
        """Why the shaft was not seen to move: a reading that lacks its noise speaks against itself, not the shaft."""
        runs = [*self.rests, *(sweep.shaft_rad for sweep in self.sweeps.values())]
        noise = self.spec.motor[self.motor].sensor.noise_rad
        shows = noise is not None and noise.value > SHOWN * math.tau / self.spec.motor[self.motor].sensor.counts
        return results.FROZEN if shows and np.ptp(np.concatenate(runs)) == 0.0 else results.STILL

    def notes(self) -> dict[str, str]:
        """What goes with a number: the phase that is open, the shaft that stood still."""
        words = results.open_phase(self.vectors)
        notes = {"weakest_vector": words} if words else {}
        try:
            if results.direction(self.sweeps).value == 0.0:
                notes["direction"] = self.still
            elif self.alignment().following.pulled:
                words = f"a load pulls on this shaft that the rig file does not state (motor.{self.motor}.load)"
                notes |= dict.fromkeys(PULLED, words)
        except MeasurementError:
            pass
        return notes

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
            "impossible_ages": lambda: standstill.impossible_ages(self.ages_s),
        }
        if which in at_rest:
            return at_rest[which]()
        if results.direction(self.sweeps).value == 0.0:
            raise MeasurementError(self.still)
        return self.alignment().quantity(which)

    def _hang(self) -> Quantity:
        try:
            return self.alignment().quantity("hang_reading")
        except MeasurementError:
            return results.hang_at_rest(self.rests, self.spec, self.motor, self.zero_rad)
