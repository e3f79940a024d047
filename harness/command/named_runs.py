"""Runs that a person named: by their number in a store, or by the folder of their record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.base.errors import RecordError, StoreError, UsageError
from harness.record import Record, read
from harness.store import Address, Store
from harness.store.baselines import text_of


def is_number(word: str) -> bool:
    """Whether it is the number of a run. A folder of such a name is written `./7`."""
    return word.isascii() and word.isdigit() and len(word) <= 18


def records_of(words: Sequence[str], address: Address) -> list[Record]:
    """The records that a person named, all problems at once. Opens the store only where a number is among them."""
    if all(not is_number(word) for word in words):
        problems: list[str] = []
        records: list[Record] = []
        for word in words:
            try:
                records.append(read(Path(word)))
            except RecordError as error:
                problems.append(str(error))
        if problems:
            raise RecordError("\n".join(problems))
        return records
    with Store.open(address) as store:
        return [record_of(store, word) for word in words]


def record_of(store: Store, word: str) -> Record:
    """A run of the store by its number, or the record in a folder. Raises StoreError, RecordError."""
    if not is_number(word):
        return read(Path(word))
    try:
        return store.record(int(word))
    except StoreError as error:
        hint = f"; the folder of that name is written ./{word}" if Path(word).is_dir() else ""
        raise StoreError(f"{error}{hint}") from error


def numbers_of(store: Store, words: Sequence[str]) -> list[int]:
    """Their numbers in the store; what was named by its folder is kept first. Raises as `Store.keep`."""
    return [int(word) if is_number(word) else store.keep(Path(word)).id for word in words]


def labels_of(given: str | None, runs: Sequence[object], option: str) -> list[str] | None:
    """One label a run out of `LABEL,...`; None where the option was not given. Raises UsageError."""
    if given is None:
        return None
    labels = given.split(",")
    if len(labels) != len(runs):
        raise UsageError(f"{option}: expected {len(runs)} labels, one a run, found {len(labels)}")
    return [text_of(label, option) for label in labels]
