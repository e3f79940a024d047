"""Boards by name and unique id: a row of runs is taken only where the two never contradict each other."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from harness.lot.gathered import contradictions
from harness.run.board_names import contradiction

NAMES, IDS = st.sampled_from(["A", "B", "C"]), st.sampled_from(["", "1", "2", "3"])


@given(st.lists(st.tuples(NAMES, IDS), max_size=12))
def test_whatever_is_refused_what_was_taken_never_contradicts_itself(wanted: list[tuple[str, str]]) -> None:
    taken: list[Any] = []
    for number, (name, unique_id) in enumerate(wanted, start=1):
        runs = [SimpleNamespace(board_name=n, board_id=i, id=k, started_utc="", lot="spring") for n, i, k in taken]
        refused = contradiction(runs, name, unique_id) if unique_id else ""  # type: ignore[arg-type]
        if refused:
            assert contradictions([*taken, (name, unique_id, number)]), refused
            assert "in run " in refused
        else:
            taken.append((name, unique_id, number))
            assert contradictions(taken) == []


@given(st.lists(st.tuples(NAMES, IDS), max_size=12))
def test_the_boards_that_are_left_out_are_those_that_contradict_themselves(runs: list[tuple[str, str]]) -> None:
    words = dict(contradictions((name, unique_id, number) for number, (name, unique_id) in enumerate(runs)))
    ids = {name: {i for n, i in runs if n == name and i} for name, _ in runs}
    names = {i: {n for n, other in runs if other == i} for _, i in runs if i}
    wrong = {name for name, known in ids.items() if len(known) > 1}
    wrong |= {name for called in names.values() if len(called) > 1 for name in called}
    assert set(words) == wrong
