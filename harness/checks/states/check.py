"""States of the drive, unenergised."""

from __future__ import annotations

from harness.checks.definition import Check
from harness.checks.states import quantities
from harness.checks.states.analysis import analyse, curves
from harness.checks.states.beforehand import effort
from harness.checks.states.model import expect
from harness.checks.states.procedure import procedure
from harness.checks.states.stimulus import Stimulus, stimulus

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
