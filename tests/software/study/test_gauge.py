"""The gauge of a quantity: what it is called and why, what it cannot be called, where each run stands."""

from __future__ import annotations

import json
import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode, UsageError
from harness.judge.verdict import tolerance_share
from harness.nouns.quantity import exact
from harness.nouns.results import Fitness, Requirement
from harness.record import Record
from harness.study.design import Cell, design
from harness.study.result import GaugeResult
from harness.study.study import GaugeStudy, gauge_study
from tests.software.compare.records import quantity
from tests.software.record.contents import RIG, content_of, edited
from tests.software.study.runs import ONLY_RISE, RISE, SPREAD, STIFFNESS, run, runs


def rise(study: GaugeStudy, name: str = RISE) -> GaugeResult:
    return next(result for result in study.quantities if result.name == name)


def test_a_good_bench_is_fit_and_every_number_is_the_manuals():
    study = gauge_study(runs())
    found = rise(study)
    assert (study.headline, study.exit_code) == ("1 fit", ExitCode.AGREES)
    assert study.design.words == "4 boards x 3 benches x 2 days x 2 runs"
    assert (found.word, found.binding) == (Fitness.FIT, True)
    assert found.grr == pytest.approx(math.hypot(found.ev, found.av, found.interaction))
    assert found.tv == pytest.approx(math.hypot(found.grr, found.pv))
    assert found.ndc == math.floor(1.41 * found.pv / found.grr) >= 2
    assert found.share == pytest.approx(3.0 * found.grr / (60.0 - found.mean))
    assert found.grr_limits[0] < found.grr < found.grr_limits[1]
    assert found.share_limits[0] < found.share < found.share_limits[1]
    assert found.ev == pytest.approx(0.05, rel=0.4)


@pytest.mark.parametrize(
    ("s", "largest"),
    [
        ((0.2, 3.0, 0.05, 0.1), "reproducibility between benches; what would help: calibrate the benches"),
        ((0.2, 0.05, 3.0, 0.1), "reproducibility between days; what would help: find what changes overnight"),
        ((0.2, 0.05, 0.05, 3.0), "repeatability; what would help: more readings a run"),
    ],
)
def test_a_coarse_gauge_is_called_so_with_its_largest_part(s, largest):
    study = gauge_study(runs(s=s))
    found = rise(study)
    assert (study.headline, study.exit_code) == ("1 too coarse", ExitCode.UNDECIDED)
    assert found.share > 0.3
    assert f"takes {100 * found.share:.0f} % of the tolerance" in found.reason
    assert f"at most 30 %; largest part: {largest}" in found.reason


def test_the_rig_file_says_how_much_the_gauge_may_take():
    found = rise(gauge_study(runs()))
    most = found.share / 2.0
    strict = ONLY_RISE.replace("[rig]\n", f"[rig]\ngauge_share_max = {most:.3f}\n")
    assert rise(gauge_study(runs(text=strict))).word is Fitness.COARSE


def test_what_was_not_studied_is_said_and_no_zero():
    one_bench = gauge_study(runs(benches=1, days=1, repeats=4))
    found = rise(one_bench)
    assert (found.word, found.av, found.interaction) == (Fitness.NOT_TOLD, None, None)
    assert not found.binding, "no verdict is held against repeats that are few of a gauge's parts"
    assert "repeatability alone takes" in found.reason
    assert "reproducibility was not studied" in found.reason
    assert any("one bench" in remark for remark in one_bench.remarks)
    assert any("one day" in remark for remark in one_bench.remarks)
    one_board = gauge_study(runs(boards=1))
    found = rise(one_board)
    assert (found.pv, found.tv, found.ndc, found.interaction) == (None, None, None, None)
    assert found.word is Fitness.FIT
    assert any("one board" in remark for remark in one_board.remarks)
    days = rise(gauge_study(runs(benches=1, days=5)))
    assert days.av is not None
    assert days.word is Fitness.FIT


