"""`rotorgate keep` and `fetch`: records of runs into the store, and out of it again."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from harness.base.errors import ExitCode, RecordError
from harness.store.address import DEFAULT, Address, beside


def keep(arguments: argparse.Namespace) -> int:
    """Keep the records of folders. A folder without a whole record does not keep the others from it.

    Raises RecordError with every such folder, StoreError, StoreUnavailable.
    """
    from harness.record import read
    from harness.show.terminal import Terminal
    from harness.store import Store
    from harness.store.keeping import KeepOutcome

    given = Address.parse(arguments.store) if arguments.store else None
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    entries: list[dict[str, Any]] = []
    problems: list[str] = []
    for folder in map(Path, arguments.records):
        address = given or beside(folder)
        try:
            read(folder)  # before a store is made for nothing
            with Store.open(address, make=True) as store:
                run = store.keep(folder)
        except RecordError as error:
            problems.append(str(error))
            continue
        kept = KeepOutcome.at(address, run)
        entries.append({"record": str(folder), **kept.entry()})
        if not arguments.json:
            terminal.result(f"{folder}: {kept.words}")
    if problems:
        raise RecordError("\n".join(problems))
    if arguments.json:
        terminal.result(json.dumps({"exit_code": 0, "kept": entries}))
    return ExitCode.AGREES


def fetch(arguments: argparse.Namespace) -> int:
    """Write the folder of a run again. Raises StoreError, StoreUnavailable, RecordError."""
    from harness.show.terminal import Terminal
    from harness.store import Store
    from harness.store.fetch import fetch as write_again

    folder = Path(arguments.out)
    with Store.open(arguments.store or DEFAULT) as store:
        write_again(store, arguments.run, folder)
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    terminal.result(json.dumps({"exit_code": 0, "record": str(folder)}) if arguments.json else f"record {folder}")
    return ExitCode.AGREES
