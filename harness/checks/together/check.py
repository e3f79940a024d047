"""Both motors holding at once."""

from __future__ import annotations

from harness.checks.definition import Check
from harness.checks.together import quantities
from harness.checks.together.analysis import analyse, curves
from harness.checks.together.beforehand import effort, unmeasured
from harness.checks.together.model import expect
from harness.checks.together.procedure import procedure
from harness.checks.together.stimulus import Stimulus, stimulus

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(),
    effort=effort,
    unmeasured=unmeasured,
    computing_s=1.6,
    stimulus=stimulus,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    overlay=None,
)
