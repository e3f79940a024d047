"""`rotorgate study capability`: what a lot of boards is capable of, and a certificate for each of them."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.errors import ExitCode, UsageError
from harness.base.words import visible
from harness.store.address import DEFAULT

if TYPE_CHECKING:
    from harness.lot.gathered import Lot
    from harness.lot.quantities import LotQuantity
    from harness.lot.reference import ReferenceComparison
    from harness.show.terminal import Terminal
    from harness.store import Store


def capability(arguments: argparse.Namespace, terminal: Terminal) -> int:
    """Capability of a lot, its boards beside a reference board, and a certificate for each."""
    from harness.base.clock import utc_now
    from harness.lot.certificate import write_certificates
    from harness.lot.gathered import LotRun, gather
    from harness.lot.quantities import quantities
    from harness.lot.reference import compare_with_reference
    from harness.store import Store

    with Store.open(arguments.store or DEFAULT) as store:
        name = arguments.lot or _only_lot(store)
        runs = store.runs(lot=name)
        if not runs:
            raise UsageError(f"--lot {visible(name)}: no run of it in {store.address.shown}; {_lots(store)}")
        lot = gather(name, [LotRun(number=run.id, uid=run.uid, record=store.record(run.id)) for run in runs])
        measured = quantities(lot)
        reference = (
            compare_with_reference(lot, arguments.reference, measured) if arguments.reference is not None else None
        )
        pages = []
        if arguments.out is not None:
            made = utc_now().isoformat(timespec="seconds")
            pages = write_certificates(lot, measured, Path(arguments.out), made, reference)
    code = lot_exit_code(lot, measured, reference)
    if arguments.json:
        _say_json(terminal, code, lot, measured, reference, pages)
    else:
        _say(terminal, lot, measured, reference, pages)
    return code


def lot_exit_code(lot: Lot, measured: Sequence[LotQuantity], reference: ReferenceComparison | None) -> ExitCode:
    """1 where a board misses a requirement or differs from the reference board; 2 where something is undecided, not
    measured, or there are too few boards for a capability; else 0. Beside the reference board as against a baseline: a
    quantity without a margin cannot be equivalent and asks for nothing.
    """
    from harness.compare import comparison
    from harness.lot.quantities import too_few
    from harness.nouns.standing import Standing, overall

    asked = [quantity for quantity in measured if quantity.requirement is not None]
    verdicts = [value.verdict for quantity in asked for value in quantity.boards.values() if value.verdict is not None]
    gaps = too_few(lot) or any(quantity.missing for quantity in asked)
    own = overall([*(verdict.outcome.standing for verdict in verdicts), *([Standing.OPEN] if gaps else [])])
    by_board = reference.by_board if reference else {}
    beside = [difference.found for differences in by_board.values() for difference in differences]
    return ExitCode.first_of([own.exit_code, *([comparison.comparison_exit_code(beside)] if beside else [])])


def _only_lot(store: Store) -> str:
    names = _names(store)
    if len(names) != 1:
        raise UsageError(f"--lot: expected the name of one lot; {_lots(store)}")
    return names[0]


def _names(store: Store) -> list[str]:
    return list(dict.fromkeys(run.lot for run in store.runs() if run.lot is not None))


def _lots(store: Store) -> str:
    names = _names(store)
    if not names:
        return "the store has no lots: `rotorgate qualify RIG --board ID` makes one"
    return f"the store has {', '.join(map(visible, names[:20]))}"


def _say(
    terminal: Terminal,
    lot: Lot,
    measured: Sequence[LotQuantity],
    reference: ReferenceComparison | None,
    pages: Sequence[Path],
) -> None:
    from harness.compare.rows import DIFFERENCES
    from harness.lot.quantities import too_few
    from harness.lot.rows import (
        BOARDS,
        CAPABILITY,
        board_rows,
        capability_row,
        difference_line,
        explained,
        reference_rows,
        with_requirement,
    )
    from harness.nouns.standing import Standing

    few = too_few(lot)
    boards, runs = len(lot.boards), len(lot.runs)
    counts = f"{boards} {'board' if boards == 1 else 'boards'}, {runs} {'run' if runs == 1 else 'runs'}"
    terminal.result(f"lot {lot.name}, rig {lot.rig}{lot.kind}: {counts}{f': {few}, no capability' if few else ''}")
    shown = with_requirement(measured)
    if not shown:
        terminal.result("the rig file has no requirement on anything that was measured: nothing to be capable of")
    elif few:
        terminal.rows(BOARDS, [row for quantity in shown for row in board_rows(quantity)])
    else:
        terminal.rows(CAPABILITY, [capability_row(quantity) for quantity in shown])
        wrong = [row for quantity in shown for row in board_rows(quantity) if row.standing is not Standing.GOOD]
        if wrong:
            terminal.rows(BOARDS, wrong)
    if reference is not None:
        rows = reference_rows(reference)
        if rows:
            terminal.rows(DIFFERENCES, rows)
        terminal.result("\n".join(difference_line(reference, board) for board in reference.by_board))
        terminal.result(_of_reference(reference))
    if not terminal.quiet:
        terminal.result("\n".join([*explained(lot, shown), *lot.remarks]))
    for line in lot.left_out:
        terminal.result(f"left out: {line}")
    for path in pages:
        terminal.result(f"certificate {path}")


def _of_reference(reference: ReferenceComparison) -> str:
    from harness.compare import LEAST_MOUNTINGS

    count = f"{reference.mountings} {'mounting' if reference.mountings == 1 else 'mountings'}"
    words = f"reference board {reference.board}: {count}, each command counts as one"
    if reference.mountings < LEAST_MOUNTINGS:
        words += (
            f"; fewer than {LEAST_MOUNTINGS} say too little of what plugging a board in anew does, so that nothing "
            "can be decided: qualify it again between the other boards"
        )
    return words


def _say_json(
    terminal: Terminal,
    code: ExitCode,
    lot: Lot,
    measured: Sequence[LotQuantity],
    reference: ReferenceComparison | None,
    pages: Sequence[Path],
) -> None:
    from harness.lot.quantities import too_few
    from harness.record.forms import clean

    result = {
        "exit_code": int(code), "lot": lot.name, "rig": lot.rig, "simulated": lot.simulated,
        "boards": {board: [run.number for run in runs] for board, runs in lot.boards.items()},
        "too_few": too_few(lot), "left_out": list(lot.left_out), "remarks": list(lot.remarks),
        "quantities": [_entry(quantity) for quantity in measured],
        "reference": None if reference is None else _reference_entry(reference),
        "certificates": [str(path) for path in pages],
    }  # fmt: skip
    terminal.result(json.dumps(clean(result)))


def _entry(quantity: LotQuantity) -> dict[str, Any]:
    capability = quantity.capability
    return {
        "name": quantity.name, "unit": quantity.unit,
        "required": None if quantity.requirement is None
        else {"min": quantity.requirement.low, "max": quantity.requirement.high},
        "mean": quantity.mean, "s": quantity.s, "noise": quantity.noise, "between": quantity.between,
        "shift95": quantity.shift,
        "boards": {
            board: {
                "value": value.mean.value, "u": value.mean.u, "runs": value.runs,
                "verdict": None if value.verdict is None else value.verdict.outcome.value,
            }
            for board, value in quantity.boards.items()
        },
        "missing": dict(quantity.missing),
        "capability": None if capability is None else {
            "cp": capability.cp, "cp_above": capability.cp_least, "cpk": capability.cpk,
            "cpk_above": capability.cpk_least,
            "cpk_above_with_bench": capability.cpk_bench, "normality_p": capability.normal_p,
        },
        "why_not": quantity.why_not,
    }  # fmt: skip


def _reference_entry(reference: ReferenceComparison) -> dict[str, Any]:
    return {
        "board": reference.board,
        "mountings": reference.mountings,
        "beside": {
            board: [
                {
                    "name": difference.found.name, "finding": difference.found.finding.value,
                    "reason": difference.found.reason,
                    "difference": None if difference.apart is None else difference.apart.value,
                    "u": None if difference.apart is None else difference.apart.u,
                    "allowed": difference.found.allowed, "margin": difference.found.margin,
                }
                for difference in differences
            ]
            for board, differences in reference.by_board.items()
        },
    }  # fmt: skip
