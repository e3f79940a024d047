"""`rotorgate report`: the page again, from a record alone."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from harness.base.errors import ExitCode


def report(arguments: argparse.Namespace) -> int:
    """Write the page of a record, finished or not. Raises RecordError."""
    from harness.record import read
    from harness.report import write_report
    from harness.show.terminal import Terminal

    record = read(Path(arguments.record))
    page = write_report(record.folder)
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    if arguments.json:
        terminal.result(json.dumps({"exit_code": 0, "report": str(page), "finished": record.finished}))
    else:
        terminal.result(f"report {page}" + ("" if record.finished else " (of an unfinished run)"))
    return ExitCode.AGREES
