"""The pool file: TOML that lists rigs by their rig files. Every problem at once, one line each, as for a rig file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from harness.base.errors import PoolFileError, RigFileError, StoreError
from harness.base.words import visible
from harness.bench.devices import port_device, visa_device
from harness.bench.simulated import scenario_of
from harness.rigfile import RigSpec, load, problems
from harness.rigfile.fields import integer, listed, refuse, text
from harness.rigfile.spec import SpecSection
from harness.rigfile.toml import bytes_of, name_of, tables_of, unclean
from harness.store.address import Address

SCHEMA = 1
MOST = 100
"""Rigs of one pool, at most. Arbitrary: more than one machine can drive."""
LONGEST = 4096
"""Characters of a path, as Linux takes them (PATH_MAX)."""
WHAT = "pool file"
ABSENT = "it is TOML with schema = 1 and rigs = [rig files]"
NAME = "a name of letters, digits, _ and -, at most 40"
RIGS = 'a list of rig files, such as ["a.toml", "b.toml"]'
FILE = "the path of a rig file, relative to the pool file"


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolEntry:
    """One rig of a pool."""

    place: str
    """Where it stands in the pool file, for messages."""
    name: str
    """What it is called here; no other rig of the pool has this name."""
    path: Path
    spec: RigSpec
    plant_seed: int | None = None
    """On the simulated bench: draws the true values of this rig."""

    @property
    def simulated(self) -> bool:
        """Whether it is a simulated bench that its user starts, so that nobody else can have it."""
        return scenario_of(self.spec) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """A pool file, read with all its rig files."""

    file: str
    entries: tuple[PoolEntry, ...]
    store: Address | None = None
    """PostgreSQL through which hosts exclude each other."""


def _path(value: Any) -> str:
    if not isinstance(value, str) or not value or len(value) > LONGEST:
        raise refuse(RIGS)
    return value


class _Rig(SpecSection):
    """[[rig]]."""

    file: Annotated[str, text(FILE, r".+", longest=LONGEST)]
    name: Annotated[str | None, text(NAME, r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")] = None
    plant_seed: Annotated[int | None, integer(0, 2**63 - 1)] = None


class _File(SpecSection):
    """A whole pool file."""

    schema_: Annotated[int, integer(SCHEMA, SCHEMA)] = Field(alias="schema")
    rigs: Annotated[tuple[str, ...], listed(RIGS, _path, 0, MOST)] = ()
    rig: list[_Rig] = Field(default=[], max_length=MOST)
    store: Annotated[str | None, text("postgresql://USER@HOST/DATABASE", r".+")] = None


def load_pool(path: Path | str) -> Pool:
    """Read a pool file and the rig files that it lists. Raises PoolFileError with all problems, one line each."""
    path = Path(path)
    file = name_of(path)
    content = bytes_of(path, WHAT, PoolFileError, hint=ABSENT)
    _, raw = tables_of(content, file, WHAT, PoolFileError)
    unfit = list(unclean(raw))
    try:
        parsed = _File.model_validate(raw)
    except ValidationError as error:
        unfit += problems.of_validation(error, raw, _File)
        raise PoolFileError(problems.once_a_place(file, unfit)) from error
    if unfit:
        raise PoolFileError(problems.once_a_place(file, unfit))
    listed_rigs = [(f"rigs[{number}]", _Rig(file=name)) for number, name in enumerate(parsed.rigs)]
    listed_rigs += [(f"rig[{number}]", rig) for number, rig in enumerate(parsed.rig)]
    if not listed_rigs:
        raise PoolFileError([f'{file}: rigs: expected at least one rig file, such as rigs = ["a.toml"], found none'])
    store, problems_found = _store(parsed.store, file)
    entries: list[PoolEntry] = []
    for place, rig in listed_rigs:
        try:
            entries.append(_entry(place, rig, path.parent, entries, [other.name for _, other in listed_rigs]))
        except (PoolFileError, RigFileError) as error:
            problems_found += [f"{file}: {place}: {line}" for line in error.problems]
    problems_found += [f"{file}: {line}" for line in _shared(entries)]
    if problems_found:
        raise PoolFileError(problems_found)
    return Pool(file=file, entries=tuple(entries), store=store)


def _store(given: str | None, file: str) -> tuple[Address | None, list[str]]:
    if given is None:
        return None, []
    try:
        address = Address.parse(given)
    except StoreError as error:
        return None, [f"{file}: {error}"]
    if not address.url:
        return None, [f"{file}: store: expected postgresql://USER@HOST/DATABASE, found a file; SQLite is one host's"]
    return address, []


def _entry(place: str, rig: _Rig, folder: Path, before: Sequence[PoolEntry], named: Sequence[str | None]) -> PoolEntry:
    path = folder / rig.file
    spec = load(path)
    if rig.plant_seed is not None and scenario_of(spec) is None:
        raise PoolFileError([f"plant_seed: only for a rig of the simulated bench, and {spec.file} is a real one"])
    names_before = {entry.name for entry in before}
    if rig.name in names_before:
        raise PoolFileError([f"name: expected a name of its own, found {rig.name} a second time"])
    names_before |= {name for name in named if name is not None}
    name = rig.name or next(name for name in _names(spec.rig.name) if name not in names_before)
    return PoolEntry(place=place, name=name, path=path, spec=spec, plant_seed=rig.plant_seed)


def _names(stem: str) -> Iterator[str]:
    yield stem
    for number in range(2, 2 * MOST + 2):
        yield f"{stem}-{number}"


def _shared(entries: Sequence[PoolEntry]) -> list[str]:
    """Devices that stand in two rigs of the pool: a line for each rig and the first one that has its device."""
    owners: dict[str, PoolEntry] = {}
    problems_found: list[str] = []
    for entry in entries:
        if entry.simulated:
            continue
        board, instruments = entry.spec.board, entry.spec.instrument.values()
        mine = dict.fromkeys([port_device(board.port), *(visa_device(each.address) for each in instruments)])
        for device in mine:
            owner = owners.setdefault(device, entry)
            if owner is not entry:
                words = f"{visible(device)} belongs to {owner.place} ({owner.spec.file}) already"
                problems_found.append(f"{entry.place} ({entry.spec.file}): {words}; a device can be in one rig only")
    return problems_found
