"""True values of heating: the modes of the plant's thermal network at the check's current."""

from __future__ import annotations

from rigs_demo.truth import heat
from rigs_demo.truth.bench import KnownBench, Truth, Values


def of_motor(bench: KnownBench, name: str) -> Values:
    """Values of one motor; none of a heating where the check's current cannot flow."""
    motor = bench.motor(name)
    values: Values = {"resistance": (motor.resistance_ohm, "ohm")}
    if motor.open_winding is not None:
        return values
    modes = heat.modes(motor)
    values["rise"] = (modes.rise_k, "K")
    values["fast_rise"] = (modes.fast_rise_k, "K")
    values["fast_time"] = (modes.fast_s, "s")
    values["slow_time"] = (modes.slow_s, "s")
    if bench.firmware.own_pace:
        values["driver_rise"] = (heat.driver_rise_k(bench.parameters.driver), "K")
    return values


TRUTH = Truth(of_motor=of_motor)
