"""`rotorgate history`: the page of a store."""

from __future__ import annotations

import argparse
import gc
import json
from pathlib import Path

from harness.base.disk import FULL, beginning_of, write_text
from harness.base.errors import DiskFull, ExitCode, UsageError
from harness.base.words import visible
from harness.store.address import DEFAULT, Address

PAGE = "history.html"
BEGINNING = b"<!doctype html>"
"""How every page of rotorgate begins; nothing else is ever written over."""


def history(arguments: argparse.Namespace) -> int:
    """Write the page. Raises UsageError, StoreError, StoreUnavailable."""
    from harness.history import entry, read_history, render
    from harness.history.page import many
    from harness.record.forms import clean
    from harness.show.terminal import Terminal
    from harness.store import Store

    address = Address.parse(arguments.store or DEFAULT)
    page = Path(arguments.out) if arguments.out else _default(address)
    kind = True if arguments.simulated else False if arguments.real else None
    gc.freeze()  # what was loaded stays: to look it through again and again costs a third of the page's time (measured)
    with Store.open(address) as store:
        _may_be_written(page)
        runs = read_history(store, rig=arguments.rig, simulated=kind)
    text = render(runs, beside=page.parent)
    try:
        write_text(page, text)
    except OSError as error:
        if error.errno in FULL:
            raise DiskFull(f"{visible(str(page))}: cannot write the page: {error.strerror}") from error
        raise _refused(page, f"cannot write the page: {error.strerror}") from error
    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    if arguments.json:
        terminal.result(json.dumps(clean({"exit_code": 0, "page": str(page), **entry(runs)})))
        return ExitCode.AGREES
    simulated = " (SIMULATED)" if runs.simulated else ""
    lines = [f"history {page}{simulated}"]
    for rig in runs.rigs:
        versions = many(len(rig.releases) + rig.older, "firmware version")
        lines.append(f"rig {rig.name}: {many(rig.runs, 'run')}, {versions}")
        lines += rig.remarks
    terminal.result("\n".join(lines))
    return ExitCode.AGREES


def _default(address: Address) -> Path:
    return Path(PAGE) if address.file is None else address.file.with_name(PAGE)


def _may_be_written(page: Path) -> None:
    """Refuse what is there and is no page: nothing measured is lost to a slip of the tongue."""
    try:
        if page.is_dir():
            raise _refused(page, "expected a file, found a folder")
        if page.exists():
            if beginning_of(page, len(BEGINNING)).lower() not in (BEGINNING, b""):
                raise _refused(page, "holds something else than a page, and is left as it is")
        elif not page.parent.is_dir():
            raise _refused(page, "cannot write the page: no such folder")
    except OSError as error:
        raise _refused(page, f"cannot write the page: {error.strerror}") from error


def _refused(page: Path, words: str) -> UsageError:
    return UsageError(f"{visible(str(page))}: {words}; choose another file with --out")