def test_a_coarse_repeatability_alone_is_enough_to_say_so():
    found = rise(gauge_study(runs(benches=1, days=1, repeats=4, s=(0.2, 0, 0, 3.0))))
    assert found.word is Fitness.COARSE
    assert found.binding, "what is too coarse by its repeats alone is no better for what was not studied"


def test_requirements_are_those_of_the_newest_run_whatever_the_order():
    those = sorted(runs(), key=lambda record: record.started)
    newest = edited(those[-1], rig={**RIG, "text": ONLY_RISE.replace("60.0", "70.0")})
    for order in ([*those[:-1], newest], [newest, *those[:-1]]):
        assert rise(gauge_study(order)).requirement == Requirement(name="thermal.rise", high=70.0)


def test_few_repeats_say_too_little_of_their_scatter():
    found = rise(gauge_study(runs(boards=1, benches=1, days=1, repeats=4)))
    assert found.word is Fitness.NOT_TOLD
    assert found.reason == "3 of the 4 degrees of freedom that its repeatability takes: more runs a board"


def test_readings_that_are_all_alike_tell_nothing_and_counts_do():
    those = runs(s=(0.0, 0.0, 0.0, 0.0))
    found = rise(gauge_study(those))
    assert (found.word, found.grr) == (Fitness.NOT_TOLD, None)
    assert "all readings are alike" in found.reason
    text = ONLY_RISE + '"commutation.pole_pairs" = { min = 10.5 }\n'
    name = "leaf.commutation.pole_pairs"
    counted = [run({name: exact(11.0, "1")}, k, board=f"b{k % 2}", bench=k // 2 % 2, text=text) for k in range(8)]
    found = rise(gauge_study(counted), name)
    assert (found.word, found.grr, found.share) == (Fitness.FIT, 0.0, 0.0)


def test_few_different_readings_are_said():
    those = runs(s=(0.0, 0.0, 0.0, 0.0))
    mixed = [_with_rise(record, 50.0 + k % 3) for k, record in enumerate(those)]
    assert "fall on 3 values only" in rise(gauge_study(mixed)).remarks[0]


def _with_rise(record: Record, value: float) -> Record:
    made = run({RISE: quantity(value, "K")}, 1)
    return edited(record, measurements=content_of(made)["measurements"])


def test_an_understated_budget_is_a_finding():
    understated = rise(gauge_study(runs(claimed=0.001)))
    assert "its budget is understated: repeats alone scatter" in understated.remarks[-1]
    benches = rise(gauge_study(runs(s=(0.2, 4.0, 0.05, 0.05))))
    assert "than a run's budget claims: benches and days differ" in benches.remarks[-1]
    assert rise(gauge_study(runs(claimed=1.0, s=(3.0, 0.05, 0.05, 0.05)))).remarks == ()


def test_boards_that_are_not_told_apart_are_said_and_decide_nothing():
    found = rise(gauge_study(runs(claimed=1.0, s=(0.0, 0.05, 0.05, 0.05))))
    assert (found.word, found.ndc) == (Fitness.FIT, 0)
    assert found.remarks == (
        "tells no groups of these boards apart, where 5 are wanted: they are alike, or it is coarse",
    )


def test_a_run_without_the_value_leaves_the_quantity_untold():
    those = runs()
    lost = those[5]
    those[5] = run({RISE: "the fan had stopped"}, 99)
    those[5] = edited(those[5], **{key: content_of(lost)[key] for key in ("board", "instruments", "started_utc")})
    study = gauge_study(those)
    assert rise(study).word is Fitness.NOT_TOLD
    assert rise(study).reason == "not measured in 1 of 48 runs: the fan had stopped"
    assert study.exit_code is ExitCode.UNDECIDED


def test_requirements_that_no_run_measures_are_not_fit():
    text = ONLY_RISE + '"commutation.step_spread" = { max = 0.02 }\n'
    study = gauge_study(runs(text=text))
    assert study.headline == "1 fit, 1 not told"
    assert study.quantities[-1].reason == "none of these runs measures it"
    assert study.exit_code is ExitCode.UNDECIDED


def test_without_a_requirement_there_is_nothing_to_be_fit_for():
    study = gauge_study(runs(text=ONLY_RISE.partition("[requirements]")[0]))
    found = rise(study)
    assert (found.word, found.share, study.exit_code) == (Fitness.UNASKED, None, ExitCode.UNDECIDED)
    assert found.grr > 0.0


def test_supply_and_room_are_not_the_gauges_fault():
    """Stiffness of one board at two supply voltages: alike once referred."""
    dice, volts = Random(2), "leaf.stiffness.supply_voltage"
    those = []
    for number in range(12):
        supply = 11.0 if number % 2 else 12.0
        held = 0.65 * supply / 12.0 * (1.0 + dice.gauss(0.0, 0.001))
        values = {STIFFNESS: quantity(held), volts: quantity(supply, "V", 0.001)}
        those.append(run(values, number, day=1 + number // 4))
    assert rise(gauge_study(those), STIFFNESS).grr < 0.003


def test_angles_round_zero_are_neighbours():
    name = "leaf.commutation.offset"
    those = [run({name: quantity(k * 0.001 % math.tau, "rad")}, k + 5, day=1 + k % 2) for k in range(-4, 4)]
    assert rise(gauge_study(those), name).grr < 0.01


@given(
    st.sampled_from([(None, 10.0), (1.0, None), (2.0, 6.0)]),
    st.floats(-20.0, 20.0),
    st.floats(1e-6, 5.0),
    st.floats(0.1, 10.0),
)
def test_the_share_grows_with_scatter_and_not_with_the_unit(ends, mean, grr, scale):
    requirement = Requirement(name="", low=ends[0], high=ends[1])
    share = tolerance_share(grr, mean, requirement)
    moved = Requirement(name="", low=ends[0] and scale * ends[0], high=ends[1] and scale * ends[1])
    assert tolerance_share(scale * grr, scale * mean, moved) == pytest.approx(share, rel=1e-6)
    assert tolerance_share(2.0 * grr, mean, requirement) >= share


def test_shares_as_they_are_defined():
    both = Requirement(name="", low=2.0, high=6.0)
    assert tolerance_share(0.2, 99.0, both) == pytest.approx(6 * 0.2 / 4)
    assert tolerance_share(0.2, 9.0, Requirement(name="", high=10.0)) == pytest.approx(0.6)
    assert tolerance_share(0.2, 9.0, Requirement(name="", low=7.0)) == pytest.approx(0.3)
    assert tolerance_share(0.2, 10.0, Requirement(name="", high=10.0)) == math.inf
    assert tolerance_share(0.0, 10.0, Requirement(name="", high=10.0)) == 0.0
    assert tolerance_share(0.2, 1.0, Requirement(name="", low=0.0)) == pytest.approx(0.6)


# --- where runs stand ---------------------------------------------------------------------------


def grid(boards: str, benches: str, days: str, repeats: int) -> list[Cell]:
    return [Cell(a, b, d) for a in boards for b in benches for d in days for _ in range(repeats)]


@given(st.integers(1, 3), st.integers(1, 3), st.integers(1, 3), st.integers(1, 3), st.randoms())
def test_any_order_of_a_crossed_design_is_found(a, b, d, n, dice):
    those = grid("abc"[:a], "xyz"[:b], "123"[:d], n)
    dice.shuffle(those)
    found = design(those)
    assert found.order.shape == (a, b, d, n)
    assert not found.nested or d == 1
    for (i, j, k, _), number in zip(
        ((i, j, k, r) for i in range(a) for j in range(b) for k in range(d) for r in range(n)),
        found.order.flat,
        strict=True,
    ):
        assert those[number] == Cell(found.boards[i], found.benches[j], found.days[k])
    assert sorted(found.order.flat) == list(range(len(those)))


def test_days_of_one_bench_are_nested_in_it():
    those = grid("ab", "x", "12", 2) + grid("ab", "y", "34", 2)
    found = design(those)
    assert (found.nested, found.order.shape, found.days_studied) == (True, (2, 2, 2, 2), True)
    assert found.words == "2 boards x 2 benches x 2 days on each x 2 runs"
    single = design(grid("ab", "x", "1", 2) + grid("ab", "y", "2", 2))
    assert (single.nested, single.days_studied) == (True, False)


@pytest.mark.parametrize(
    ("those", "words"),
    [
        (grid("ab", "xy", "1", 2)[:-1], "board b has 1 run on bench y on day 1, where others have 2"),
        (grid("ab", "xy", "1", 2)[:-2], "board b has 0 runs on bench y on day 1, where others have 2"),
        (
            grid("a", "x", "12", 2) + grid("b", "x", "1", 2),
            "board b has 0 runs on bench x on day 2, where others have 2",
        ),
        (
            grid("a", "x", "1", 1) + grid("a", "x", "2", 3) + grid("b", "x", "12", 3),
            "board a has 1 run on bench x on day 1",
        ),
    ],
)
def test_what_is_not_crossed_evenly_is_refused_with_the_cell_that_lacks_what(those, words):
    with pytest.raises(UsageError, match=words):
        design(those)


def test_every_bench_on_a_day_of_its_own_is_said():
    those = [
        run({RISE: quantity(50.0 + 0.1 * k, "K")}, k, board=f"b{k % 2}", bench=k // 4, day=1 + k // 4) for k in range(8)
    ]
    remarks = gauge_study(those).remarks
    assert "every bench had a day of its own: what days differ by stands in what benches differ by" in remarks


def test_labels_go_before_what_the_records_say():
    those = runs(boards=2, benches=1, days=1, repeats=6)
    labels = [f"day {k}" for k in range(len(those))]
    by_board: dict[str, int] = {}
    for k, record in enumerate(those):
        name = record.board.unique_id
        by_board[name] = by_board.get(name, 0) + 1
        labels[k] = f"day {(by_board[name] + 1) // 2}"
    study = gauge_study(those, days=labels)
    assert study.design.words == "2 boards x 1 bench x 3 days x 2 runs"
    assert study.design.days == ("day 1", "day 2", "day 3")


def test_a_day_is_a_date_in_utc():
    those = [run({RISE: quantity(50.0 + 0.1 * k, "K")}, k, day=3) for k in range(6)]
    for k, record in enumerate(those[:3]):
        those[k] = edited(record, started_utc=f"2026-01-04T01:00:0{k}+05:00")
    assert gauge_study(those).design.days == ("2026-01-03",)


def test_benches_are_named_by_what_differs_and_simulated_ones_by_their_plant():
    assert gauge_study(runs()).design.benches == tuple(f"supply Maker DC supply SN{k}" for k in (1, 2, 3))
    assert gauge_study(runs(benches=1)).design.benches == ("sluice",)
    plants = [run({RISE: quantity(50.0 + 0.1 * k, "K")}, k, simulated=True, plant_seed=k % 2 or None) for k in range(8)]
    study = gauge_study(plants)
    assert study.design.benches == ("nominal plant", "plant 1")
    assert any(remark.startswith("SIMULATED") for remark in study.remarks)


def test_what_cannot_stand_together_is_refused():
    with pytest.raises(UsageError, match="expected several of each board, found none"):
        gauge_study([])
    with pytest.raises(UsageError, match="did not come to its end"):
        gauge_study([run({RISE: quantity(50.0)}, 1, finished=False)])
    with pytest.raises(UsageError, match="nothing was repeated"):
        gauge_study([run({RISE: quantity(50.0)}, 1)])
    with pytest.raises(UsageError, match="simulated and real"):
        gauge_study([run({RISE: quantity(50.0)}, 1), run({RISE: quantity(50.0)}, 2, simulated=True)])


def test_what_is_kept_of_a_study_is_json():
    content = gauge_study(runs(mean=60.0, s=(0, 0, 0, 1.0))).content([1, 2])
    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert content["quantities"][0]["word"] == "too coarse"
    assert SPREAD not in str(content)
