"""Runs taken together: versions, and each quantity over them, against the same worked out by hand."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.store import Store, tables
from harness.store.histories import Release, ReleaseLevel
from tests.examples import examples
from tests.software.store.records import NAME, STARTED, written

ROW = {
    "kept_utc": STARTED, "ended_utc": None, "rig_sha256": "ab" * 32, "board_id": "0042", "board_name": None,
    "firmware_name": "drive", "lot": None, "seed": 1, "finished": True, "remark": "",
}  # fmt: skip
ENTRY = {"name": NAME, "check_name": "stiffness", "motor": "leaf", "u": 0.01, "unit": "N m/rad", "dof": None}
NUMBERS = itertools.count(1)

Given = tuple[str, bool, str | None, float | None, str]
"""Rig, simulated, firmware version, value, outcome of a run."""


def add(store: Store, runs: Sequence[Given]) -> None:
    with store._database.adding() as adding:
        for rig, simulated, version, value, outcome in runs:
            number = next(NUMBERS)
            row = {
                **ROW, "uid": f"{number:064x}", "started_utc": f"2026-{number:09d}", "rig": rig, "simulated": simulated,
                "firmware_version": version, "firmware_sha256": f"{version}{number % 2}", "exit_code": number % 3,
            }  # fmt: skip
            run_id = adding.add_one(tables.run, row)
            adding.add(
                tables.quantity,
                [{**ENTRY, "run_id": run_id, "value": value, "outcome": outcome, "conformity": "conforming"}],
            )


def by_hand(runs: Sequence[Given], release: Release) -> ReleaseLevel | None:
    own = [
        (value, outcome)
        for rig, simulated, version, value, outcome in runs
        if (rig, simulated, version) == (release.rig, release.simulated, release.firmware_version) and value is not None
    ]
    values = [value for value, _ in own]
    if not values:
        return None
    return ReleaseLevel(
        release=release.key,
        runs=len(values),
        mean=statistics.fmean(values),
        s=statistics.stdev(values) if len(values) > 1 else 0.0,
        low=min(values),
        high=max(values),
        refused=sum(outcome == "differs" for _, outcome in own),
    )


def alike(level: ReleaseLevel, other: ReleaseLevel, scale: float) -> None:
    assert (level.release, level.runs, level.refused) == (other.release, other.runs, other.refused)
    for word in ("mean", "s", "low", "high"):
        assert getattr(level, word) == pytest.approx(getattr(other, word), rel=1e-7, abs=1e-7 * scale), word


def check(store: Store, runs: Sequence[Given]) -> None:
    for simulated in (True, False):
        releases = store.histories.releases(simulated=simulated)
        known = [value for *_, value, _ in runs if value is not None]
        levels = {level.release: level for level in store.histories.levels(NAME, releases, origin=(known or [0.0])[-1])}
        expected = {release.key: level for release in releases if (level := by_hand(runs, release))}
        assert levels.keys() == expected.keys()
        for key, level in levels.items():
            alike(level, expected[key], max(map(abs, known)))


RUNS = st.lists(
    st.tuples(
        st.sampled_from(["sluice", "wheel"]),
        st.booleans(),
        st.sampled_from(["1.4.0", "1.5.0", None]),
        st.none() | st.floats(-1e3, 1e3).map(lambda value: round(value, 6)),
        st.sampled_from(["agrees", "differs"]),
    ),
    max_size=30,
)


@given(RUNS, st.booleans())
@settings(examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_levels_are_those_worked_out_by_hand_in_order_or_mixed(tmp_path, runs, ordered):
    if ordered:  # versions that follow each other are summed up along the table, others run by run
        runs = sorted(runs, key=lambda run: (str(run[0]), run[1], str(run[2])))
    with Store.open(tmp_path / f"{next(NUMBERS)}.sqlite", make=True) as store:
        add(store, runs)
        assert not ordered or all(
            level.alone for kind in (True, False) for level in store.histories.releases(simulated=kind)
        )
        check(store, runs)


MIXED: list[Given] = [
    ("sluice", True, "1.4.0", 0.65, "agrees"),
    ("wheel", True, "1.4.0", 7.0, "agrees"),
    ("sluice", True, "1.5.0", 0.60, "differs"),
    ("sluice", True, "1.4.0", 0.66, "agrees"),
    ("sluice", False, None, 0.2, "agrees"),
    ("sluice", True, "1.5.0", None, "not run"),
]


def test_both_databases_say_the_same(place):
    with Store.open(place, make=True) as store:
        add(store, MIXED)
        check(store, MIXED)
        assert store.histories.rigs() == {("sluice", False): 1, ("sluice", True): 4, ("wheel", True): 1}
        assert store.histories.names() == [NAME]
        first, second = store.histories.releases(simulated=True, rig="sluice")
        assert (first.firmware_version, first.runs, first.boards, first.alone) == ("1.4.0", 2, 1, False)
        assert (second.firmware_version, sum(second.endings.values())) == ("1.5.0", 2)
        assert first.first_utc < first.last_utc
        assert [entry.value for entry in store.histories.entries(NAME, [6, 3])] == [0.60, None]
        assert [run.id for run in store.runs(rig="sluice", simulated=True, newest=2)] == [4, 6]


def test_both_databases_sum_up_along_the_table(place):
    runs = sorted(MIXED, key=lambda run: (str(run[0]), run[1], str(run[2])))
    with Store.open(place, make=True) as store:
        add(store, runs)
        assert all(release.alone for release in store.histories.releases(simulated=True))
        check(store, runs)


def test_angles_on_a_circle_are_taken_where_the_newest_is(place):
    angles = [0.02, math.tau - 0.02, 0.01, math.tau - 0.01]
    with Store.open(place, make=True) as store:
        add(store, [("sluice", True, "1.4.0", angle, "agrees") for angle in angles])
        (release,) = store.histories.releases(simulated=True)
        (level,) = store.histories.levels(NAME, [release], origin=math.tau - 0.01, turning=True)
    assert level.mean == pytest.approx(math.tau)
    assert (level.low, level.high) == (pytest.approx(math.tau - 0.02), pytest.approx(math.tau + 0.02))


def test_values_that_are_alike_do_not_scatter(tmp_path):
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        add(store, [("sluice", True, "1.4.0", 0.1, "agrees") for _ in range(7)])
        releases = store.histories.releases(simulated=True)
        levels = [store.histories.levels(NAME, releases, origin=1e4 / k)[0] for k in range(1, 20)]
    assert {level.s for level in levels} == {0.0}
    assert levels[0].mean == pytest.approx(0.1)


def test_builds_of_one_version_and_unfinished_runs_are_counted(tmp_path):
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        add(store, [("sluice", True, "1.4.0", 0.65, "agrees")] * 4)
        store.keep(written(tmp_path / "killed", finished=False, rig="sluice", version="1.4.0"))
        (release,) = store.histories.releases(simulated=True, rig="sluice")
    assert (release.builds, release.boards) == (3, 1)
    assert release.endings[None] == 1
