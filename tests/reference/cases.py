"""Published check values: read from the data files beside, compared within their own tolerances.

@reference("gum-h1", left_out={"name": "why"})
def test_end_gauge(case: Case) -> dict[str, object]:
    ...compute from case.input; give a value for every expected name that is not left out
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent
TOUCHED: dict[str, Mapping[str, str]] = {}
"""Cases that a test computes, with the expected names that it leaves out and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One case of a data file."""

    family: str
    id: str
    source: str
    input: Mapping[str, Any]
    expect: tuple[Mapping[str, Any], ...]

    def rows(self) -> list[dict[str, str]]:
        """The rows of the CSV file that the case names."""
        with (FOLDER / self.family / self.input["data"]).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def column(self, name: str) -> list[float]:
        """One column of it as numbers."""
        return [float(row[name]) for row in self.rows()]


@cache
def cases() -> Mapping[str, Case]:
    """Every case there is, by id."""
    found = {}
    for path in sorted(FOLDER.glob("*/cases.toml")):
        for entry in tomllib.loads(path.read_text(encoding="utf-8"))["case"]:
            found[entry["id"]] = Case(
                family=path.parent.name,
                id=entry["id"],
                source=entry["source"],
                input=entry.get("input", {}),
                expect=tuple(entry["expect"]),
            )
    return found


def reference(
    case_id: str, left_out: Mapping[str, str] | None = None
) -> Callable[[Callable[[Case], Mapping[str, object]]], Callable[[], None]]:
    """Make a test of a function that computes the expected values of a case."""
    TOUCHED[case_id] = left_out or {}

    def wrap(compute: Callable[[Case], Mapping[str, object]]) -> Callable[[], None]:
        def test() -> None:
            case = cases()[case_id]
            computed = compute(case)
            expected = {entry["name"]: entry for entry in case.expect}
            assert set(computed) == set(expected) - set(TOUCHED[case_id]), "every expected name is computed or left out"
            for name, value in computed.items():
                compare(case, expected[name], value)

        test.__name__, test.__doc__, test.__module__ = compute.__name__, cases()[case_id].source, compute.__module__
        return test

    return wrap


def compare(case: Case, entry: Mapping[str, Any], got: object) -> None:
    """Hold a computed value against an `expect` entry."""
    wanted = entry["value"]
    where = f"{case.id} {entry['name']}: expected {wanted}, computed {got} ({case.source})"
    if "abs" not in entry and "rel" not in entry:
        assert got == wanted, where
        return
    wanted_list = wanted if isinstance(wanted, list) else [wanted]
    got_list = list(got) if isinstance(wanted, list) else [got]  # type: ignore[call-overload]
    assert len(got_list) == len(wanted_list), where
    for mine, theirs in zip(got_list, wanted_list, strict=True):
        allowed = entry["abs"] if "abs" in entry else entry["rel"] * abs(theirs)
        assert abs(mine - theirs) <= allowed, where
