"""What the supply said while a field stood: its voltage, and its current over idle, each with its budget."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from harness.fits.instrument_scatter import last_digit, scatter
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Contribution, Quantity, normal, rectangular, shifted
from harness.rigfile import Accuracy, RigSpec

USUAL_PERCENT = 1.0
"""Of reading, a supply's current or voltage where the rig file gives none (arbitrary)."""


def current_over_idle(
    observation: Observation, observations: Iterable[Observation], spec: RigSpec, motor: str
) -> Quantity | None:
    """Supply current of a standing field less the idle one, A; None without a supply instrument.

    The offset cancels. One instrument has one scatter, so that it is taken from the groups of all `observations`.
    """
    name = _supply(spec)
    rows, idle = _amperes(observation, "supply"), _amperes(observation, "idle")
    if name is None or not rows or not idle:
        return None
    observed = [observation, *observations]
    every = {tuple(values) for each in observed for key in ("supply", "idle") if (values := _amperes(each, key))}
    spread, dof = scatter(sorted(every))
    half = last_digit(value for values in every for value in values) / 2.0
    accuracy = spec.instrument[name].current_accuracy
    drawn = float(np.mean(rows) - np.mean(idle))
    gain = (accuracy.percent if accuracy is not None else USUAL_PERCENT) / 100.0
    stands = Name(observation.name).quantity

    def read(values: Sequence[float], when: str) -> Quantity:
        """What one mean may be off for scatter and for the last digit, which a mean of like readings keeps."""
        source, remedy = f"{motor}.stiffness supply current", "more readings of the supply's current"
        noise = normal(0.0, spread / math.sqrt(len(values)), "A", f"{source}#{when}", dof, remedy)
        digit = rectangular(0.0, half, "A", f"{source}, last digit, {when}", "a supply that reads more digits")
        return shifted(noise, digit=digit)

    net = rectangular(
        drawn, abs(drawn) * gain, "A", f"instrument.{name}.current_gain", "a more accurate current reading"
    )
    return shifted(net, idle=read(idle, "idle"), loaded=read(rows, stands))


def voltage(observation: Observation, spec: RigSpec) -> Quantity | None:
    """Supply voltage while a field stands, V; None without a supply instrument."""
    rows, name = _rows(observation, "supply"), _supply(spec)
    if not rows or name is None:
        return None
    accuracy = spec.instrument[name].voltage_accuracy or Accuracy(percent=USUAL_PERCENT, offset=0.0)
    volts = float(np.mean([row[0] for row in rows]))
    budget = {
        f"instrument.{name}.voltage_{part}": Contribution(
            u=half / math.sqrt(3.0), shape="rectangular", remedy="a better voltmeter"
        )
        for part, half in (("gain", volts * accuracy.percent / 100.0), ("offset", accuracy.offset))
    }
    return Quantity(value=volts, unit="V", budget=budget)


def _supply(spec: RigSpec) -> str | None:
    return next(iter(spec.instruments_of("supply")), None)


def _rows(observation: Observation, key: str) -> list[list[float]]:
    return observation.rows(key) if observation.states(key) else []


def _amperes(observation: Observation, key: str) -> list[float]:
    return [row[1] for row in _rows(observation, key)]
