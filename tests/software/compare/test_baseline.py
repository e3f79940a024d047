"""Baselines from records."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import RecordError, UsageError
from harness.compare import LEAST_MOUNTINGS, baseline_of
from harness.compare.baseline import level
from harness.compare.comparable import ComparableValue
from harness.nouns.quantity import Contribution, Quantity, exact
from tests.software.compare.records import ANGLE, INSTRUMENTS, STIFFNESS, quantity, record, scattered
from tests.software.record.contents import content_of, edited, record_of

values = st.floats(0.1, 10.0).map(lambda value: round(value, 3))


def run(value: float, own_u: float = 0.0, procedure_u: float = 0.0, **type_b: float) -> ComparableValue:
    budget = {source: Contribution(u=u) for source, u in type_b.items()}
    return ComparableValue(
        lasting=Quantity(value=value, unit="V", budget=budget), own_u=own_u, own_dof=9.0, procedure_u=procedure_u
    )


def names(count: int) -> list[str]:
    return [str(number) for number in range(count)]


@given(st.lists(values, min_size=5, max_size=12, unique=True))
def test_mean_and_scatter_are_those_of_the_records(found: list[float]) -> None:
    base = level("a.b.c", [run(value) for value in found], names(len(found)))
    assert math.isclose(base.value, statistics.fmean(found), rel_tol=1e-12)
    assert math.isclose(base.scatter, statistics.stdev(found), rel_tol=1e-9)
    assert (base.mountings, base.scatter_dof, base.size) == (len(found), len(found) - 1, 1)
    assert (base.within, base.why_not) == (0, "")


@given(st.lists(st.lists(values, min_size=1, max_size=4), min_size=5, max_size=8))
def test_a_mounting_counts_once_however_often_it_was_measured(groups: list[list[float]]) -> None:
    labels = [str(place) for place, group in enumerate(groups) for _ in group]
    base = level("a.b.c", [run(value) for group in groups for value in group], labels)
    means = [statistics.fmean(group) for group in groups]
    assert math.isclose(base.value, statistics.fmean(means), rel_tol=1e-12)
    assert math.isclose(base.scatter, statistics.stdev(means), rel_tol=1e-6, abs_tol=1e-12)
    assert base.mountings == len(groups) and base.records == len(labels)


def test_runs_scatter_at_least_as_their_own_readings_do() -> None:
    close = [run(1.0 + 1e-6 * k, own_u=0.01) for k in range(6)]
    assert math.isclose(level("a.b.c", close, names(6)).scatter, 0.01)


def test_values_that_are_all_alike_hide_what_the_procedure_leaves_open() -> None:
    alike = [run(1.0, own_u=0.003, procedure_u=0.004) for _ in range(6)]
    assert math.isclose(level("a.b.c", alike, names(6)).scatter, 0.005)


def test_fewer_mountings_than_five_are_said_to_be_too_few() -> None:
    few = baseline_of(scattered(LEAST_MOUNTINGS - 1)).levels[STIFFNESS]
    assert few.why_not == "its baseline has 4 of the 5 mountings that its scatter takes"
    assert baseline_of(scattered(LEAST_MOUNTINGS)).levels[STIFFNESS].why_not == ""
    one_mounting = baseline_of(scattered(8), ["monday"] * 8).levels[STIFFNESS]
    assert one_mounting.why_not == "its baseline has 1 of the 5 mountings that its scatter takes"


def test_what_records_took_from_one_thing_stays_whole_and_from_several_is_shared_out() -> None:
    type_b = {"instrument__supply__voltage_gain": 0.02}
    supplies = [INSTRUMENTS] * 4 + [{**INSTRUMENTS, "supply": "Maker,DC supply,SN999,1.0"}]
    records = [
        record({STIFFNESS: quantity(0.65 + 0.001 * n, **type_b)}, n, instruments=entry)
        for n, entry in enumerate(supplies)
    ]
    budget = baseline_of(records).levels[STIFFNESS].lasting.budget
    shares = sorted(part.u for source, part in budget.items() if "voltage_gain" in source)
    assert shares == pytest.approx([0.2 * 0.02, 0.8 * 0.02], rel=0.02)
    assert all(not part.type_a for part in budget.values())


def test_angles_are_averaged_across_the_full_turn() -> None:
    turns = (0.02, math.tau - 0.02, 0.01, math.tau - 0.01, 0.0)
    records = [record({ANGLE: quantity(value, "rad")}, n) for n, value in enumerate(turns)]
    base = baseline_of(records).levels[ANGLE]
    assert math.isclose(math.remainder(base.value, math.tau), 0.0, abs_tol=1e-12)
    assert base.scatter == pytest.approx(statistics.stdev([0.02, -0.02, 0.01, -0.01, 0.0]))


def test_a_count_that_the_records_do_not_agree_on_is_no_baseline() -> None:
    name = "leaf.commutation.direction"
    senses = [exact(1.0, "1")] * 5 + [exact(-1.0, "1")]
    base = baseline_of([record({name: value}, n) for n, value in enumerate(senses)]).levels[name]
    assert base.exact and base.why_not == "the records of the baseline do not agree on it"
    assert baseline_of([record({name: senses[0]}, n) for n in range(5)]).levels[name].why_not == ""


def test_a_record_without_the_quantity_is_left_out_of_it() -> None:
    records = [*scattered(5), record({STIFFNESS: "needs a known torque"}, 9)]
    base = baseline_of(records).levels[STIFFNESS]
    assert (base.mountings, base.records, base.why_not) == (5, 5, "")
    nothing = baseline_of([record({STIFFNESS: "needs a known torque"}, n) for n in range(5)]).levels[STIFFNESS]
    assert nothing.why_not == "not in the baseline: needs a known torque"


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        (
            {"simulated": True},
            r"run9 is simulated, run1 of a real bench: simulated and real records are never compared",
        ),
        ({"rig": "lock"}, r"run9 is of rig lock \(leaf, wheel\), run1 of rig sluice \(leaf, wheel\): expected one rig"),
        ({"motors": ("leaf",)}, r"run9 is of rig sluice \(leaf\), run1 of rig sluice \(leaf, wheel\)"),
        ({"finished": False}, r"run9: did not come to its end: no record for a baseline"),
    ],
)
def test_records_that_cannot_stand_together_are_refused(changed: dict[str, object], message: str) -> None:
    other = record({STIFFNESS: quantity(0.65)}, 9, **changed)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=message):
        baseline_of([*scattered(5), other])


def test_one_run_twice_is_refused() -> None:
    records = scattered(5)
    again = record_of(content_of(records[2]), records[2].folder / "copy")
    with pytest.raises(UsageError, match=r"run3/copy is the same run as run3: expected each run once"):
        baseline_of([*records, again])


def test_a_baseline_of_nothing_and_labels_that_do_not_fit_are_refused() -> None:
    with pytest.raises(UsageError, match="a baseline needs records: expected at least 1, found none"):
        baseline_of([])
    with pytest.raises(UsageError, match="expected a mounting for each of 5 records, found 2"):
        baseline_of(scattered(5), ["a", "b"])


def test_two_units_of_one_quantity_are_refused() -> None:
    other = record({STIFFNESS: quantity(0.65, "N m/deg")}, 9)
    with pytest.raises(UsageError, match=r"open_loop: the records of the baseline give it in N m/deg and N m/rad"):
        baseline_of([*scattered(5), other])


def test_a_record_that_does_not_name_its_rig_is_refused() -> None:
    records = scattered(5)
    nameless = edited(records[0], rig={})
    with pytest.raises(RecordError, match="run1: damaged record: rig: expected 'name' in it"):
        baseline_of([nameless, *records[1:]])


@given(st.lists(values, min_size=2, max_size=9), st.floats(0.0, 1.0))
def test_a_level_is_known_as_well_as_its_scatter_and_what_lasts_leave_it(found, lasting_u):
    base = level(STIFFNESS, [run(value, arm=lasting_u) for value in found], names(len(found)))
    assert math.isclose(base.known.u, math.hypot(base.lasting.u, base.scatter / math.sqrt(len(found))), abs_tol=1e-12)
    assert base.known.value == base.value
    assert base.scatter == 0.0 or base.known.dof < math.inf
