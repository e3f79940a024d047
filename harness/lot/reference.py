"""Boards of a lot against a reference board: what belongs to the bench cancels, what belongs to a board adds.

The comparison is that of harness.compare with the reference board's runs as baseline. How much one board scatters
when it is plugged in anew is taken from the reference board alone, so that it takes 5 mountings of it (best between
those of the other boards); with fewer a difference is shown with what is known to leave it open, and stays undecided:
two boards that differ by less than a connector does are not different boards.

What the procedure leaves open cancels between runs of one board, and adds between two: the steps of each board's own
converter, or where an arm comes to stand, are other ones on another board.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare import BaselineLevel, Difference, Terms
from harness.compare.baseline import level
from harness.compare.comparable import ComparableValue, comparable_values
from harness.compare.difference import difference_from as found_on
from harness.compare.ownership import owners_of
from harness.compare.reference import surroundings
from harness.lot.gathered import Lot, LotRun, mountings
from harness.lot.quantities import BoardValue, LotQuantity
from harness.nouns.quantity import Quantity, difference


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardDifference:
    """One quantity of one board beside the reference board's."""

    board: str
    found: Difference
    apart: Quantity | None
    """Board less reference; where it is undecided, with what the records know to leave it open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceComparison:
    """All boards of a lot beside one of them."""

    board: str
    mountings: int
    levels: Mapping[str, BaselineLevel]
    """Of the reference board, by quantity."""
    by_board: dict[str, list[BoardDifference]]
    """By board, the quantities in order."""


def compare_with_reference(lot: Lot, board: str, quantities: Sequence[LotQuantity]) -> ReferenceComparison:
    """Every board but the reference one, quantity by quantity. Raises UsageError for a board that is not in the lot."""
    if board not in lot.boards:
        there = ", ".join(map(visible, lot.boards))
        raise UsageError(f"--reference {visible(board)}: not in lot {visible(lot.name)}; it has {there}")
    nominal_v = surroundings(lot.runs[-1].record).nominal_v
    own, labels = _comparable(lot.boards[board], nominal_v), mountings(lot.boards[board])
    names = dict.fromkeys(name for run in own for name in run)
    levels = {name: level(name, [run.get(name, "not planned") for run in own], labels) for name in names}
    others = {name: runs for name, runs in lot.boards.items() if name != board}
    # One decision over all boards and quantities: else chance alone would call one of many boards different.
    terms = Terms(planned=max(1, len(levels) * len(others)), margins=lot.spec.detect)
    known = {quantity.name: quantity for quantity in quantities}
    beside: dict[str, list[BoardDifference]] = {}
    for name, runs in others.items():
        values, mounted = _comparable(runs, nominal_v), mountings(runs)
        beside[name] = []
        for each in levels.values():
            difference_found = found_on(
                each, [run.get(each.name, "the record does not have it") for run in values], mounted, terms
            )
            apart = difference_found.gap or _apart(known.get(each.name), name, board)
            beside[name].append(BoardDifference(board=name, found=difference_found, apart=apart))
    return ReferenceComparison(board=board, mountings=len(set(labels)), levels=levels, by_board=beside)


def _comparable(runs: Iterable[LotRun], nominal_v: float) -> list[dict[str, ComparableValue | str]]:
    """Quantities of each run; what the procedure leaves open belongs to the board."""
    values = []
    for run in runs:
        owners = owners_of(run.record)
        owners = replace(owners, procedure=f"{owners.procedure}, {owners.board}")
        values.append(comparable_values(run.record, nominal_v, owners))
    return values


def _apart(quantity: LotQuantity | None, board: str, reference: str) -> Quantity | None:
    """Mean of one board less that of the other, as measured; what both took from the bench cancels."""
    if quantity is None or quantity.exact or board not in quantity.boards or reference not in quantity.boards:
        return None
    board_mean, reference_mean = (_own(quantity.boards[name], name) for name in (board, reference))
    return difference(board_mean, reference_mean)


def _own(value: BoardValue, board: str) -> Quantity:
    """Its mean, with what is of this board or of its runs alone under its name, so that it adds."""
    budget = {
        (f"{source} (board {board})" if part.type_a or source in value.left_open else source): part
        for source, part in value.mean.budget.items()
    }
    return replace(value.mean, budget=budget)
