"""Findings: the four words, what cancels, who shares the risk."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import UsageError
from harness.compare import Difference, Finding, Terms, baseline_of, compare
from harness.compare.baseline import BaselineLevel, level
from harness.compare.comparable import ComparableValue
from harness.compare.difference import READINGS, WITHIN, _reach, difference_from
from harness.nouns.coverage import student_quantile
from harness.nouns.quantity import Contribution, Quantity, exact
from harness.nouns.results import Detect
from harness.record import Record
from tests.software.compare.records import ANGLE, INSTRUMENTS, STIFFNESS, quantity, record, scattered

NAME = "a.b.c"
SPREAD = (-1.0, 1.0, 0.5, -0.5, 0.2, -0.2, 1.2, -1.2)
"""Of eight runs about 100; standard deviation 0.89."""


def run(value: float, own_u: float = 0.0, **type_b: float) -> ComparableValue:
    budget = {source: Contribution(u=u) for source, u in type_b.items()}
    return ComparableValue(lasting=Quantity(value=value, unit="V", budget=budget), own_u=own_u, own_dof=9.0)


def usual(**type_b: float) -> BaselineLevel:
    return level(NAME, [run(100.0 + s, **type_b) for s in SPREAD], [str(n) for n in range(len(SPREAD))])


def terms(margin: float | None = 20.0, planned: int = 10) -> Terms:
    return Terms(planned=planned, margins={} if margin is None else {NAME: Detect(absolute=margin)})


def found(values: Sequence[float], margin: float | None = 20.0, planned: int = 10, **type_b: float) -> Difference:
    runs = [run(value, **type_b) for value in values]
    return difference_from(usual(), runs, ["one"] * len(runs), terms(margin, planned))


# --- the words ---------------------------------------------------------------------------------------------


def test_the_four_words() -> None:
    assert found([100.0]).finding is Finding.EQUIVALENT
    assert found([130.0]).finding is Finding.DIFFERENT
    assert found([101.0], margin=2.0).finding is Finding.NOT_SEEN
    assert found([101.0], margin=None).finding is Finding.NOT_SEEN
    assert difference_from(usual(), ["needs a load"], ["one"], terms()).finding is Finding.UNDECIDED


def test_no_difference_seen_says_what_may_be_there_and_what_would_shrink_it() -> None:
    reason = found([101.0], margin=2.0).reason
    assert reason.startswith("up to 2.8 V may be there, margin 2; largest: scatter between mountings (100% of the")
    assert reason.endswith("repeats over separate mountings") or reason.endswith("more records in the baseline")
    assert found([100.0], margin=None).reason == "needs a margin to be called equivalent"


def test_a_difference_inside_the_margin_for_certain_is_equivalent_and_said() -> None:
    difference = found([108.0], margin=15.0)
    assert difference.finding is Finding.EQUIVALENT
    assert difference.reason == "a difference of +8 V (+8.0 %) is seen, and lies inside the margin"


def test_a_difference_says_whether_it_is_beyond_the_margin() -> None:
    assert found([108.0], margin=9.0).reason.endswith("allowed, not shown to be inside the margin")
    assert found([130.0], margin=9.0).reason.endswith("allowed, beyond the margin")
    assert found([130.0], margin=None).finding is Finding.DIFFERENT


@given(st.floats(80.0, 120.0), st.floats(0.1, 30.0), st.integers(1, 100))
def test_the_words_are_what_the_limits_say(value: float, margin: float, planned: int) -> None:
    difference = found([value], margin, planned)
    gap, allowed, bounds = difference.gap, difference.allowed, difference.bounds
    assert gap is not None and allowed is not None and bounds is not None
    off = gap.value
    inside = -margin < bounds[0] and bounds[1] < margin
    expected = Finding.EQUIVALENT if inside else Finding.DIFFERENT if abs(off) > allowed else Finding.NOT_SEEN
    assert difference.finding is expected
    assert allowed > bounds[1] - off  # many quantities share a smaller risk than one has for equivalence


@given(st.floats(0.0, 50.0), st.floats(0.1, 30.0))
def test_either_way_off_is_the_same(off: float, margin: float) -> None:
    high, low = found([100.0 + off], margin), found([100.0 - off], margin)
    assert high.finding is low.finding
    assert high.gap is not None and low.gap is not None and math.isclose(high.gap.value, -low.gap.value, abs_tol=1e-9)


@given(st.integers(1, 99))
def test_more_quantities_allow_each_less(planned: int) -> None:
    few, more = found([100.0], planned=planned), found([100.0], planned=planned + 1)
    assert few.allowed is not None and more.allowed is not None and few.allowed < more.allowed


def test_limits_are_students_for_the_mountings_of_the_baseline() -> None:
    difference, level_ = found([103.0], planned=10), usual()
    u = level_.scatter * math.sqrt(1.0 + 1.0 / 8.0)
    each = 1.0 - 0.99 ** (1.0 / 10.0)
    assert difference.allowed == pytest.approx(student_quantile(1.0 - each / 2.0, 7.0) * u, rel=1e-9)
    assert difference.bounds is not None
    assert difference.bounds[1] - 3.0 == pytest.approx(student_quantile(0.95, 7.0) * u, rel=1e-9)


def test_two_bounded_errors_reach_as_far_as_their_triangle_does() -> None:
    flat = {"a": Contribution(u=1.0, shape="rectangular"), "b": Contribution(u=-1.0, shape="rectangular")}
    triangle = 2.0 * math.sqrt(3.0) * (1.0 - math.sqrt(0.1))  # what 5 % of it lie beyond
    assert _reach(Quantity(value=0.0, unit="V", budget=flat), 0.05) == pytest.approx(triangle, rel=0.002)
    bell = {"a": Contribution(u=1.0), "b": Contribution(u=-1.0)}
    assert _reach(Quantity(value=0.0, unit="V", budget=bell), 0.05) == pytest.approx(1.645 * math.sqrt(2.0), rel=1e-3)


# --- what cancels, what adds -------------------------------------------------------------------------------


def test_what_both_took_from_one_thing_cancels_and_the_rest_adds() -> None:
    shared = difference_from(usual(arm=3.0), [run(100.0, arm=3.0)], ["one"], terms())
    other = difference_from(usual(arm=3.0), [run(100.0, another_arm=4.0)], ["one"], terms())
    assert shared.gap is not None and other.gap is not None
    assert "arm" not in shared.gap.budget
    assert other.gap.u**2 == pytest.approx(shared.gap.u**2 + 3.0**2 + 4.0**2)


def test_an_exchanged_supply_adds_its_uncertainty() -> None:
    gain = {"instrument__supply__current_gain": 0.02}
    against = baseline_of(scattered(6, **gain))
    same, other = (
        record({STIFFNESS: quantity(0.65, **gain)}, 9, instruments={**INSTRUMENTS, "supply": f"Maker,DC supply,{sn},1"})
        for sn in ("SN100", "SN999")
    )
    rule = Terms(planned=1, margins={"stiffness.open_loop": Detect(percent=6.0)})
    kept, swapped = (compare(against, [again], rule)[0] for again in (same, other))
    assert kept.gap is not None and swapped.gap is not None
    assert kept.gap.u < 0.006 and swapped.gap.u > 0.02
    assert (kept.finding, swapped.finding) == (Finding.EQUIVALENT, Finding.NOT_SEEN)
    assert "current_gain of instrument Maker DC supply SN999" in {source for source, _ in swapped.gap.shares()}


def test_a_falling_battery_is_no_difference_but_its_voltage_is() -> None:
    volts = "leaf.stiffness.supply_voltage"

    def at(number: int, value: float, supply_v: float) -> Record:
        values = {STIFFNESS: quantity(value), volts: Quantity(value=supply_v, unit="V")}
        return record({**values, volts: quantity(supply_v, "V")}, number)

    against = baseline_of([at(n, 0.65 + 0.002 * (-1) ** n, 12.0 + 0.002 * n) for n in range(6)])
    margins = {"stiffness.open_loop": Detect(percent=5.0), "stiffness.supply_voltage": Detect(percent=2.0)}
    by_name = {
        difference.name: difference
        for difference in compare(against, [at(9, 0.585, 10.8)], Terms(planned=2, margins=margins))
    }
    assert by_name[STIFFNESS].finding is Finding.EQUIVALENT
    assert by_name[STIFFNESS].measured == pytest.approx(0.65, abs=0.001)
    assert by_name[volts].finding is Finding.DIFFERENT
    flat = {
        difference.name: difference
        for difference in compare(against, [at(9, 0.45, 8.3)], Terms(planned=2, margins=margins))
    }
    assert flat[STIFFNESS].finding is Finding.UNDECIDED
    assert "more than 25% from the 12 V" in flat[STIFFNESS].reason


def test_readings_that_scatter_more_than_the_baselines_count() -> None:
    quiet, loud = found([100.0]), difference_from(usual(), [run(100.0, own_u=2.0)], ["one"], terms())
    assert quiet.gap is not None and loud.gap is not None
    assert loud.gap.budget[READINGS].u == pytest.approx(2.0)
    assert READINGS not in quiet.gap.budget


# --- repeats -----------------------------------------------------------------------------------------------


def test_repeats_over_mountings_shrink_the_scatter_and_repeats_in_one_do_not() -> None:
    values = [100.0, 100.4, 99.6, 100.0]
    one_mounting = found(values)
    apart = difference_from(usual(), [run(value) for value in values], list("abcd"), terms())
    assert one_mounting.gap is not None and apart.gap is not None
    s = usual().scatter
    assert one_mounting.gap.u == pytest.approx(s * math.sqrt(1.0 + 1.0 / 8.0))
    assert apart.gap.u == pytest.approx(s * math.sqrt(1.0 / 4.0 + 1.0 / 8.0))


def test_fewer_runs_in_the_mounting_than_the_baseline_has_scatter_more() -> None:
    labels = [str(n // 2) for n in range(12)]
    paired = level(NAME, [run(100.0 + SPREAD[n % 8]) for n in range(12)], labels)
    difference = difference_from(paired, [run(100.0)], ["one"], terms())
    two = difference_from(paired, [run(100.0), run(100.1)], ["one", "one"], terms())
    assert difference.gap is not None and two.gap is not None
    assert difference.gap.budget[WITHIN].u == pytest.approx(paired.within * math.sqrt(0.5))
    assert difference.gap.budget[WITHIN].dof == 6
    assert WITHIN not in two.gap.budget


def test_repeats_that_scatter_as_no_run_of_the_baseline_did_are_not_averaged() -> None:
    wild = found([90.0, 100.0, 110.0])
    assert wild.finding is Finding.UNDECIDED
    assert (
        wild.reason
        == "its repeats scatter, 11 times as much as the baseline's runs: look for what is loose, and repeat"
    )


# --- counts, angles, bad input -----------------------------------------------------------------------------


@pytest.mark.parametrize("count", [5, 6, 7, 11])
def test_counts_are_the_same_or_not(count: int) -> None:
    name = "leaf.commutation.direction"
    against = baseline_of([record({name: exact(1.0, "1")}, n) for n in range(count)])
    same, turned = (
        compare(against, [record({name: exact(value, "1")}, 99)], Terms(planned=1))[0] for value in (1.0, -1.0)
    )
    assert same.finding is Finding.EQUIVALENT and not same.reason
    assert turned.finding is Finding.DIFFERENT and turned.reason == "-1 where the baseline has 1"


def test_codes_are_told_with_what_they_say() -> None:
    name = "leaf.conduct.following"
    against = baseline_of([record({name: exact(0.0, "1")}, n) for n in range(5)])
    (found,) = compare(against, [record({name: exact(3.0, "1")}, 99)], Terms(planned=1))
    assert found.reason == "3 (one way only) where the baseline has 0 (as told)"


def test_a_count_against_a_measurement_is_undecided() -> None:
    difference = difference_from(usual(), [ComparableValue(lasting=exact(100.0, "V"), exact=True)], ["one"], terms())
    assert difference.finding is Finding.UNDECIDED
    assert difference.reason.startswith("counted in one of record and baseline")


def test_angles_meet_across_the_full_turn() -> None:
    against = baseline_of([record({ANGLE: quantity(0.01 * (-1) ** n, "rad")}, n) for n in range(6)])
    difference = compare(against, [record({ANGLE: quantity(math.tau - 0.01, "rad")}, 9)], Terms(planned=1))[0]
    assert difference.gap is not None and difference.gap.value == pytest.approx(-0.01)


def test_what_the_record_lacks_is_undecided_with_its_reason() -> None:
    against = baseline_of(scattered(5))
    absent, not_run = (
        compare(against, [record(values, 9)], Terms(planned=1))[0]
        for values in ({"leaf.stiffness.ratio": quantity(0.7, "1")}, {STIFFNESS: "needs a known torque"})
    )
    assert absent.reason == "not measured: the record does not have it"
    assert not_run.reason == "not measured: needs a known torque"
    assert absent.finding is not_run.finding is Finding.UNDECIDED


def test_too_few_records_are_undecided() -> None:
    difference = compare(baseline_of(scattered(4)), [record({STIFFNESS: quantity(2.0)}, 9)], Terms(planned=1))[0]
    assert difference.finding is Finding.UNDECIDED
    assert difference.reason == "its baseline has 4 of the 5 mountings that its scatter takes"


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"simulated": True}, "run9 is simulated, run1 of a real bench: simulated and real records are never compared"),
        ({"rig": "lock"}, r"run9 is of rig lock \(leaf, wheel\), run1 of rig sluice \(leaf, wheel\): expected one rig"),
    ],
)
def test_records_of_another_kind_are_refused(changed: dict[str, object], message: str) -> None:
    other = record({STIFFNESS: quantity(0.65)}, 9, **changed)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=message):
        compare(baseline_of(scattered(5)), [other], Terms(planned=1))


def test_a_record_of_the_baseline_is_not_compared_with_itself() -> None:
    records = scattered(5)
    with pytest.raises(UsageError, match="run3 is the same run as run3: expected each run once"):
        compare(baseline_of(records), [records[2]], Terms(planned=1))


def test_nothing_to_compare_and_labels_that_do_not_fit_are_refused() -> None:
    against = baseline_of(scattered(5))
    with pytest.raises(UsageError, match="expected a record to compare with the baseline, found none"):
        compare(against, [], Terms(planned=1))
    with pytest.raises(UsageError, match="expected a mounting for each of 1 records, found 2"):
        compare(against, [record({STIFFNESS: quantity(0.65)}, 9)], Terms(planned=1), ["a", "b"])
    with pytest.raises(UsageError, match="open_loop: baseline and record give it in N m/deg and N m/rad"):
        compare(against, [record({STIFFNESS: quantity(0.65, "N m/deg")}, 9)], Terms(planned=1))


def test_terms_are_checked() -> None:
    with pytest.raises(UsageError, match="needs at least 1 quantity, found 0"):
        Terms(planned=0)
    with pytest.raises(UsageError, match=r"lies between 0 and 0\.5, found 0\.7"):
        Terms(planned=1, equivalence_risk=0.7)


def test_a_margin_of_one_motor_comes_before_that_of_all() -> None:
    margins = {STIFFNESS: Detect(absolute=0.1), "stiffness.open_loop": Detect(percent=10.0)}
    against = baseline_of(scattered(5))
    difference = compare(against, [record({STIFFNESS: quantity(0.65)}, 9)], Terms(planned=1, margins=margins))[0]
    assert difference.margin == 0.1
