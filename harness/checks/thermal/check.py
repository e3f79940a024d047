"""Thermal rise of a winding and of the driver, on each motor, the others off."""

from __future__ import annotations

from harness.checks.definition import Check, needs_multimeter, needs_supply, needs_thermometer
from harness.checks.thermal import quantities
from harness.checks.thermal.analysis import analyse, curves
from harness.checks.thermal.beforehand import effort, foreseen
from harness.checks.thermal.model import expect, overlay
from harness.checks.thermal.procedure import procedure
from harness.checks.thermal.stimulus import Stimulus, stimulus

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(needs_supply, needs_multimeter, needs_thermometer),
    effort=effort,
    computing_s=8.0,
    stimulus=stimulus,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    foreseen=foreseen,
    overlay=overlay,
)
