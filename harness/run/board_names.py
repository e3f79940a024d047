"""Boards by the names that people give them, and whether one was swapped for another under its name."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from harness.base.errors import StoreError, StoreUnavailable, UsageError
from harness.base.words import visible
from harness.rigfile import load
from harness.run.session import Settings

if TYPE_CHECKING:
    from harness.store import StoredRun
    from harness.store.address import Address

LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
"""A name that can stand on a board, in a file's name and in a table."""


def label(given: str, option: str) -> str:
    """A board's or a lot's name as it is kept. Raises UsageError."""
    if not LABEL.fullmatch(given):
        raise UsageError(
            f"{option} {visible(given[:40])!r}: expected up to 40 letters and digits with . _ - between them"
        )
    return given


def lot_for(settings: Settings) -> str | None:
    """The lot of a run: the one given, otherwise the rig's name where the board has a name. Raises UsageError."""
    if settings.board is not None:
        label(settings.board, "--board")
    if settings.lot is not None:
        return label(settings.lot, "--lot")
    return None if settings.board is None else load(settings.rig).rig.name


def contradiction(runs: Iterable[StoredRun], board: str, unique_id: str) -> str:
    """How a board's name and its unique id contradict those of runs of its lot, in words; "" where they do not."""
    for run in runs:
        if run.board_name == board and run.board_id and run.board_id != unique_id:
            return (
                f"board {board} has unique id {visible(unique_id)}, and had {visible(run.board_id)} in run {run.id} "
                f"({run.started_utc}) of lot {visible(run.lot or '')}: one of both is another board; give each a name "
                "of its own"
            )
        if run.board_id == unique_id and run.board_name not in (None, board):
            return (
                f"the board with unique id {visible(unique_id)} was called {visible(run.board_name or '')} in run "
                f"{run.id} ({run.started_utc}) of lot {visible(run.lot or '')}, and is called {board} now: expected "
                "another board, or the same name"
            )
    return ""


@dataclass(slots=True, kw_only=True)
class BoardNameCheck:
    """Looks before each run whether the board is the one that its name stands for."""

    board: str
    lot: str
    store: Callable[[], Address] | None
    """Where earlier runs are; asked when wanted, because it may raise StoreError."""
    seen: str = ""
    """Unique id in an earlier run of the same command."""

    @classmethod
    def of(cls, settings: Settings, store: Callable[[], Address] | None) -> Self | None:
        """None where the board has no name."""
        if settings.board is None or settings.lot is None:
            return None
        return cls(board=settings.board, lot=settings.lot, store=store)

    def check(self, unique_id: str, *, simulated: bool) -> str:
        """Raises UsageError for a swapped board; what could not be looked at, in words, or "".

        Call it when the board has said who it is and before anything is energised.
        """
        first = not self.seen
        if not unique_id:
            return f"the board says no unique id: nothing would show that it was exchanged under the name {self.board}"
        if self.seen and self.seen != unique_id:
            raise UsageError(
                f"board {self.board} had unique id {visible(self.seen)} in the run before and has {visible(unique_id)} "
                "now: it was exchanged"
            )
        self.seen = unique_id
        if not first:
            return ""
        if self.store is None:
            return "no store: nothing would show that the board's name stood for another one in an earlier run"
        try:
            runs = _runs(self.store(), self.lot, simulated)
        except (StoreError, StoreUnavailable) as error:
            return f"whether the board's name stood for another one in an earlier run is not known: {error}"
        if contradicting := contradiction(runs, self.board, unique_id):
            hint = "; on the simulated bench --board-seed N makes a board of its own" if simulated else ""
            raise UsageError(f"{contradicting}{hint}")
        return ""


def _runs(address: Address, lot: str, simulated: bool) -> Sequence[StoredRun]:
    """Runs of a lot, none where there is no store yet."""
    from harness.store import Store

    if address.file is not None and not address.file.exists():
        return []
    with Store.open(address) as store:
        return store.runs(lot=lot, simulated=simulated)
