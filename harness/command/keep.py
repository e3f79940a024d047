"""`rotorgate keep` and `fetch`, and what `rotorgate qualify` does at its end: a run's record goes into the store."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.errors import ExitCode, HarnessError, RecordError
from harness.store.address import DEFAULT, FILE, Address, beside

if TYPE_CHECKING:
    from harness.store import StoredRun


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What became of keeping a run: `run` is None where it is not in the store."""

    address: Address
    words: str
    run: StoredRun | None = None

    def entry(self) -> dict[str, Any]:
        """As --json gives it."""
        run = self.run
        return {
            "store": self.address.shown,
            "run": None if run is None else run.id,
            "uid": None if run is None else run.uid,
            "words": self.words,
        }


def keep_run(folder: Path, store: Address | None) -> Kept:
    """Keep the record of a run that has just ended. Never raises: the run stands, whatever becomes of the store."""
    try:
        address = store or beside(folder)
    except HarnessError as error:
        address = Address(shown=str(folder.parent / FILE))
        return Kept(address=address, words=_not_kept(folder, address, store, str(error)))
    try:
        from harness.store import Store

        with Store.open(address, make=True) as opened:
            run = opened.keep(folder)
    except (HarnessError, KeyboardInterrupt) as error:
        return Kept(address=address, words=_not_kept(folder, address, store, str(error) or "interrupted"))
    except Exception as error:
        from harness.base.defects import write_defect

        return Kept(address=address, words=_not_kept(folder, address, store, write_defect(error, folder)))
    return Kept(address=address, words=_kept(run, address), run=run)


def keep(arguments: argparse.Namespace) -> int:
    """Keep the records of folders. A folder without a whole record does not keep the others from it.

    Raises RecordError with every such folder, StoreError, StoreUnavailable.
    """
    from harness.record.read import text_of
    from harness.show.terminal import Terminal
    from harness.store import Store

    given = Address.parse(arguments.store) if arguments.store else None
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    entries: list[dict[str, Any]] = []
    problems: list[str] = []
    for folder in map(Path, arguments.records):
        address = given or beside(folder)
        try:
            text_of(folder)  # before a store is made for nothing
            with Store.open(address, make=True) as store:
                run = store.keep(folder)
        except RecordError as error:
            problems.append(str(error))
            continue
        kept = Kept(address=address, words=_kept(run, address), run=run)
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


def _kept(run: StoredRun, address: Address) -> str:
    remark = f" ({run.remark})" if run.remark else ""
    return f"store {address.shown}, run {run.id}{remark}"


def _not_kept(folder: Path, address: Address, store: Address | None, why: str) -> str:
    where = "" if store is None else f" --store {address.shown}"
    return f"not in the store: {why}; the record stands, `rotorgate keep {folder}{where}` adds it"
