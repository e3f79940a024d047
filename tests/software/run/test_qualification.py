"""The run of a qualification: order, preconditions, trouble of every kind, and what is left in the record."""

from __future__ import annotations

import os
import signal

import pytest

from harness.base.errors import (  # fmt: skip
    BenchError,
    ExitCode,
    FirmwareFault,
    HarnessError,
    InstrumentError,
    LinkError,
    MeasurementError,
    MissingCapability,
)
from harness.bench.safe import StepOutcome, StopSignal, UnsafeBench, note_unsafe, stop_on_signals
from harness.bench.stops import StoppedByGuard
from harness.nouns.contract import PARTS
from harness.nouns.results import Outcome, VerdictKind
from harness.plan.order import runs, selected_checks
from harness.record import read
from harness.run.qualification import Qualification, why_stopped
from tests.software.record.contents import writer
from tests.software.run.fakes import HEALTHY, FakeChecks, FakeRig, declared


@pytest.fixture
def build(tmp_path, monkeypatch):
    def of(checks: FakeChecks | None = None, rig: FakeRig | None = None, **options) -> Qualification:
        checks = checks or FakeChecks()
        record, rig = writer(tmp_path / "record"), rig or FakeRig()
        rig.on_observation = record.keep
        made = Qualification(rig, record, check_named=checks.check_named, **options)
        made.checks = checks
        made.folder = tmp_path / "record"
        return made

    return of


def outcomes(made: Qualification, part: str = "") -> dict[str, Outcome]:
    return {verdict.name: verdict.outcome for verdict in made.verdicts if part in verdict.name}


def run_to_the_end(made: Qualification) -> ExitCode:
    try:
        for entry in made.plan:
            made.run(entry.check, entry.motor)
    except BaseException as error:
        assert made.stop is error
    return made.finish()


def test_a_healthy_board_passes_in_the_order_of_the_bench(build):
    made = build()
    assert run_to_the_end(made) is ExitCode.AGREES
    assert made.checks.ran == [
        "leaf.states",
        "wheel.states",
        "leaf.commutation",
        "leaf.conduct",
        "leaf.stiffness",
        "leaf.step",
        "leaf.thermal",
        "wheel.commutation",
        "wheel.conduct",
        "wheel.stiffness",
        "wheel.step",
        "wheel.thermal",
        "together.together",
    ]
    record = read(made.folder)
    assert record.risk.planned == made.rule.planned
    assert len(record.planned) == 19
    assert len(record.observations()) == 13
    assert {verdict.outcome for verdict in record.verdicts} <= {"agrees", "conforming"}


def test_each_requirement_is_one_more_decision(build):
    made = build()
    assert made.rule.planned == 15 + 2  # thermal.rise of both motors has one in this rig file


