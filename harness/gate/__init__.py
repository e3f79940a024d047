"""The release gate: what a written policy makes of runs and their comparison with a baseline. Decides from records."""

from harness.gate.decision import Decision, DecisionWord, Objection, decide
from harness.gate.policy import Policy, Waiver, load_policy

__all__ = ["Decision", "DecisionWord", "Objection", "Policy", "Waiver", "decide", "load_policy"]
