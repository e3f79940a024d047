"""Qualifies brushless motor controllers on a bench: measured behaviour against modelled expectation.

The names of this module are the public ones; each is loaded when first asked for, so that importing costs nothing.
"""

# Where things are. Data goes one way, and imports point only backwards along it (DEVELOPERS.md):
#
#     rig file -> rig -> procedure -> observation -> measurement -+-> verdict -> record -> page, release gate
#         +-----> model -> expectation ---------------------------+
#
# base, nouns, rigfile                  ground; what travels between rooms; the rig file, typed
# link, bench                           the board; instruments, the opened rig, make safe, guard, locks
# checks                                one folder a check: what it measures, how, and what its model expects
# fits, corrections, acting, physics    what several analyses, procedures and models have in common
# judge                                 verdicts, exit code, causes; reads results only
# run                                   plan and qualification: the only room where bench, judge and record meet
# record, store                         what a run leaves; runs kept for good
# compare, baseline, gate, lot, study, history     decisions from records alone
# release, pool                         a gate with a bench and a store; several rigs
# report, show, command                 pages; words at the terminal; the commands

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.judge.agreement import agrees
    from harness.nouns.quantity import Quantity
    from harness.nouns.results import Detect, Expectation, Measurement, Outcome, Verdict
    from harness.record import Record, read
    from harness.rigfile import RigSpec, load

__all__ = [
    "Detect", "Expectation", "Measurement", "Outcome", "Quantity", "Record", "RigSpec", "Verdict",
    "agrees", "load", "read",
]  # fmt: skip

_HOMES = {
    "Detect": "harness.nouns.results", "Expectation": "harness.nouns.results", "Measurement": "harness.nouns.results",
    "Outcome": "harness.nouns.results", "Quantity": "harness.nouns.quantity", "Record": "harness.record",
    "RigSpec": "harness.rigfile", "Verdict": "harness.nouns.results", "agrees": "harness.judge.agreement",
    "load": "harness.rigfile", "read": "harness.record",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
