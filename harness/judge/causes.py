"""The table of causes, gathered from the checks: what each does to every quantity, against what is expected.

A check states in its `causes.py` the causes that it shows first, and what those of the others do to its quantities. To
add a cause, add a row there, and a line to its tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.checks.catalogue import CheckCauses, check_causes
from harness.nouns.effects import Cause, Effects


def gathered(checks: Sequence[CheckCauses]) -> tuple[Cause, ...]:
    """Every cause, in the order of the checks that show them first, with its effects by `check.quantity`.

    Raises ValueError where two checks show one cause first, or a check has effects of a cause that there is not.
    """
    names = [cause.name for check in checks for cause in check.causes]
    if twice := {name for name in names if names.count(name) > 1}:
        raise ValueError(f"causes: expected each in one check, found twice: {', '.join(sorted(twice))}")
    if unknown := {name for check in checks for name in check.effects} - set(names):
        raise ValueError(f"causes: expected those that a check shows first, found {', '.join(sorted(unknown))}")
    return tuple(
        replace(cause, effects=_everywhere(cause, first, checks)) for first in checks for cause in first.causes
    )


def _everywhere(cause: Cause, first: CheckCauses, checks: Sequence[CheckCauses]) -> Effects:
    """Effects of one cause by `check.quantity`: those on its own check and on all the others."""
    effects: Effects = {}
    for check in checks:
        stated = cause.effects if check is first else check.effects.get(cause.name)
        if stated is None:
            stated = {} if cause.elsewhere is None else {"*": cause.elsewhere}
        effects |= {f"{check.name}.{quantity}": effect for quantity, effect in stated.items()}
    return effects


CAUSES: tuple[Cause, ...] = gathered(check_causes())
