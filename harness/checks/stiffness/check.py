"""Holding stiffness, open and closed loop, on each motor, the others off."""

from __future__ import annotations

from harness.checks.definition import Check, needs_arms
from harness.checks.stiffness import quantities
from harness.checks.stiffness.analysis import analyse, curves, loop_spans
from harness.checks.stiffness.beforehand import effort, foreseen, unmeasured
from harness.checks.stiffness.model import expect
from harness.checks.stiffness.overlay import overlay
from harness.checks.stiffness.procedure import procedure
from harness.checks.stiffness.stimulus import Stimulus, stimulus

CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(needs_arms,),
    effort=effort,
    unmeasured=unmeasured,
    computing_s=4.8,
    stimulus=stimulus,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    foreseen=foreseen,
    overlay=overlay,
    loop_spans=loop_spans,
)
