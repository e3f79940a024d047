"""A lot from its records: what stands together, what scatters boards and what shifts them, boards beside one."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from dataclasses import replace

import pytest

from harness.base.errors import UsageError
from harness.compare import Finding
from harness.lot.gathered import gather, mountings
from harness.lot.quantities import LotQuantity, quantities, too_few
from harness.lot.reference import compare_with_reference
from harness.nouns.results import Outcome
from tests.software.compare.records import INSTRUMENTS
from tests.software.lot.records import NAME, TEXT, boards, rise, run
from tests.software.record.contents import edited


def only(found: list[LotQuantity], name: str = NAME) -> LotQuantity:
    return next(quantity for quantity in found if quantity.name == name)


def test_runs_are_gathered_by_board_in_the_order_they_were_started():
    runs = boards(3)
    lot = gather("spring", list(reversed(runs)))
    assert list(lot.boards) == ["B01", "B02", "B03"]
    assert [lot_run.number for lot_run in lot.boards["B02"]] == [3, 4]
    assert [lot_run.number for lot_run in lot.runs] == [1, 2, 3, 4, 5, 6]
    assert (lot.rig, lot.simulated, lot.left_out, lot.remarks) == ("sluice", False, (), ())


def test_what_cannot_stand_with_the_others_is_left_out_with_the_reason():
    value = {NAME: rise(3.7)}
    runs = [
        *boards(2, repeats=1),
        run(11, None, value),
        run(12, "B03", value, finished=False),
        run(13, "B04", value, unique_id="one"),
        run(14, "B04", value, unique_id="other"),
        run(15, "B05", value, unique_id="same"),
        run(16, "B06", value, unique_id="same"),
        run(17, "B07", value, instruments={**INSTRUMENTS, "meter_leaf": "Maker,Multimeter,SN999,1.0"}),
        run(
            18,
            "B08",
            value,
            text=TEXT.replace("flux_linkage_v_s = { value = 6.6e-3", "flux_linkage_v_s = { value = 6.7e-3"),
        ),
        run(19, "B09", value, simulated=True),
    ]
    lot = gather("spring", runs)
    assert list(lot.boards) == ["B01", "B02"]
    assert lot.left_out == (
        "run 11: its board has no name: qualify it with --board ID",
        "run 12: did not come to its end",
        "board B04: two boards under one name: unique id one in run 13 and other in run 14",
        "board B05: one board under two names: unique id same was B05 in run 15 and B06 in run 16",
        "board B06: one board under two names: unique id same was B05 in run 15 and B06 in run 16",
        "run 17: another bench (instrument meter_leaf)",
        "run 18: another bench ([motor] of the rig file)",
        "run 19: another bench (rig sluice of simulated plant None in place of rig sluice)",
    )


def test_of_several_benches_the_one_with_most_boards_counts_not_the_one_with_most_runs():
    other = {**INSTRUMENTS, "meter_leaf": "Maker,Multimeter,SN999,1.0"}
    often = [run(20 + k, "B09", {NAME: rise(3.7)}, instruments=other) for k in range(5)]
    assert list(gather("spring", [*boards(2, repeats=1), *often]).boards) == ["B01", "B02"]


def test_a_lot_without_a_run_that_can_be_studied_is_refused():
    with pytest.raises(UsageError, match=r"lot spring: no run to study: run 1: did not come to its end"):
        gather("spring", [run(1, "B01", {NAME: rise(3.0)}, finished=False)])


def test_what_was_not_the_same_for_all_runs_is_said():
    other = TEXT.replace('"thermal.driver_rise" = { max = 6.0 }', '"thermal.driver_rise" = { max = 5.0 }')
    runs = [*boards(2, repeats=1), run(9, "B03", {NAME: rise(3.7)}, firmware="f2", scripts="s2", text=other)]
    lot = gather("spring", runs)
    assert len(lot.boards) == 3
    assert [remark.split(" was")[0].split(" were")[0] for remark in lot.remarks] == [
        "firmware", "rotorgate or its device scripts", "requirements",
    ]  # fmt: skip
    assert only(quantities(lot)).requirement.high == 5.0


def test_repeats_of_one_command_are_one_mounting():
    runs = [run(n, "B01", {}, repeat=(k, 2)) for n, k in ((1, 1), (2, 2), (3, 1), (4, 1), (5, 2))]
    labels = mountings(runs)
    assert [labels.index(label) for label in labels] == [0, 0, 2, 3, 3]


def test_repeats_shrink_type_a_and_leave_type_b():
    def board_of(count):
        values = [
            run(k, "B01", {NAME: rise(3.7, 0.02, instrument__meter_leaf__voltage=0.05)}) for k in range(1, count + 1)
        ]
        return only(quantities(gather("spring", values))).boards["B01"]

    alone, four = board_of(1), board_of(4)
    assert (alone.runs, four.runs) == (1, 4)
    assert alone.mean.u == pytest.approx(math.hypot(0.05, 0.02))
    assert four.mean.u == pytest.approx(math.hypot(0.05, 0.01))
    assert four.mean.u_type_a == pytest.approx(0.01)


def test_runs_that_scatter_more_than_their_readings_widen_every_board():
    quiet = only(quantities(gather("spring", boards(10, repeats=3, noise=0.02))))
    runs = [
        run(3 * b + k, f"B{b:02d}", {NAME: rise(3.7 + 0.01 * b + 0.3 * (k - 1), 0.02)}, repeat=(k + 1, 3))
        for b in range(10)
        for k in range(3)
    ]
    loose = only(quantities(gather("spring", runs)))
    mean = loose.boards["B03"].mean
    assert mean.u == pytest.approx(0.3 / math.sqrt(3.0), rel=0.01)  # 0.3 is the standard deviation of -0.3, 0, 0.3
    assert quiet.boards["B03"].mean.u < 0.06


def test_what_shifts_all_boards_is_told_from_what_scatters_them():
    noise, s = 0.2, 0.4
    found = only(quantities(gather("spring", boards(30, s=s, repeats=4, noise=noise))))
    assert found.noise == pytest.approx(noise / 2.0, rel=0.15)
    assert found.between == pytest.approx(s, rel=0.35)
    assert found.s == pytest.approx(math.hypot(found.noise, found.between))
    assert found.shift == pytest.approx(0.95 * math.sqrt(3.0) * 0.05, rel=0.02)  # one rectangular part, all of it kept
    assert found.s == pytest.approx(statistics.stdev(value.mean.value for value in found.boards.values()))


def test_too_few_boards_give_a_table_and_no_figure():
    lot = gather("spring", boards(7))
    found = only(quantities(lot))
    assert too_few(lot) == found.why_not == "too few boards (7 of 10)"
    assert found.capability is None
    assert [value.verdict.outcome for value in found.boards.values()] == [Outcome.CONFORMING] * 7
    assert too_few(gather("spring", boards(10))) == ""


def test_boards_that_were_not_measured_do_not_count_and_are_named():
    runs = [*boards(10), run(90, "B99", {NAME: "needs a supply"})]
    found = only(quantities(gather("spring", runs)))
    assert found.missing == {"B99": "needs a supply"}
    assert found.capability is not None
    assert found.capability.boards == 10


def test_a_quantity_without_a_requirement_and_a_count_have_no_capability():
    exact = {"leaf.commutation.pole_pairs": rise(11.0, 0.0), "leaf.thermal.fast_rise": rise(9.0)}
    found = quantities(gather("spring", [run(k, f"B{k:02d}", exact) for k in range(1, 12)]))
    assert only(found, "leaf.thermal.fast_rise").why_not == "no requirement in the rig file"
    assert only(found, "leaf.commutation.pole_pairs").exact


def test_the_verdict_is_on_the_mean_with_guard_bands():
    def outcome(value):
        return (
            only(quantities(gather("spring", [run(1, "B01", {NAME: rise(value, 0.05)})]))).boards["B01"].verdict.outcome
        )

    assert [outcome(value) for value in (5.8, 5.98, 6.05, 6.5)] == [
        Outcome.CONFORMING, Outcome.UNDECIDED, Outcome.UNDECIDED, Outcome.NONCONFORMING,
    ]  # fmt: skip


def test_a_gauge_that_is_too_coarse_leaves_a_mean_undecided_as_it_does_a_run():
    runs = boards(3)
    entry = {"name": NAME, "grr": 0.4, "mean": 3.7, "largest": "repeats", "study": 2, "made_utc": "2026-01-01"}
    studied = edited(runs[-1].record, gauge={"quantities": [entry], "remarks": []})
    (found,) = quantities(gather("spring", [*runs[:-1], replace(runs[-1], record=studied)]))
    verdicts = [value.verdict for value in found.boards.values()]
    assert {verdict.outcome for verdict in verdicts if verdict} == {Outcome.UNDECIDED}
    assert all("the gauge takes 52 % of the tolerance" in verdict.reason for verdict in verdicts if verdict)
    (found,) = quantities(gather("spring", runs))
    assert {value.verdict.outcome for value in found.boards.values() if value.verdict} == {Outcome.CONFORMING}


def test_what_belongs_to_the_bench_cancels_between_boards_and_what_belongs_to_a_board_does_not():
    def apart(source):
        runs = [run(k, f"B{k:02d}", {NAME: rise(3.7 + 0.1 * k, 0.01, **{source: 0.05})}) for k in (1, 2)]
        lot = gather("spring", runs)
        found = compare_with_reference(lot, "B01", quantities(lot)).by_board["B02"][0]
        assert found.found.finding is Finding.UNDECIDED
        return found.apart

    for source in ("instrument__meter_leaf__voltage", "motor__leaf__load__mass_kg", "motor__leaf__resistance_ohm"):
        assert apart(source).u == pytest.approx(0.01 * math.sqrt(2.0), rel=1e-6), source
    for source in ("driver__on_resistance_ohm", "firmware__dead_time_s", "gate driver's converter, hot"):
        assert apart(source).u == pytest.approx(math.hypot(0.05, 0.05, 0.01, 0.01), rel=1e-6), source
    assert apart("firmware__gain_per_rad").u == pytest.approx(0.01 * math.sqrt(2.0), rel=1e-6)
    assert apart("driver__on_resistance_ohm").value == pytest.approx(0.1)


def reference_runs(count, value=3.7):
    return [
        run(2 * k, "B00", {NAME: rise(value + 0.01 * (k % 3 - 1), 0.01)}, repeat=(1, 1)) for k in range(1, count + 1)
    ]


@pytest.mark.parametrize(("count", "word"), [(1, Finding.UNDECIDED), (4, Finding.UNDECIDED), (6, Finding.DIFFERENT)])
def test_a_reference_board_of_few_mountings_decides_nothing(count, word):
    text = TEXT.replace('"thermal.driver_rise" = { percent = 110 }', '"thermal.driver_rise" = { percent = 10 }')
    runs = [*reference_runs(count), run(41, "B02", {NAME: rise(4.9, 0.01)})]
    lot = gather("spring", runs)
    found = compare_with_reference(lot, "B00", quantities(lot))
    assert found.mountings == count
    (difference,) = found.by_board["B02"]
    assert difference.apart is not None
    assert difference.apart.value == pytest.approx(1.2, abs=0.02)
    if word is Finding.UNDECIDED:
        assert difference.found.finding is word
        assert f"has {count} of the 5 mountings" in difference.found.reason
    else:  # the demo's margin is 110 %: seen, and inside the margin
        assert difference.found.finding is Finding.EQUIVALENT
        assert "is seen, and lies inside the margin" in difference.found.reason
        narrow = [run(o.number, o.board, {r.name: r.quantity for r in o.record.results}, text=text) for o in runs]
        lot = gather("spring", narrow)
        assert compare_with_reference(lot, "B00", quantities(lot)).by_board["B02"][0].found.finding is Finding.DIFFERENT


def test_the_more_boards_the_more_decisions_share_the_risk():
    def allowed(count):
        runs = [*reference_runs(8), *(run(60 + k, f"B{k:02d}", {NAME: rise(3.7, 0.01)}) for k in range(1, count + 1))]
        lot = gather("spring", runs)
        found = compare_with_reference(lot, "B00", quantities(lot))
        assert Counter(len(those) for those in found.by_board.values()) == {1: count}
        return found.by_board["B01"][0].found.allowed

    assert allowed(1) < allowed(5) < allowed(20)


def test_a_reference_board_that_is_not_in_the_lot_is_refused():
    lot = gather("spring", boards(2))
    assert compare_with_reference(lot, "B01", quantities(lot)).by_board["B02"][0].found.allowed is None
    with pytest.raises(UsageError, match="--reference B9: not in lot spring; it has B01, B02"):
        compare_with_reference(lot, "B9", [])


def test_what_the_procedure_leaves_open_adds_between_boards_however_many_mountings_there_are():
    def found(source):
        own = [run(k, "B00", {NAME: rise(3.7 + 0.001 * k, 0.01, **{source: 0.05})}) for k in range(1, 7)]
        lot = gather("spring", [*own, run(9, "B01", {NAME: rise(3.8, 0.01, **{source: 0.05})})])
        return compare_with_reference(lot, "B00", quantities(lot)).by_board["B01"][0].found.gap.u

    assert found("instrument__meter_leaf__voltage") < 0.02
    assert found("gate driver's converter, hot") > 0.07
