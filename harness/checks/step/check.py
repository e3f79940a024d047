"""Step response of the firmware's position loop, on each motor, the others off."""

from __future__ import annotations

from harness.checks.definition import Check
from harness.checks.step import quantities
from harness.checks.step.analysis import analyse, curves, loop_spans
from harness.checks.step.beforehand import effort, unmeasured
from harness.checks.step.model import expect, expected_to_hunt
from harness.checks.step.overlay import overlay
from harness.checks.step.procedure import procedure
from harness.checks.step.stimulus import Stimulus, stimulus
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec


def staircase(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The steps, without the large ones where the rig file lets expect a limit cycle. Raises MissingCapability."""
    return stimulus(spec, declared, motor, hunts=expected_to_hunt(spec, declared, motor))


CHECK: Check[Stimulus] = Check(
    row=quantities.CHECK,
    needs=(),
    effort=effort,
    unmeasured=unmeasured,
    computing_s=2.3,
    stimulus=staircase,
    procedure=procedure,
    analysis=analyse,
    curves=curves,
    model=expect,
    overlay=overlay,
    loop_spans=loop_spans,
)