def test_a_deviation_is_found_and_only_that(build):
    made = build(FakeChecks(changes={"wheel.stiffness.open_loop": 1.2}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert [name for name, word in outcomes(made).items() if word is Outcome.DIFFERS] == ["wheel.stiffness.open_loop"]
    assert made.diagnosis.differs == ("wheel.stiffness.open_loop",)


@pytest.mark.parametrize(
    ("quantity", "value", "words"),
    [
        ("direction", -1.0, "leaf.commutation.direction differs: the loop could run away"),
        ("pole_pairs", 12.0, "leaf.commutation.pole_pairs differs"),
        ("offset", 2.6, "leaf.commutation.offset differs"),
    ],
)
def test_the_loop_is_not_closed_on_a_wrong_motor(build, quantity, value, words):
    made = build(FakeChecks(changes={f"leaf.commutation.{quantity}": value}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert not {"leaf.stiffness", "leaf.step", "together.together"} & set(made.checks.ran)
    assert {"leaf.conduct", "leaf.thermal", "wheel.stiffness"} <= set(made.checks.ran)
    assert list(made.checks.left_open) == ["leaf"]
    assert made.checks.left_open["leaf"].startswith(f"because {words}")
    verdict = made.verdicts_of("leaf.step.delay")[0]
    assert verdict.outcome is Outcome.NOT_RUN
    assert verdict.reason.startswith(f"because {words}")


def test_the_loop_is_not_closed_where_the_firmware_declares_another_motor(build):
    for change in ({"pole_pairs": 12}, {"direction": -1}, {"offset_count": 2000}):
        made = build(rig=FakeRig(declared={"leaf": declared(**change), "wheel": declared()}))
        made.run("step", "leaf")
        assert "leaf.step" not in made.checks.ran, change
        assert "declare" in made.verdicts_of("leaf.step.delay")[0].reason
        made.record.folder.joinpath("record.json").unlink()


@pytest.mark.parametrize(
    ("error", "code", "kind"),
    [
        (LinkError("port: lost while reading"), ExitCode.BENCH, "bench"),
        (InstrumentError("supply: silent"), ExitCode.BENCH, "bench"),
        (KeyboardInterrupt(), ExitCode.BENCH, "bench"),
        (ZeroDivisionError("division by zero"), ExitCode.DEFECT, "defect"),
        (HarnessError("an invariant is broken"), ExitCode.DEFECT, "defect"),
    ],
)
def test_trouble_in_a_check_makes_safe_at_once_and_is_recorded(build, error, code, kind):
    made = build(FakeChecks(raises={"leaf.step": error}))
    assert run_to_the_end(made) is code
    assert made.rig.events[-2:] == [type(error).__name__, "make safe"]
    assert made.checks.ran[-1] == "leaf.step"
    record = read(made.folder)
    assert record.stop.kind == kind
    assert record.observation("leaf.step.raw").data.size == 2
    assert outcomes(made)["leaf.stiffness.open_loop"] is Outcome.AGREES
    left = {name: word for name, word in outcomes(made, "wheel").items() if "states" not in name}
    assert set(left.values()) == {Outcome.NOT_RUN}
    assert "because the run was stopped" in made.verdicts_of("wheel.step.delay")[0].reason


STOP = StoppedByGuard("speed", 0, 420, 1000, 31291)


def test_the_record_names_the_check_that_is_running(build):
    made = build(FakeChecks(raises={"leaf.step": BenchError("silent")}))
    run_to_the_end(made)
    assert read(made.folder).running == "leaf step"


def test_in_the_record_of_a_whole_run_nothing_is_running(build):
    made = build()
    made.run("commutation", "leaf")
    assert read(made.folder).running == "leaf commutation"
    run_to_the_end(made)
    assert read(made.folder).running is None


def test_a_stop_by_the_board_stands_and_what_does_not_need_the_motor_is_measured(build):
    made = build(FakeChecks(raises={"leaf.step": STOP}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert made.rig.events.count("make safe") == made.rig.events.count("bring back") == 1
    assert made.checks.ran == [
        "leaf.states",
        "wheel.states",
        "leaf.commutation",
        "leaf.conduct",
        "leaf.stiffness",
        "leaf.step",
        "wheel.commutation",
        "wheel.conduct",
        "wheel.stiffness",
        "wheel.step",
        "wheel.thermal",
    ]
    assert made.verdicts_of("leaf.step.limits") == made.stops
    assert (made.stops[0].outcome, made.stops[0].kind) == (Outcome.NONCONFORMING, VerdictKind.STOP)
    assert made.stops[0].reason == "speed 80.5 rad/s, limit 60 rad/s"
    assert outcomes(made)["leaf.stiffness.open_loop"] is Outcome.AGREES
    assert made.verdicts_of("leaf.step.delay")[0].reason == f"because the board was stopped: {made.stops[0].reason}"
    for name in ("leaf.thermal.rise", "together.supply_sag"):
        verdict = made.verdicts_of(name)[0]
        assert verdict.outcome is Outcome.NOT_RUN
        assert verdict.reason == f"because the board was stopped in leaf step: {made.stops[0].reason}"
    record = read(made.folder)
    assert record.stop is None
    assert record.observation("leaf.step.raw").data.size == 2


def test_what_the_firmware_is_at_fault_of_is_a_verdict_of_its_own_and_its_own_cause(build):
    made = build(FakeChecks(raises={"leaf.step": FirmwareFault("the firmware raised ValueError", "exception")}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    [fault] = made.stops
    assert (fault.name, fault.kind, fault.outcome) == (
        "leaf.conduct.exception", VerdictKind.CONDUCT, Outcome.NONCONFORMING,
    )  # fmt: skip
    assert fault.reason == "in step: the firmware raised ValueError"
    words = "because the firmware is at fault"
    assert made.verdicts_of("leaf.step.delay")[0].reason == f"{words}: the firmware raised ValueError"
    assert made.verdicts_of("leaf.thermal.rise")[0].reason == f"{words}, {fault.name}: {fault.reason}"
    record = read(made.folder)
    assert fault in record.verdicts
    assert (record.stop, record.diagnosis.words) == (None, "")


def test_a_bridge_that_is_left_live_ends_what_is_energised_on_every_motor(build):
    """By the pins after each check that has run: its numbers stand, and nobody can waive it."""
    made = build(rig=FakeRig(live_after=("stiffness",)))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert made.checks.ran == ["leaf.states", "wheel.states", "leaf.commutation", "leaf.conduct", "leaf.stiffness"]
    assert outcomes(made)["leaf.stiffness.open_loop"] is Outcome.AGREES
    [fault] = made.stops
    assert (fault.name, fault.outcome, fault.may_be_waived) == ("conduct.left_live", Outcome.NONCONFORMING, False)
    assert made.rig.events[-2:] == ["make safe", "bring back"]
    for name in ("leaf.step.delay", "wheel.commutation.direction", "together.supply_sag"):
        assert made.verdicts_of(name)[0].reason.startswith("because the firmware is at fault, conduct.left_live")


def test_a_loop_that_does_not_do_as_it_is_told_is_not_closed_by_what_comes_after(build):
    made = build(FakeChecks(changes={"leaf.conduct.following": 2.0}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert not {"leaf.stiffness", "leaf.step", "together.together"} & set(made.checks.ran)
    assert {"leaf.thermal", "wheel.step"} <= set(made.checks.ran)
    reason = made.verdicts_of("leaf.step.delay")[0].reason
    assert reason == "because leaf.conduct.following differs: the drive does not do as it is told"


def test_no_field_is_read_by_the_pins_where_the_shaft_is_not_in_its_place(build, monkeypatch):
    monkeypatch.setitem(HEALTHY, "commutation", {**HEALTHY["commutation"], "hang_reading": 2.0})
    made = build(FakeChecks(changes={"leaf.commutation.hang_reading": 4.2, "leaf.commutation.direction": -1.0}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert "leaf.conduct" not in made.checks.ran
    assert made.checks.left_open == {}


def test_nothing_is_measured_by_a_trace_that_tells_something_else(build, monkeypatch):
    monkeypatch.setitem(HEALTHY, "conduct", {"following": 0.0, "trace": 0.0})
    made = build(FakeChecks(changes={"leaf.conduct.trace": 3.0}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert "leaf.step" not in made.checks.ran
    assert {"leaf.stiffness", "wheel.step", "together.together"} <= set(made.checks.ran)
    reason = made.verdicts_of("leaf.step.delay")[0].reason
    assert reason == "because leaf.conduct.trace differs: what the trace tells of the loop is not to be measured by"


def test_a_stop_while_commutation_is_found_leaves_the_motor_alone(build):
    made = build(FakeChecks(raises={"wheel.commutation": STOP}))
    assert [entry.name for entry in made.reach("wheel.step.delay")] == ["wheel.commutation.limits", "wheel.step.delay"]
    assert [entry.name for entry in made.reach("wheel.step.delay")] == ["wheel.step.delay"]
    assert made.checks.ran == ["leaf.states", "wheel.states", "wheel.commutation"]
    made.run("thermal", "leaf")
    assert made.checks.ran[-1] == "leaf.thermal"


def test_a_stop_with_both_motors_names_the_check_once(build):
    made = build(FakeChecks(raises={"together.together": STOP}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert [stop.name for stop in made.stops] == ["together.limits"]


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        ({"gone": LinkError("port: no answer")}, "no answer"),
        ({"unsafe": {"supply off": "not finished within 1 s"}}, "supply off FAILED: not finished within 1 s"),
    ],
)
def test_a_bench_that_does_not_come_back_after_a_stop_ends_the_run(build, broken, words):
    made = build(FakeChecks(raises={"leaf.step": STOP}), rig=FakeRig(**broken))
    assert run_to_the_end(made) is ExitCode.BENCH
    assert made.checks.ran[-1] == "leaf.step"
    assert made.verdicts_of("leaf.step.limits")[0].outcome is Outcome.NONCONFORMING
    assert len(made.verdicts_of("leaf.step.delay")) == 1
    assert words in read(made.folder).stop.message
    assert words in made.verdicts_of("wheel.step.delay")[0].reason


def test_why_a_run_stopped_goes_by_what_was_raised_not_by_its_words():
    assert why_stopped(StopSignal("stopped by Ctrl-C")) == "stopped by Ctrl-C"
    assert why_stopped(BenchError("stopped by chance")) == "stopped: stopped by chance"
    assert why_stopped(KeyboardInterrupt()) == "stopped: KeyboardInterrupt"
    unsafe = StopSignal("stopped by SIGTERM")
    note_unsafe(unsafe, UnsafeBench([StepOutcome(step="supply off", trouble="silent")], str(unsafe)))
    assert why_stopped(unsafe) == "stopped by SIGTERM"


def test_a_signal_while_the_board_is_made_safe_after_a_stop_is_not_lost(build):
    made = build(FakeChecks(raises={"leaf.step": STOP}), rig=FakeRig(gone=KeyboardInterrupt()))
    assert run_to_the_end(made) is ExitCode.BENCH
    assert made.checks.ran[-1] == "leaf.step"


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_a_signal_amid_the_keeping_of_results_waits_until_all_are_kept(build, monkeypatch):
    made = build()
    add = made.record.add

    def interrupted(**parts):
        signal.raise_signal(signal.SIGINT)
        add(**parts)

    monkeypatch.setattr(made.record, "add", interrupted)
    with stop_on_signals(), pytest.raises(StopSignal, match="Ctrl-C"):
        made.run("commutation", "leaf")
    kept = {verdict.name for verdict in read(made.folder).verdicts}
    assert kept == {verdict.name for verdict in made.verdicts} == set(made.results) != set()


def test_what_a_check_lacks_is_not_run_with_what_to_add(build):
    made = build(FakeChecks(raises={"leaf.step": MissingCapability("needs a trace hook: add one")}))
    assert run_to_the_end(made) is ExitCode.UNDECIDED  # step is required in this rig file
    verdict = made.verdicts_of("leaf.step.delay")[0]
    assert (verdict.outcome, verdict.reason) == (Outcome.NOT_RUN, "needs a trace hook: add one")
    assert outcomes(made)["wheel.step.delay"] is Outcome.AGREES


def test_observations_that_do_not_support_a_number_cannot_tell(build):
    made = build(FakeChecks(raises={"leaf.step": MeasurementError("nothing moved")}))
    assert run_to_the_end(made) is ExitCode.UNDECIDED
    assert outcomes(made)["leaf.step.delay"] is Outcome.CANNOT_TELL


def test_on_a_motor_that_is_not_the_stated_one_no_field_is_held_either(build):
    made = build(FakeChecks(changes={"leaf.commutation.direction": -1.0}))
    assert run_to_the_end(made) is ExitCode.DIFFERS
    assert "leaf.stiffness" not in made.checks.ran
    for name in ("leaf.stiffness.open_loop", "leaf.stiffness.closed_loop", "leaf.step.delay"):
        (verdict,) = made.verdicts_of(name)
        assert verdict.outcome is Outcome.NOT_RUN, name
        assert verdict.reason == "because leaf.commutation.direction differs: the loop could run away"


def test_missing_instruments_are_planned_as_not_run_and_do_not_share_the_risk(build):
    made = build(rig=FakeRig(has=()))
    assert made.rule.planned == 13  # without the two thermal rises and their requirements
    assert run_to_the_end(made) is ExitCode.UNDECIDED
    assert made.verdicts_of("leaf.thermal.rise")[0].reason == (
        "needs a supply: add an [instrument.NAME] of class supply"
    )
    missing = read(made.folder).missing
    assert [lack.what for lack in missing] == [
        "a programmable supply",
        "a multimeter at the terminals of leaf and wheel",
        "a thermometer near the motors",
    ]


def test_a_firmware_without_a_part_costs_the_checks_that_need_it(build):
    made = build(rig=FakeRig(lacks=[part for part in PARTS if part.name == "trace"]))
    run_to_the_end(made)
    reason = made.verdicts_of("leaf.step.delay")[0].reason
    assert reason == "the firmware lacks trace(motor, hook): add it (drive contract)"
    assert outcomes(made)["leaf.thermal.rise"] is Outcome.CONFORMING


def test_only_takes_what_it_needs_along_and_does_not_require_the_rest(build):
    """What shows that the drive does as it is told is run whatever is asked for."""
    assert selected_checks(["step"]) == ("states", "commutation", "conduct", "step")
    assert selected_checks(["thermal"]) == ("states", "commutation", "conduct", "thermal")
    assert runs(("thermal",), ("a", "b")) == [("thermal", "a"), ("thermal", "b")]
    made = build(only=("thermal",))
    assert run_to_the_end(made) is ExitCode.AGREES
    taken = {"states", "commutation", "conduct", "thermal"}
    assert set(made.checks.ran) == {f"{motor}.{check}" for motor in ("leaf", "wheel") for check in taken}


def test_a_planned_quantity_without_a_result_is_our_defect(build):
    made = build(FakeChecks(forgets={"leaf.step.delay"}))
    with pytest.raises(HarnessError, match=r"planned quantities without a result: \['leaf.step.delay'\]"):
        made.run("step", "leaf")
    assert made.finish() is ExitCode.DEFECT


def test_a_check_that_was_never_reached_is_our_defect_in_a_whole_run_only(build):
    made = build()
    made.run("commutation", "leaf")
    assert made.finish() is ExitCode.DEFECT
    made.record.folder.joinpath("record.json").unlink()
    made = build()
    assert made.reach("leaf.step.delay")[0].outcome is Outcome.AGREES
    assert made.checks.ran == ["leaf.states", "wheel.states", "leaf.commutation", "leaf.conduct", "leaf.step"]
    assert made.finish(whole=False) is not ExitCode.DEFECT


def test_progress_rises_to_the_whole(build):
    seen: list[float] = []
    made = build(on_step=lambda activity, remaining_s: seen.append(activity.fraction))
    run_to_the_end(made)
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)


def test_bench_trouble_goes_before_a_difference(build):
    made = build(FakeChecks(changes={"leaf.stiffness.open_loop": 1.3}, raises={"wheel.step": BenchError("gone")}))
    assert run_to_the_end(made) is ExitCode.BENCH


@pytest.mark.parametrize(("u", "words"), [(0.3, "not known to one whole number"), (0.05, "")])
def test_no_loop_is_closed_on_a_count_that_may_be_either_of_two(build, u, words):
    name = "leaf.commutation.pole_pairs"
    made = build(checks=FakeChecks(changes={name: 10.1}, widths={name: u}))
    run_to_the_end(made)
    reason = getattr(made.results["leaf.step.delay"], "reason", "")
    assert (words in reason) if words else not reason


def test_what_commutation_measures_of_a_mounting_is_told_to_the_rig(build):
    made = build()
    run_to_the_end(made)
    assert made.rig.mounted["leaf"] == {"direction": 1.0, "offset": 0.8}


@pytest.mark.parametrize(
    ("options", "heated"),
    [
        ({}, ("leaf", "wheel")),
        ({"only": ("step",)}, ()),
        ({"rig": FakeRig(has=("supply", "thermometer"))}, ()),  # thermal needs a multimeter
    ],
)
def test_limits_are_said_to_be_read_in_thermal_only_where_it_is_to_be_run(build, options, heated):
    assert build(**options).record.read().not_supervised == tuple(f"thermal heats {motor}" for motor in heated)
