"""`rotorgate study gauge`: whether the bench is good enough, kept in the store."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.disk import unwritten, write_text
from harness.base.errors import UsageError
from harness.base.words import visible
from harness.store.address import DEFAULT, Address, beside

if TYPE_CHECKING:
    from harness.record import Record
    from harness.show.terminal import Terminal


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiedRuns:
    """The runs that a person chose. `named`: by number or folder, as words."""

    address: Address
    named: tuple[str, ...]
    records: tuple[Record, ...]
    left_out: tuple[str, ...] = ()


def studied_runs(arguments: argparse.Namespace) -> StudiedRuns:
    """The runs of RUN ... or --lot."""
    from harness.command.named_runs import is_number, records_of
    from harness.store import Store

    words = tuple(arguments.runs)
    if bool(words) == (arguments.lot is not None):
        raise UsageError("study: expected RUNs or --lot NAME, found " + ("both" if words else "neither"))
    folders = bool(words) and not any(is_number(word) for word in words)
    if arguments.store:
        address = Address.parse(arguments.store)
    else:
        address = beside(Path(words[0])) if folders else Address.parse(DEFAULT)
    if words:
        return StudiedRuns(address=address, named=words, records=tuple(records_of(words, address)))
    with Store.open(address) as store:
        runs = store.runs(lot=arguments.lot)
        whole = [run.id for run in runs if run.finished]
        if not whole:
            raise UsageError(f"{address.shown}: no finished run of lot {visible(arguments.lot)}")
        records = tuple(store.record(run) for run in whole)
    gone = tuple(f"left out: run {run.id}, which did not come to its end" for run in runs if not run.finished)
    return StudiedRuns(address=address, named=tuple(map(str, whole)), records=records, left_out=gone)


def gauge(arguments: argparse.Namespace, terminal: Terminal) -> int:
    """Study the bench. Raises UsageError, RecordError, StoreError, StoreUnavailable."""
    from harness.command.named_runs import is_number, labels_of, numbers_of
    from harness.store import Store
    from harness.study.rows import EXPLAINED, LAYOUT, reasons, row
    from harness.study.study import gauge_study

    these = studied_runs(arguments)
    benches, days = (labels_of(getattr(arguments, name), these.named, f"--{name}") for name in ("bench", "day"))
    study = gauge_study(these.records, benches, days)
    # All of it is judged before anything is kept: what is refused leaves no trace.
    with Store.open(these.address, make=any(not is_number(word) for word in these.named)) as store:
        runs = numbers_of(store, these.named)
        stored = store.studies.add("gauge", study.rig, study.simulated, study.content(runs))
    where = f"study {stored.id} in store {these.address.shown}, of {_runs(runs)}"
    if arguments.out:
        from harness.report.gauge import render_gauge

        _write(Path(arguments.out), render_gauge(stored.content, number=stored.id, made=stored.made_utc))
    remarks = [*study.remarks, *these.left_out]
    if arguments.json:
        result = {"exit_code": int(study.exit_code), "study": stored.id, "made_utc": stored.made_utc,
                "store": these.address.shown, **stored.content, "remarks": remarks}  # fmt: skip
        terminal.result(json.dumps(result))
        return study.exit_code
    kind = " (SIMULATED)" if study.simulated else ""
    terminal.result(f"{study.rig}{kind}, gauge: {study.headline}")
    if not terminal.quiet:
        terminal.result(study.design.words)
        terminal.rows(LAYOUT, [row(quantity) for quantity in study.quantities], reasons)
        terminal.result("\n".join([*EXPLAINED, *remarks]))
    terminal.result(where)
    if arguments.out:
        terminal.result(f"page {arguments.out}")
    return study.exit_code


def _runs(runs: list[int]) -> str:
    """`runs 1 to 8, 10`: numbers that follow each other as from and to."""
    spans: list[list[int]] = []
    for run in sorted(runs):
        if spans and run == spans[-1][-1] + 1:
            spans[-1] = [spans[-1][0], run]
        else:
            spans.append([run])
    words = [" to ".join(map(str, dict.fromkeys(span))) for span in spans]
    return f"{'run' if len(runs) == 1 else 'runs'} {', '.join(words)}"


def _write(path: Path, page: str) -> None:
    try:
        write_text(path, page)
    except OSError as error:
        raise unwritten(UsageError, f"--out {visible(str(path))}: the study is kept, cannot write", error) from error
