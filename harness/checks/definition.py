"""A check as one object: what it needs, how it drives a motor, what it makes of the readings, what is expected of them.

`check.py` in each check's folder ties one together; nothing is felt for by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from harness.nouns.contract import Declared
from harness.nouns.effort import Effort
from harness.nouns.loop_span import LoopSpan
from harness.nouns.measurand import CheckRow
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Expectation, Measurement, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

Stimulus = TypeVar("Stimulus")
Need = Callable[[RigSpec, str], str]
"""What a rig lacks for a check on a motor, with what to add; "" where it lacks nothing."""
Overlay = Callable[
    [str, Sequence[float], Mapping[str, float], RigSpec, Declared, str], list[tuple[float, float]] | None
]
"""(curve's name, x, how the series began, rig file, declared, motor) -> the model's value and standard uncertainty at
each x, or None."""

Foreseen = Callable[[RigSpec, str, Mapping[str, Quantity]], Mapping[str, Quantity]]
"""(rig file, motor, what is expected by full name) -> measurements of it with the sources that are foreseen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check(Generic[Stimulus]):
    """One bench check. Of a check that drives all motors at once, `motor` is `together` in every call."""

    row: CheckRow
    """Its name, title and quantities."""
    needs: tuple[Need, ...]
    """Asked in order before anything is energised; the first that is lacking is the reason for not running it."""
    effort: Callable[[RigSpec, Declared, str], Effort]
    """What it takes and does on a bench, from the rig file. Raises MissingCapability as `stimulus` does."""
    computing_s: float
    """How long where the bench computes its time instead of waiting for it, s of wall time; only ratios matter."""
    stimulus: Callable[[RigSpec, Declared, str], Stimulus]
    """What it will do to a motor, decided before anything is measured. Raises MissingCapability."""
    procedure: Callable[[Rig, str, Stimulus], list[Observation]]
    """Drives the rig. Raises what board, link and instruments raise, MeasurementError, MissingCapability."""
    analysis: Callable[[Sequence[Observation], RigSpec, str], list[Measurement | Unmeasured]]
    """Observations to results, every planned quantity; pure, so that an old record can be analysed again."""
    curves: Callable[[Sequence[Observation], RigSpec, str], list[Curve]]
    """Measured curves for the reader of a report. Raises MeasurementError."""
    model: Callable[[RigSpec, Declared, str], list[Expectation]]
    """What the rig file lets expect of its quantities."""
    foreseen: Foreseen | None = None
    """What instruments and load will leave open of its measurements, where that is known beforehand: other
    sources come on top. None where nothing of it is known."""
    unmeasured: Callable[[RigSpec, Declared, str], Mapping[str, str]] | None = None
    """Those of its quantities, by full name, that this rig cannot measure although the check runs, and why, in the
    analysis's own words. None where it measures all of them or none."""
    without_loop: Callable[[Rig, str, Stimulus, str], list[Observation]] | None = None
    """What of the procedure closes no loop, where one may not be closed, and why; None: nothing is done then."""
    overlay: Overlay | None
    """The model over the measured curves; None where no model draws any."""
    loop_spans: Callable[[Sequence[Observation], RigSpec, str], list[LoopSpan]] | None = None
    """Where it tried a loop; None where it closes none of a single motor. Raises MeasurementError."""

    @property
    def name(self) -> str:
        """Its name on the command line."""
        return self.row.name


CheckNamed = Callable[[str], Check[Any]]
"""A check by its name. Raises UsageError for one that there is not."""


def needs_supply(spec: RigSpec, motor: str) -> str:
    """A programmable supply."""
    return "" if spec.instruments_of("supply") else "needs a supply: add an [instrument.NAME] of class supply"


def needs_thermometer(spec: RigSpec, motor: str) -> str:
    """A thermometer near the motors."""
    if spec.instruments_of("thermometer"):
        return ""
    return "needs a thermometer: add an [instrument.NAME] of class thermometer"


def needs_multimeter(spec: RigSpec, motor: str) -> str:
    """A multimeter across two terminals of the motor."""
    if any(spec.instrument[name].is_at(motor) for name in spec.instruments_of("multimeter")):
        return ""
    return f"needs a multimeter: add an [instrument.NAME] of class multimeter across two terminals of {motor}"


def needs_arms(spec: RigSpec, motor: str) -> str:
    """A known torque on every motor: a gravity arm of stated mass and length."""
    for name in spec.motors:
        load = spec.motor[name].load
        if load is None or load.mass_kg is None or load.length_m is None:
            return f"needs a known torque: motor.{name}.load with mass_kg and length_m"
    return ""
