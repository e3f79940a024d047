"""Published check values: read from the data files beside, compared within their own tolerances.

@reference("gum-h1")
def test_end_gauge(case: Case) -> dict[str, object]:
    ...compute from case.input, by the functions that a qualification uses; give what they can, by expected name

Several tests may share a case. Together they give every expected name but those whose entry says `not_compared`, with
the reason; a case that nothing here computes says it for the whole of itself. test_untouched.py sees to both.
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
Computed = Mapping[str, object]
TESTS: dict[str, list[Callable[[], Computed]]] = {}
"""By case: what the tests of it compute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One case of a data file."""

    family: str
    id: str
    source: str
    input: Mapping[str, Any]
    expect: Mapping[str, Mapping[str, Any]]
    """By name."""
    not_compared: str = ""
    """Why nothing here computes the case; empty where something does."""

    def rows(self) -> list[dict[str, str]]:
        """The rows of the CSV file that the case names."""
        with (FOLDER / self.family / self.input["data"]).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def column(self, name: str) -> list[float]:
        """One column of it as numbers."""
        return [float(row[name]) for row in self.rows()]

    @property
    def left_out(self) -> Mapping[str, str]:
        """Expected names that are not compared, with the reason."""
        return {
            name: reason
            for name, entry in self.expect.items()
            if (reason := self.not_compared or entry.get("not_compared", ""))
        }


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
                expect={expected["name"]: expected for expected in entry["expect"]},
                not_compared=entry.get("not_compared", ""),
            )
    return found


def reference(
    case_id: str, within: Mapping[str, tuple[float, str]] | None = None
) -> Callable[[Callable[[Case], Computed]], Callable[[], None]]:
    """Make a test of a function that computes expected values of a case.

    `within`: relative tolerances in place of the case's, by name and with the reason, where what a qualification uses
    reads samples and the case's tolerance is one of closed forms.
    """
    wider = within or {}

    def wrap(compute: Callable[[Case], Computed]) -> Callable[[], None]:
        @cache
        def computed() -> Computed:
            return compute(cases()[case_id])

        def test() -> None:
            case = cases()[case_id]
            assert set(wider) <= set(computed()), "a tolerance for what is computed"
            for name, value in computed().items():
                entry = case.expect[name]
                compare(
                    case,
                    {"name": name, "value": entry["value"], "rel": wider[name][0]} if name in wider else entry,
                    value,
                )

        TESTS.setdefault(case_id, []).append(computed)
        test.__name__ = getattr(compute, "__name__", case_id)
        test.__doc__, test.__module__ = cases()[case_id].source, compute.__module__
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
