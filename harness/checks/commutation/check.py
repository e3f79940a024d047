"""Commutation step order, on each motor, the others off."""

from __future__ import annotations

from harness.checks.commutation import quantities
from harness.checks.commutation.analysis import analyse, curves
from harness.checks.commutation.beforehand import effort
from harness.checks.commutation.model import expect
from harness.checks.commutation.overlay import overlay
from harness.checks.commutation.procedure import procedure
from harness.checks.commutation.stimulus import Stimulus, stimulus
from harness.checks.definition import Check

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(),
    effort=effort,
    computing_s=1.0,
    stimulus=stimulus,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    overlay=overlay,
)
