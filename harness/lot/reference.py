"""Boards of a lot against a reference board: what belongs to the bench cancels, what belongs to a board adds.

The comparison is that of harness.compare with the reference board's runs as baseline. How much one board scatters
when it is plugged in anew is taken from the reference board alone, so that it takes 5 mountings of it (best between
those of the other boards); with fewer a difference is shown with what is known to leave it open, and stays undecided:
two boards that differ by less than a connector does are not different boards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.compare import Baseline, Difference, Terms, baseline_of, compare
from harness.errors import UsageError
from harness.lot.gathered import Lot, mountings
from harness.lot.quantities import LotQuantity
from harness.quantity import Quantity, difference
from harness.words import visible


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """One quantity of one board beside the reference board's."""

    board: str
    found: Difference
    apart: Quantity | None
    """Board less reference; where it is undecided, with what the records know to leave it open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """All boards of a lot beside one of them."""

    board: str
    mountings: int
    against: Baseline
    beside: dict[str, list[Beside]]
    """By board, the quantities in order."""


def compared(lot: Lot, board: str, quantities: Sequence[LotQuantity]) -> Reference:
    """Every board but the reference one, quantity by quantity. Raises UsageError for a board that is not in the lot."""
    if board not in lot.boards:
        there = ", ".join(map(visible, lot.boards))
        raise UsageError(f"--reference {visible(board)}: not in lot {visible(lot.name)}; it has {there}")
    own = lot.boards[board]
    labels = mountings(own)
    against = baseline_of([run.record for run in own], labels)
    others = {name: runs for name, runs in lot.boards.items() if name != board}
    # One decision over all boards and quantities: else chance alone would call one of many boards different.
    terms = Terms(planned=max(1, len(against.levels) * max(1, len(others))), margins=lot.spec.detect)
    known = {quantity.name: quantity for quantity in quantities}
    beside = {}
    for name, runs in others.items():
        found = compare(against, [run.record for run in runs], terms, mountings(runs))
        beside[name] = [
            Beside(board=name, found=one, apart=one.gap or _apart(known.get(one.name), name, board)) for one in found
        ]
    return Reference(board=board, mountings=len(set(labels)), against=against, beside=beside)


def _apart(quantity: LotQuantity | None, board: str, reference: str) -> Quantity | None:
    """Mean of one board less that of the other, as measured; what both took from the bench cancels."""
    if quantity is None or board not in quantity.boards or reference not in quantity.boards:
        return None
    one, other = quantity.boards[board].mean, quantity.boards[reference].mean
    return None if quantity.exact else difference(_own(one, board), _own(other, reference))


def _own(mean: Quantity, board: str) -> Quantity:
    """With the parts that are from this board's runs alone under its name, so that they add."""
    budget = {
        (f"{source} (board {board})" if not math.isinf(part.dof) else source): part
        for source, part in mean.budget.items()
    }
    return Quantity(value=mean.value, unit=mean.unit, budget=budget)
