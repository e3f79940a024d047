"""`rotorgate report`: the page again, from a record alone; or of the record as the code of today judges it."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.errors import ExitCode

if TYPE_CHECKING:
    from harness.record import Record
    from harness.record.changes import Side
    from harness.report.judged_again import JudgedAgain
    from harness.show.terminal import Terminal

ASCII = str.maketrans({"±": "+-", "−": "-", "µ": "u"})
"""As a terminal without Unicode shows numbers."""


def report(arguments: argparse.Namespace) -> int:
    """Write the page of a record, finished or not. Raises RecordError."""
    from harness.record import read
    from harness.report import write_report
    from harness.show.terminal import Terminal

    record = read(Path(arguments.record))
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    if arguments.judge_again:
        return _judge_again(record, terminal)
    page = write_report(record.folder)
    if arguments.json:
        terminal.result(json.dumps({"exit_code": 0, "report": str(page), "finished": record.finished}))
    else:
        terminal.result(f"report {page}" + _kind(record))
    return ExitCode.AGREES


def _judge_again(record: Record, terminal: Terminal) -> int:
    """Today's code over the observations of a record: another page beside its own, and what has changed."""
    from harness.judge.tally import headline
    from harness.report.judged_again import JudgedAgain
    from harness.report.page import write_judged_again
    from harness.run.judge_again import record_again

    again = JudgedAgain.of(record, record_again(record))
    page, code = write_judged_again(again), again.anew.exit_code or ExitCode.AGREES
    if terminal.json:
        terminal.result(json.dumps({"exit_code": int(code), "report": str(page), **_entry(again)}, allow_nan=False))
        return code
    simulated = " (SIMULATED)" if record.simulated else ""
    terminal.result(f"{record.rig.name}{simulated}, judged again: {headline(again.anew.verdicts)}")
    if not terminal.quiet:
        terminal.result(f"this is {again.notice}")
    for line in again.lines:
        terminal.result(line.translate(ASCII))
    terminal.result(f"report {page}" + _kind(record))
    return code


def _kind(record: Record) -> str:
    return "" if record.finished else " (of an unfinished run)"


def _entry(again: JudgedAgain) -> dict[str, Any]:
    """As --json gives it."""
    from harness.judge.tally import headline

    both = {"then": again.then, "now": again.anew}
    return {
        "finished": again.then.finished,
        "verdict": headline(again.anew.verdicts),
        "rotorgate": {when: record.rotorgate for when, record in both.items()},
        "diagnosis": {when: record.diagnosis.words for when, record in both.items()},
        "cause_changed": again.cause_changed,
        "changes": [
            {
                "name": change.name,
                "required": change.required,
                "by": [part.value for part in change.parts],
                "then": _side(change.then),
                "now": _side(change.anew),
            }
            for change in again.changes
        ],
        "lines": again.lines,
    }


def _side(side: Side) -> dict[str, Any]:
    measured, expected = side.measured, next(iter(side.expected), (None, None))
    return {
        "outcome": None if side.outcome is None else side.outcome.value,
        "value": None if measured is None else measured.value,
        "u": None if measured is None else measured.u,
        "expected": expected[0],
        "expected_u": expected[1],
    }
