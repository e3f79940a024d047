"""Conduct of the drive and its loop, on each motor, the others off."""

from __future__ import annotations

from harness.checks.conduct import quantities
from harness.checks.conduct.analysis import analyse, curves
from harness.checks.conduct.beforehand import effort, unmeasured
from harness.checks.conduct.model import expect
from harness.checks.conduct.movement import loop_spans
from harness.checks.conduct.procedure import procedure, without_loop
from harness.checks.conduct.stimulus import Stimulus, stimulus
from harness.checks.definition import Check

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(),
    effort=effort,
    unmeasured=unmeasured,
    computing_s=1.5,
    stimulus=stimulus,
    procedure=procedure,
    without_loop=without_loop,
    analysis=analyse,
    curves=curves,
    model=expect,
    overlay=None,
    loop_spans=loop_spans,
)
