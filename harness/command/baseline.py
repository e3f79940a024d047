"""`rotorgate baseline accept | list | show | retire`: named sets of records, and what differs from them."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from harness.base.errors import ExitCode, UsageError
from harness.base.words import visible
from harness.store.address import DEFAULT, Address

if TYPE_CHECKING:
    from harness.compare import Baseline, Comparison, Difference, Terms
    from harness.record import Record
    from harness.show.terminal import Terminal
    from harness.store.baselines import StoredBaseline

RECOMMENDED = (8, 10)
"""Mountings: with 5 a difference must be twice as large to be seen as with 8, beyond 10 each one more gains little."""


def baseline(arguments: argparse.Namespace) -> int:
    """Do what the sub-command says. Raises UsageError, RecordError, StoreError, StoreUnavailable."""
    from harness.show.terminal import Terminal

    acts: dict[str, Callable[[argparse.Namespace, Terminal], int]] = {
        "accept": _accept, "list": _list, "show": _show, "retire": _retire,
    }  # fmt: skip
    return acts[arguments.act](arguments, Terminal(quiet=arguments.quiet, json=arguments.json))


def _accept(arguments: argparse.Namespace, terminal: Terminal) -> int:
    from harness.command.named_runs import is_number, labels_of, numbers_of, records_of
    from harness.compare import baseline_of, by_command, terms_of
    from harness.store import Store
    from harness.store.baselines import name_of, text_of

    name, despite = name_of(arguments.name), arguments.despite
    for option in ("by", "why"):
        text_of(getattr(arguments, option), f"--{option}")
    address = _address(arguments)
    labels = labels_of(arguments.mounting, arguments.runs, "--mounting")
    # All of it is judged before anything is kept: what is refused leaves no trace.
    records = records_of(arguments.runs, address)
    # Kept with the baseline: a command's repeats are one mounting, whatever becomes of the rule.
    counted = labels or by_command(records)
    against = baseline_of(records, counted)
    _ended_well(records, despite)
    with Store.open(address, make=any(not is_number(word) for word in arguments.runs)) as store:
        runs = numbers_of(store, arguments.runs)
        stored = store.baselines.accept(
            name, runs, by_whom=arguments.by, why=arguments.why, mountings=counted, despite=despite
        )
    remarks = _remarks(stored, terms_of(against), labelled=labels is not None)
    if arguments.json:
        terminal.result(
            json.dumps({"exit_code": 0, "baseline": _entry(stored), "store": address.shown, "remarks": remarks})
        )
        return ExitCode.AGREES
    terminal.result("\n".join([_title(stored), f"store {address.shown}, {_runs(stored)}", *remarks]))
    return ExitCode.AGREES


def _list(arguments: argparse.Namespace, terminal: Terminal) -> int:
    from harness.baseline.rows import LIST, in_list, list_row
    from harness.store import Store

    address = _address(arguments)
    with Store.open(address) as store:
        stored = store.baselines.all()
    if arguments.json:
        terminal.result(
            json.dumps({"exit_code": 0, "store": address.shown, "baselines": [_entry(revision) for revision in stored]})
        )
    elif not stored:
        terminal.result(f"{address.shown}: no baselines; `rotorgate baseline accept` makes one")
    else:
        terminal.rows(LIST, [list_row(revision) for revision in stored], in_list)
    return ExitCode.AGREES


def _show(arguments: argparse.Namespace, terminal: Terminal) -> int:
    from harness.baseline.stored import compare_with, load_baseline
    from harness.command.named_runs import labels_of, record_of
    from harness.compare import steps, terms_of
    from harness.store import Store

    if arguments.mounting is not None and not arguments.runs:
        raise UsageError("--mounting: expected with runs to compare, found none")
    labels = labels_of(arguments.mounting, arguments.runs, "--mounting")
    address = _address(arguments)
    with Store.open(address) as store:
        stored = store.baselines.get(arguments.name, arguments.revision)
        against = load_baseline(store, stored)
        records = [record_of(store, word) for word in arguments.runs]
        if not records:
            return _levels(arguments, terminal, stored, against, terms_of(against), steps(against.records))
        return _differences(
            arguments, terminal, stored, against, records, compare_with(stored, against, records, labels)
        )


def _retire(arguments: argparse.Namespace, terminal: Terminal) -> int:
    from harness.store import Store

    address = _address(arguments)
    with Store.open(address) as store:
        stored = store.baselines.retire(arguments.name, arguments.revision, by_whom=arguments.by, why=arguments.why)
    if arguments.json:
        terminal.result(json.dumps({"exit_code": 0, "baseline": _entry(stored), "store": address.shown}))
    else:
        terminal.result(f"{stored.title}: retired; it stays in {address.shown}, and nothing is compared with it")
    return ExitCode.AGREES


def _levels(
    arguments: argparse.Namespace,
    terminal: Terminal,
    stored: StoredBaseline,
    against: Baseline,
    terms: Terms,
    steps: Sequence[tuple[Any, str]],
) -> int:
    from harness.compare.rows import LEVELS, level_row, of_levels
    from harness.nouns.coverage import interval

    remarks = [*_step_words(steps), _margins(stored)]
    if arguments.json:
        levels = [
            {
                "name": level.name, "value": level.value, "unit": level.known.unit, "u": level.known.u,
                "interval95": list(interval(level.known)), "scatter": level.scatter, "records": level.records,
                "mountings": level.mountings, "margin": terms.margin(level), "why_not": level.why_not,
            }
            for level in against.levels.values()
            if level.records
        ]  # fmt: skip
        _json(terminal, 0, baseline=_entry(stored), levels=levels, remarks=remarks)
        return ExitCode.AGREES
    terminal.result("\n".join([_title(stored), *_story(stored), _runs(stored)]))
    terminal.rows(LEVELS, [level_row(level, terms) for level in against.levels.values() if level.records], of_levels)
    terminal.result("\n".join(remarks))
    return ExitCode.AGREES


def _differences(
    arguments: argparse.Namespace,
    terminal: Terminal,
    stored: StoredBaseline,
    against: Baseline,
    records: Sequence[Record],
    comparison: Comparison,
) -> int:
    from harness.compare import findings_counted
    from harness.compare.rows import DIFFERENCES, difference_row

    code = comparison.exit_code
    remarks = [
        f"{visible(str(record.folder))}: did not come to its end" for record in records if not record.finished
    ]  # fmt: skip
    if stored.state == "superseded":
        remarks.append(f"{stored.title} is superseded by a newer one")
    if comparison.exchanged:
        remarks.append(f"exchanged since the baseline's last record: {', '.join(map(visible, comparison.exchanged))}")
    remarks += _step_words(comparison.steps)
    if comparison.left_out:
        remarks.append(f"not in the baseline, not compared: {', '.join(map(visible, comparison.left_out))}")
    remarks.append(_margins(stored))
    if arguments.json:
        entries = [_compared(difference, against) for difference in comparison.differences]
        _json(terminal, code, baseline=_entry(stored), differences=entries, remarks=remarks)
        return code
    kind = " (SIMULATED)" if stored.simulated else ""
    terminal.result(f"{stored.rig}{kind} against {stored.title}: {findings_counted(comparison.differences)}")
    rows = [difference_row(difference, against.levels[difference.name]) for difference in comparison.differences]
    terminal.rows(DIFFERENCES, rows)
    terminal.result("\n".join(remarks))
    return code


def _compared(difference: Difference, against: Baseline) -> dict[str, Any]:
    level, measured = against.levels[difference.name].value, difference.measured
    gap, bounds = difference.gap, difference.bounds
    return {
        "name": difference.name, "finding": difference.finding.value, "unit": difference.unit,
        "baseline": level, "measured": measured, "difference": None if measured is None else measured - level,
        "u": None if gap is None else gap.u, "allowed": difference.allowed,
        "bounds": None if bounds is None else list(bounds), "margin": difference.margin, "reason": difference.reason,
    }  # fmt: skip


def _ended_well(records: Sequence[Record], despite: str | None) -> None:
    bad = [record for record in records if record.exit_code is not ExitCode.AGREES]
    if bad and despite is None:
        named = ", ".join(f"{visible(str(record.folder))} ended with {record.exit_code}" for record in bad[:3])
        more = f" and {len(bad) - 3} more" if len(bad) > 3 else ""
        raise UsageError(f"{named}{more}: a baseline takes runs that ended with 0, or --despite WHY")
    if despite is not None and not bad:
        raise UsageError("--despite: every one of these runs ended with 0; leave it out")


def _remarks(stored: StoredBaseline, terms: Terms, *, labelled: bool) -> list[str]:
    """What whoever accepts a baseline must know of it."""
    from harness.baseline.rows import mountings_of
    from harness.compare import LEAST_MOUNTINGS, seen_beyond

    count = mountings_of(stored)
    counted = f"{count} mountings, as declared with --mounting"
    if not labelled:
        repeats = ", repeats of one command together" if count < len(stored.runs) else ""
        counted = f"each of {count} {'commands' if repeats else 'records'} counts as one{repeats}"
    remarks = [f"separate mountings are self-declared ({counted}): no record shows that the arm was put on anew"]
    if count < LEAST_MOUNTINGS:
        remarks.append(
            f"fewer than {LEAST_MOUNTINGS} separate mountings ({count}): "
            "comparisons with this baseline can only come out undecided"
        )
    if count < RECOMMENDED[0]:
        limits = ", ".join(
            f"{seen_beyond(n, terms):.0f} with {n}" for n in sorted({max(count, LEAST_MOUNTINGS), *RECOMMENDED})
        )
        remarks.append(
            f"{RECOMMENDED[0]} to {RECOMMENDED[1]} are recommended, because few mountings say little of how much they "
            f"scatter: one of {terms.planned} quantities is called different beyond {limits} standard deviations"
        )
    return remarks


def _title(stored: StoredBaseline) -> str:
    from harness.baseline.rows import mountings_of

    kind = " (SIMULATED)" if stored.simulated else ""
    counts = f"{len(stored.runs)} records, {mountings_of(stored)} mountings"
    return f"{stored.title}, {stored.state}: {counts}, rig {stored.rig}{kind}"


def _story(stored: StoredBaseline) -> list[str]:
    """Who and why."""
    lines = [f"accepted {stored.accepted_utc[:10]} by {stored.by_whom}: {stored.why}"]
    if stored.despite is not None:
        lines.append(f"with runs that did not end with 0: {stored.despite}")
    if stored.retirement is not None:
        gone = stored.retirement
        lines.append(f"retired {gone.retired_utc[:10]} by {gone.by_whom}: {gone.why}")
    return lines


def _runs(stored: StoredBaseline) -> str:
    return f"{'run' if len(stored.runs) == 1 else 'runs'} {', '.join(map(str, stored.runs))}"


def _margins(stored: StoredBaseline) -> str:
    return f"margins: [detect] of the rig file of run {stored.runs[0]}"


def _step_words(steps: Sequence[tuple[Any, str]]) -> list[str]:
    """Steps of the mean, one line for all that made one at one record."""
    places: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for series, place in steps:
        places.setdefault((place, series.exchanged), []).append(series.name)
    return [
        f"a step from {place} on ({_exchanged(swapped)}): {', '.join(map(visible, names))}"
        for (place, swapped), names in places.items()
    ]


def _exchanged(things: Sequence[str]) -> str:
    return (
        f"exchanged there: {', '.join(map(visible, things))}" if things else "nothing that a record shows was exchanged"
    )


def _entry(stored: StoredBaseline) -> dict[str, Any]:
    """A revision as --json gives it."""
    gone = stored.retirement
    return {
        "name": stored.name, "revision": stored.revision, "state": stored.state, "rig": stored.rig,
        "simulated": stored.simulated, "runs": list(stored.runs), "mountings": list(stored.mountings),
        "accepted_utc": stored.accepted_utc, "by": stored.by_whom, "why": stored.why, "despite": stored.despite,
        "retired": None if gone is None else {"utc": gone.retired_utc, "by": gone.by_whom, "why": gone.why},
    }  # fmt: skip


def _json(terminal: Terminal, code: int, **parts: Any) -> None:
    from harness.record.forms import clean

    terminal.result(json.dumps(clean({"exit_code": int(code), **parts})))


def _address(arguments: argparse.Namespace) -> Address:
    return Address.parse(arguments.store or DEFAULT)
