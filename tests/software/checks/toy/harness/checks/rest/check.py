"""Where an arm rests, on each motor, all of them off."""

from __future__ import annotations

from harness.checks.rest import quantities
from harness.checks.rest.analysis import analyse, curves
from harness.checks.rest.beforehand import effort
from harness.checks.rest.model import expect
from harness.checks.rest.procedure import procedure
from harness.checks.rest.stimulus import Stimulus, stimulus

from harness.checks.definition import Check

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(),
    effort=effort,
    computing_s=0.1,
    stimulus=stimulus,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    overlay=None,
)
