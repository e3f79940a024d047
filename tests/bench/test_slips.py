"""How the catalogue of slips is tried: what is right of a run, what is kept, and what is seen from inside."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from rigs_demo.plant import Plant, drawing
from rigs_demo.slips import Slip, slip_of
from tests.bench import slips, trials
from tests.bench.cases import OtherBench
from tests.bench.slips import fits, judged, row, written, wrongs
from tests.bench.trials import Ended, Finding, Trials, trial_of
from tests.bench.witness import left_in

SLIP = slip_of("off-keeps-enable")
HARMLESS = slip_of("stop-is-off")
FOUND = Finding(name="conduct.left_live", word="nonconforming", bad=True, reason="the enable pin is active after off")
OPEN = Finding(name="step.delay", word="cannot tell", bad=False, reason="take a larger step")
RIGHT = Ended(
    key="off-keeps-enable_nominal_seed-1",
    folder="run",
    exit_code=1,
    findings=(FOUND, OPEN),
    causes=(),
    said="",
    driven=(),
    duties=(),
    supply=False,
    time_ms=1234.0,
)
RELEASED = replace(RIGHT, exit_code=0, findings=())


def test_a_slip_that_is_found_named_and_refused_is_right() -> None:
    assert list(wrongs(SLIP, RIGHT, "refuse")) == []
    assert list(wrongs(HARMLESS, RELEASED, "release")) == []


@pytest.mark.parametrize(
    ("slip", "ended", "word", "wrong"),
    [
        (SLIP, replace(RIGHT, driven=("leaf",)), "refuse", "energised at the end: bridge of leaf"),
        (SLIP, replace(RIGHT, duties=("leaf", "wheel")), "refuse", "duties of leaf and duties of wheel"),
        (SLIP, replace(RIGHT, driven=None), "refuse", "energised at the end: not known"),
        (SLIP, replace(RIGHT, exit_code=2), "refuse", "exit 2"),
        (SLIP, replace(RIGHT, exit_code=3), "refuse", "exit 3"),
        (SLIP, replace(RIGHT, exit_code=None), "refuse", "exit None"),
        (SLIP, RIGHT, "", "not refused"),
        (SLIP, RIGHT, "release", "not refused"),
        (SLIP, replace(RIGHT, findings=(replace(FOUND, name="stiffness.friction"),)), "refuse", "found by stiffness"),
        (SLIP, replace(RIGHT, findings=(OPEN,)), "refuse", "nothing differs"),
        (SLIP, replace(RIGHT, findings=(replace(FOUND, reason="friction"),)), "refuse", "no cause with enable"),
        (HARMLESS, RIGHT, "release", "exit 1 of what is harmless"),
        (HARMLESS, RELEASED, "refuse", "refuse"),
        (HARMLESS, RELEASED, "undecided", "undecided"),
        (HARMLESS, replace(RELEASED, driven=("leaf",)), "release", "energised at the end"),
    ],
)
def test_what_is_not_as_it_should_be_is_told(slip: Slip, ended: Ended, word: str, wrong: str) -> None:
    assert any(wrong in line for line in wrongs(slip, ended, word)), list(wrongs(slip, ended, word))


def test_a_board_that_answers_nothing_ends_with_3_its_supply_off() -> None:
    slip = slip_of("interrupts-held")
    ended = replace(RIGHT, exit_code=3, findings=(), driven=("leaf",), duties=("leaf",))
    assert list(wrongs(slip, ended, "undecided")) == []
    assert any("energised" in line for line in wrongs(slip, replace(ended, supply=True), "undecided"))
    assert list(wrongs(slip, replace(ended, exit_code=0), "release")) == [
        "exit 0 of a board that answers nothing",
        "release",
    ]


def test_a_refusal_before_anything_is_measured_is_found_where_it_is_expected() -> None:
    refused = replace(RIGHT, findings=(), said="firmware: declare(0): direction is missing")
    assert list(wrongs(slip_of("declares-no-direction"), refused, "refuse")) == []
    assert "nothing differs" in list(wrongs(SLIP, refused, "refuse"))


def test_a_finding_is_one_of_those_wanted_by_itself_or_as_a_part() -> None:
    assert fits("step.delay", ["step"])
    assert fits("conduct.off_duties", ["conduct.off"])
    assert fits("stiffness.closed_loop", ["loop"])
    assert not fits("conduct.offset", ["conduct.off"])
    assert not fits("commutation.limits", ["loop"])


@pytest.mark.parametrize(
    ("name", "checks"),
    [
        ("off-is-slow", ("commutation",)),
        ("gain-halved", ("commutation", "stiffness", "step")),
        ("duties-order", ("commutation", "thermal")),
        ("stop-is-off", ("commutation",)),
    ],
)
def test_a_drawn_plant_is_tried_with_the_checks_that_show_the_slip(name: str, checks: tuple[str, ...]) -> None:
    assert slips.shown_by(slip_of(name)) == checks


def test_a_drawn_plant_is_tried_by_more_checks_only_where_the_first_show_nothing(monkeypatch) -> None:
    asked: list[trials.Trial] = []

    class Known(Trials):
        def __init__(self) -> None:
            """Of no folder."""

        def run_all(self, some):
            asked.extend(some := list(some))
            shown = {"off-keeps-enable", "gain-halved"}
            return [replace(RIGHT, exit_code=int(trial.slip in shown), driven=()) for trial in some]

    monkeypatch.setattr(slips, "refusal", lambda ended: "refuse" if ended.exit_code == 1 else "")
    some = [slip_of(name) for name in ("off-keeps-enable", "gain-halved", "reading-delayed", "stop-is-off")]
    found = slips.drawn(Known(), some, 2)
    assert {name: len(judgements) for name, judgements in found.items()} == {slip.name: 2 for slip in some}
    assert [(trial.slip, trial.only) for trial in asked if trial.plant_seed == 1] == [
        ("off-keeps-enable", ("commutation",)),
        ("reading-delayed", ("commutation",)),
        ("stop-is-off", ("commutation",)),
        ("gain-halved", ("commutation", "stiffness", "step")),
        ("reading-delayed", ("commutation", "stiffness", "step")),
    ]


def test_results_are_renewed_only_where_some_slips_end_as_they_did(tmp_path: Path, monkeypatch) -> None:
    ends = [replace(RIGHT, causes=("a field is 0.52 times as strong",))]

    class Known(Trials):
        def __init__(self) -> None:
            """Of no folder."""

        def run_all(self, _some):
            return ends

    then = slips.sample(Known(), [SLIP])
    ends[0] = replace(ends[0], causes=("a field is 0.5 times as strong",), time_ms=1.0)
    assert slips.sample(Known(), [SLIP]) == then
    for other in ({"exit_code": 0}, {"findings": ()}, {"causes": ("a field is twice as strong",)}, {"driven": None}):
        ends[0] = replace(RIGHT, **{"causes": ("a field is 0.52 times as strong",), **other})
        assert slips.sample(Known(), [SLIP]) != then


def test_the_tables_count_and_name_what_is_not_found() -> None:
    missed = judged(SLIP, replace(RIGHT, exit_code=0, findings=()), "release")
    fine = judged(HARMLESS, RELEASED, "release")
    text, off = written([missed, fine], {SLIP.name: [missed], HARMLESS.name: [fine]})
    assert off == 1
    assert text.startswith("1 of 2 slips are as they should be")
    assert "Nothing was energised at the end of 4 of 4 runs" in text
    assert "## Not found, and what would find it\n\n" in text
    assert "| `off-keeps-enable` | one of conduct.left_live, conduct.passes_after_off, " in text
    cells = row(fine, [fine])
    assert (cells[0], cells[4], cells[-1]) == ("`stop-is-off`", "0", "1 of 1")
    assert all("|" not in cell and "\n" not in cell for cell in cells)
    assert written([fine], {})[1] == 0


def test_what_a_bench_is_left_in_is_seen_from_inside() -> None:
    plant = Plant(drawing.load("sluice"))
    bench = SimpleNamespace(plant=plant, now_ns=2_000_000)
    assert left_in(bench) == {"driven": [], "duties": [], "supply": False, "time_ms": 2.0}
    plant.set_enabled(1, True)
    plant.set_duty(0, 2, 0.25)
    plant.supply.set_output(True)
    plant.advance_to(1_000_000)
    assert left_in(bench) == {"driven": ["wheel"], "duties": ["leaf"], "supply": True, "time_ms": 2.0}


def test_runs_of_other_sources_are_not_taken_for_todays(tmp_path: Path) -> None:
    Trials(tmp_path, 1)
    (tmp_path / "measured-by").write_text("0123", encoding="utf-8")
    with pytest.raises(OtherBench, match="found those of 0123"):
        Trials(tmp_path, 1)


def test_a_trial_is_kept_until_its_firmware_is_another_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def qualified(trial: trials.Trial, folder: Path) -> Ended:
        asked.append(trial.key)
        return replace(RIGHT, key=trial.key, folder=str(folder))

    monkeypatch.setattr(trials, "_qualified", qualified)
    some = [trial_of("off-keeps-enable", 1), trial_of("off-is-slow", 1, 3, ("step",))]
    first = Trials(tmp_path, 2).run_all(some)
    assert Trials(tmp_path, 2).run_all(some) == first
    assert sorted(asked) == ["off-is-slow_plant-3_seed-1_only-step", "off-keeps-enable_nominal_seed-1"]
    note = tmp_path / first[0].key / "ended.json"
    note.write_text(json.dumps({**json.loads(note.read_text(encoding="utf-8")), "sha256": "other"}), encoding="utf-8")
    assert Trials(tmp_path, 2).run_all(some) == first
    assert asked.count(first[0].key) == 2


def test_an_unknown_slip_is_wrong_use(tmp_path: Path, monkeypatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("sys.argv", ["slips", "--out", str(tmp_path), "--only", "none-such"])
    assert slips.main() == 4
    assert "expected a name that `python -m rigs_demo slips` lists, found 'none-such'" in capsys.readouterr().err


@pytest.mark.board
@pytest.mark.slow
def test_a_firmware_is_qualified_on_a_bench_that_tells_what_it_was_left_in(tmp_path: Path) -> None:
    (ended,) = Trials(tmp_path, 1).run_all([trial_of("field-order", 1, only=("commutation",))])
    assert ended.exit_code == 1
    assert (ended.findings[0].name, ended.findings[0].word) == ("commutation.direction", "differs")
    assert any("B and C" in cause for cause in ended.causes)
    assert ended.energised == "nothing"
    assert ended.supply is False
    assert ended.time_ms is not None
    assert ended.time_ms > 0.0
    assert slips.refusal(ended) == "refuse"
