"""A run that has just ended goes into the store, and what became of that."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from harness.base.errors import HarnessError
from harness.store.address import FILE, Address, beside

if TYPE_CHECKING:
    from harness.store import StoredRun


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOutcome:
    """What became of keeping a run: `run` is None where it is not in the store."""

    address: Address
    words: str
    run: StoredRun | None = None

    @classmethod
    def at(cls, address: Address, run: StoredRun) -> Self:
        """A run that is in the store there."""
        remark = f" ({run.remark})" if run.remark else ""
        return cls(address=address, words=f"store {address.shown}, run {run.id}{remark}", run=run)

    def entry(self) -> dict[str, Any]:
        """As --json gives it."""
        run = self.run
        return {
            "store": self.address.shown,
            "run": None if run is None else run.id,
            "uid": None if run is None else run.uid,
            "words": self.words,
        }


def keep_run(folder: Path, store: Address | None) -> KeepOutcome:
    """Keep the record of a run that has just ended. Never raises: the run stands, whatever becomes of the store."""
    try:
        address = store or beside(folder)
    except HarnessError as error:
        address = Address(shown=str(folder.parent / FILE))
        return KeepOutcome(address=address, words=_not_kept(folder, address, store, str(error)))
    try:
        from harness.store import Store

        with Store.open(address, make=True) as opened:
            run = opened.keep(folder)
    except (HarnessError, KeyboardInterrupt) as error:
        return KeepOutcome(address=address, words=_not_kept(folder, address, store, str(error) or "interrupted"))
    except Exception as error:
        from harness.base.defects import write_defect

        return KeepOutcome(address=address, words=_not_kept(folder, address, store, write_defect(error, folder)))
    return KeepOutcome.at(address, run)


def _not_kept(folder: Path, address: Address, store: Address | None, why: str) -> str:
    where = "" if store is None else f" --store {address.shown}"
    return f"not in the store: {why}; the record stands, `rotorgate keep {folder}{where}` adds it"
