"""The runs of a lot by board: what can stand together on one bench, and what is left out of it for which reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare import by_command
from harness.compare.ownership import owners_of
from harness.record import Record
from harness.rigfile import RigSpec

BENCH = ("motor", "supply", "instrument", "driver")
"""Sections of a rig file that say what bench a board was measured on, and what is expected of any board."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotRun:
    """One run of a board of a lot."""

    number: int
    """In the store."""
    uid: str
    record: Record

    @property
    def board(self) -> str:
        """The board's name."""
        return self.record.board.name or ""

    @property
    def unique_id(self) -> str:
        """What the board says of itself."""
        return self.record.board.unique_id

    @property
    def started(self) -> str:
        """When it was started, in UTC."""
        return self.record.started_utc

    @property
    def repeat(self) -> tuple[int, int]:
        """Its number among the runs of its command, and how many those were to be."""
        return self.record.repeat.number, self.record.repeat.of


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Runs of the boards of a lot on one bench, in the order they were started."""

    name: str
    rig: str
    simulated: bool
    spec: RigSpec
    """The rig file of the newest run: its requirements and margins are those of the lot."""
    boards: Mapping[str, tuple[LotRun, ...]]
    left_out: tuple[str, ...]
    """Runs that could not stand with the others, and why, in words."""
    remarks: tuple[str, ...]

    @property
    def runs(self) -> list[LotRun]:
        """All runs, oldest first."""
        return sorted((run for runs in self.boards.values() for run in runs), key=lambda run: (run.started, run.number))

    @property
    def kind(self) -> str:
        """` (SIMULATED)`, or nothing."""
        return " (SIMULATED)" if self.simulated else ""

    @property
    def motors(self) -> str:
        """The reference motors, in words."""
        return " and ".join(self.spec.motors)


def gather(name: str, runs: Sequence[LotRun]) -> Lot:
    """The runs that can stand together. Raises UsageError where none can, RecordError for a damaged record.

    Runs of one bench stand together: the same rig, motors, loads, sensors, supply and instruments; of several benches
    the one with most boards, and among those the newest. What is left out is said.
    """
    left: list[str] = []
    whole: list[LotRun] = []
    for run in sorted(runs, key=lambda run: (run.started, run.number)):
        why = "" if run.record.finished else "did not come to its end"
        why = why or ("" if run.board else "its board has no name: qualify it with --board ID")
        if why:
            left.append(f"run {run.number}: {why}")
        else:
            whole.append(run)
    for board, why in contradictions((run.board, run.unique_id, run.number) for run in whole):
        left.append(f"board {visible(board)}: {why}")
        whole = [run for run in whole if run.board != board]
    if not whole:
        raise UsageError(f"lot {visible(name)}: no run to study{': ' if left else ''}{'; '.join(left)}")
    chosen, others = _one_bench(whole)
    left += others
    newest = chosen[-1]
    boards: dict[str, list[LotRun]] = {}
    for run in chosen:
        boards.setdefault(run.board, []).append(run)
    return Lot(
        name=name,
        rig=newest.record.rig.name,
        simulated=newest.record.simulated,
        spec=newest.record.spec,
        boards={board: tuple(runs_of_board) for board, runs_of_board in sorted(boards.items())},
        left_out=tuple(left),
        remarks=tuple(_remarks(chosen)),
    )


def contradictions(runs: Iterable[tuple[str, str, int]]) -> list[tuple[str, str]]:
    """Boards whose name and unique id contradict each other in (name, unique id, number of the run), and how."""
    ids: dict[str, dict[str, int]] = {}
    names: dict[str, dict[str, int]] = {}
    for name, unique_id, number in runs:
        if unique_id:
            ids.setdefault(name, {}).setdefault(unique_id, number)
            names.setdefault(unique_id, {}).setdefault(name, number)
    contradicted = {}
    for name, known in ids.items():
        if len(known) > 1:
            listed = " and ".join(f"{visible(board_id)} in run {number}" for board_id, number in known.items())
            contradicted[name] = f"two boards under one name: unique id {listed}"
    for unique_id, called in names.items():
        if len(called) > 1:
            listed = " and ".join(f"{visible(board_name)} in run {number}" for board_name, number in called.items())
            for name in called:
                contradicted.setdefault(name, f"one board under two names: unique id {visible(unique_id)} was {listed}")
    return list(contradicted.items())


def mountings(runs: Iterable[LotRun]) -> list[str]:
    """A label a run: see `by_command`."""
    return by_command([run.record for run in runs])


def _one_bench(runs: Sequence[LotRun]) -> tuple[list[LotRun], list[str]]:
    benches: dict[str, list[LotRun]] = {}
    for run in runs:
        benches.setdefault(_bench(run.record), []).append(run)
    chosen = max(benches.values(), key=lambda those: (len({run.board for run in those}), those[-1].started))
    here = owners_of(chosen[-1].record)
    left = []
    for runs_there in benches.values():
        if runs_there is not chosen:
            there = owners_of(runs_there[-1].record)
            numbers = ", ".join(str(run.number) for run in runs_there)
            left.append(f"{'run' if len(runs_there) == 1 else 'runs'} {numbers}: another bench ({_apart(here, there)})")
    return chosen, left


def _bench(record: Record) -> str:
    owners = owners_of(record)
    return repr((owners.place, sorted(owners.instruments.items()), [(key, owners.rig.get(key)) for key in BENCH]))


def _apart(first: Any, other: Any) -> str:
    if first.place != other.place:
        return visible(f"{other.place} in place of {first.place}")
    names = sorted(set(first.instruments) | set(other.instruments))
    swapped = [f"instrument {name}" for name in names if first.instruments.get(name) != other.instruments.get(name)]
    sections = [f"[{key}] of the rig file" for key in BENCH if first.rig.get(key) != other.rig.get(key)]
    return visible(", ".join([*swapped, *sections]))


def _remarks(runs: Sequence[LotRun]) -> list[str]:
    """What was not the same for all runs of a lot and scatters with its boards."""
    owners = [owners_of(run.record) for run in runs]
    remarks = []
    if len({owner.firmware for owner in owners}) > 1:
        remarks.append("firmware was not the same in all runs: what it does differently counts as the boards'")
    if len({owner.procedure for owner in owners}) > 1:
        remarks.append("rotorgate or its device scripts were not the same in all runs: that counts as the boards'")
    texts = {repr(owner.rig.get("requirements")) for owner in owners}
    if len(texts) > 1:
        remarks.append(f"requirements were not the same in all runs: those of run {runs[-1].number}, the newest, count")
    return remarks
