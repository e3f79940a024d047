"""Causes from patterns: each fault of a bench on paper gets its cause or the honest set, two at once get none."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.catalogue import CHECKS, CheckCauses
from harness.judge.causes import CAUSES, gathered
from harness.judge.diagnosis import Diagnosis, diagnose
from harness.judge.verdict import at_fault, judge_all
from harness.nouns.effects import FREE, NO_SIZE, Cause, OneOf, Shift
from harness.nouns.names import Name
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Expectation, Measurement, Outcome, Verdict
from tests.examples import examples, rounds
from tests.software.judge.motors import DETECT, FILE, RULE, Motor, judged

Fault = Callable[[str, Motor], Motor]
UNPARTED = frozenset({"stiffness.supply_voltage", "stiffness.torque_per_ampere", "thermal.resistance"})


def on_leaf(**factors: float) -> Fault:
    """A fault that multiplies parameters of the leaf motor."""
    return lambda name, m: replace(m, **{k: getattr(m, k) * f for k, f in factors.items()}) if name == "leaf" else m


def on_both(**factors: float) -> Fault:
    return lambda _, m: replace(m, **{k: getattr(m, k) * f for k, f in factors.items()})


def added(**shifts: float) -> Fault:
    return lambda _, m: replace(m, **{k: getattr(m, k) + s for k, s in shifts.items()})


def crossed(order: int) -> Fault:
    about = (order - 3) * 2.0 * math.pi / 3.0

    def fault(name: str, m: Motor) -> Motor:
        offset = math.remainder(about - m.offset, 2.0 * math.pi)
        return replace(m, direction=-1.0, order=float(order), offset=offset) if name == "leaf" else m

    return fault


def mirrored(name: str, m: Motor) -> Motor:
    """The sensor counts the other way: s' = -s."""
    return replace(m, direction=-1.0, order=4.0, hang=-m.hang) if name == "leaf" else m


def turned(name: str, m: Motor) -> Motor:
    """The magnet has slipped by 0.4 rad."""
    offset = math.remainder(m.offset - m.pole_pairs * 0.4, 2.0 * math.pi)
    return replace(m, hang=m.hang + 0.4, offset=offset) if name == "leaf" else m


def test_firmware_at_fault_is_the_cause_of_what_its_loop_shows_and_of_nothing_else() -> None:
    verdicts = judged(1, on_both(gain=0.5))
    assert diagnose(verdicts, RULE).known
    fault = at_fault("leaf", "exception", "in step: the firmware raised ValueError")
    found = diagnose([*verdicts, fault], RULE)
    assert found.differs
    assert {Name(name).motor for name in found.differs} == {"wheel"}
    assert diagnose([*verdicts, at_fault("", "exception", "in together: it raised")], RULE).words == ""
    turned_verdicts = judged(1, turned)
    before = diagnose(turned_verdicts, RULE)
    spoiled = diagnose([*turned_verdicts, fault], RULE)
    assert before.known
    assert [cause.name for cause in spoiled.causes][:1] == [cause.name for cause in before.causes][:1]


SINGLE: Mapping[str, tuple[Fault, set[str], tuple[str, ...]]] = {
    "magnet weak": (on_leaf(flux=0.85), {"magnet flux", "arm torque"}, ("leaf",)),
    "magnet strong": (on_leaf(flux=1.25), {"magnet flux", "arm torque"}, ("leaf",)),
    "magnets of both weak": (on_both(flux=0.8), {"magnet flux", "arm torque"}, ("leaf", "wheel")),
    "winding": (on_leaf(resistance=1.25), {"winding resistance"}, ("leaf",)),
    "supply low": (on_both(supply=0.9), {"supply voltage"}, ("leaf", "wheel")),
    "supply high": (on_both(supply=1.15), {"supply voltage"}, ("leaf", "wheel")),
    "gain halved": (on_both(gain=0.5), {"loop gain"}, ("leaf", "wheel")),
    "gain halved in one": (on_leaf(gain=0.5), {"loop gain"}, ("leaf",)),
    "later by 2 ms": (added(delay=2e-3), {"loop delay"}, ("leaf", "wheel")),
    "winding loose": (on_leaf(r_winding=1.5), {"winding to housing"}, ("leaf",)),
    "housing hot": (on_leaf(r_housing=1.7), {"housing to ambient"}, ("leaf",)),
    "driver hot": (on_both(driver_heat=3.0), {"driver heat"}, ("leaf", "wheel")),
    "other poles": (on_leaf(pole_pairs=12 / 11), {"pole pairs"}, ("leaf",)),
    "B and C": (crossed(3), {"phases B and C exchanged"}, ("leaf",)),
    "A and B": (crossed(4), {"phases A and B exchanged"}, ("leaf",)),
    "A and C": (crossed(5), {"phases A and C exchanged"}, ("leaf",)),
    "sensor mirrored": (mirrored, {"sensor reversed"}, ("leaf",)),
    "magnet turned": (turned, {"sensor magnet turned"}, ("leaf",)),
    "lead off": (on_leaf(weakest=0.0), {"phase open"}, ("leaf",)),
    "noisy and old": (
        lambda _, m: replace(m, noise=5 * m.noise, age=m.age + 1e-3, delay=m.delay + 1e-3),
        {"noisier path"},
        ("leaf", "wheel"),
    ),
    "noisy and old, each in its own frame": (
        lambda name, m: replace(
            m, noise=5 * m.noise, age=m.age + (0.9e-3 if name == "leaf" else 1.5e-3), delay=m.delay + 1e-3
        ),
        {"noisier path"},
        ("leaf", "wheel"),
    ),
    "old": (added(age=1.5e-3, delay=1.5e-3), {"older reading"}, ("leaf", "wheel")),
    "late, and not told": (added(hidden=4e-3, delay=4e-3), {"late reading"}, ("leaf", "wheel")),
    "told old": (added(age=1.5e-3, hidden=-1.5e-3), {"age told"}, ("leaf", "wheel")),
    "bad connector": (added(driver=1.5), {"driver resistance"}, ("leaf", "wheel")),
    "friction": (on_leaf(friction=4.0), {"friction"}, ("leaf",)),
    "flywheel": (on_leaf(inertia=4.0), {"inertia"}, ("leaf",)),
    "clip": (on_both(clip=0.7), {"loop clip"}, ("leaf", "wheel")),
    "period": (on_both(period=2.0), {"loop period"}, ("leaf", "wheel")),
}
TWO: Mapping[str, Fault] = {
    "magnet and winding loose": on_leaf(flux=0.8, r_winding=1.6),
    "magnet and gain": on_leaf(flux=0.8, gain=0.5),
    "magnet and gain that hides it": on_leaf(flux=0.8, gain=1.25),
    "gain and delay": lambda _, m: replace(m, gain=m.gain * 0.5, delay=m.delay + 2e-3),
    "supply and magnet": lambda _, m: replace(m, supply=m.supply * 0.88, flux=m.flux * 0.8),
    "supply and winding": on_both(supply=0.88, resistance=1.25),
    "one fault a motor": lambda n, m: replace(m, flux=m.flux * 0.8) if n == "leaf" else replace(m, r_winding=4.0),
    "friction and housing": on_leaf(friction=4.0, r_housing=2.0),
    "noise and gain": on_both(noise=5.0, gain=0.5),
}


def names(diagnosis: Diagnosis) -> set[str]:
    return {cause.name for cause in diagnosis.causes}


def fault_named(expected: set[str]) -> str:
    """The true one of a row's causes."""
    return next(iter(expected)) if len(expected) == 1 else "magnet flux"


@pytest.mark.parametrize("fault", SINGLE)
def test_a_single_fault_gets_its_cause_and_place(fault: str) -> None:
    change, expected, motors = SINGLE[fault]
    for seed in range(rounds(5)):
        diagnosis = diagnose(judged(seed, change), RULE)
        # What is wrong is always named; of what else would look the same, chance may show that it does not.
        assert fault_named(expected) in names(diagnosis) <= expected, diagnosis.words
        assert {cause.motors for cause in diagnosis.causes} == {motors}
        assert diagnosis.known and diagnosis.words


@pytest.mark.parametrize(("error", "cause"), [(1.0, "phases of a field"), (0.02, "phases B and C exchanged")])
def test_a_field_that_turns_backwards_is_the_firmwares_by_the_pins_and_the_leads_otherwise(error, cause) -> None:
    name = "leaf.conduct.field_error"
    measured = Measurement(name=name, quantity=normal(error, 0.04, "1", "pins"), note="B and C exchanged")
    expected = Expectation(name=name, quantity=normal(0.0, 0.01, "1", "steps of a duty"))
    found = diagnose([*judged(1, crossed(3)), *judge_all([measured], [expected], RULE)], RULE)
    assert names(found) == {cause}
    assert "B and C" in found.words


@pytest.mark.parametrize("faults", TWO)
def test_two_faults_at_once_are_not_known(faults: str) -> None:
    for seed in range(rounds(5)):
        diagnosis = diagnose(judged(seed, TWO[faults]), RULE)
        assert diagnosis.differs and not diagnosis.known, diagnosis.words
        assert diagnosis.words.startswith("cause not known")


def test_a_healthy_rig_has_no_cause() -> None:
    diagnosis = diagnose(judged(1, nominal=True), RULE)
    assert diagnosis == Diagnosis()
    assert diagnosis.words == "" and not diagnosis.known


def test_sizes_are_found() -> None:
    (gain,) = diagnose(judged(2, on_both(gain=0.5)), RULE).causes
    assert gain.sizes["size"] == pytest.approx(0.5, rel=0.05)
    assert f"{gain.sizes['size']:.2g} times" in gain.words
    (late,) = diagnose(judged(2, added(delay=2e-3)), RULE).causes
    assert late.sizes["size"] == pytest.approx(2e-3, abs=3e-4)
    path = diagnose(judged(2, SINGLE["noisy and old"][0]), RULE).causes[0]
    assert path.sizes["age"] == pytest.approx(1e-3, rel=0.2)
    poles = diagnose(judged(2, on_leaf(pole_pairs=12 / 11)), RULE).causes[0]
    assert poles.words == "leaf: the motor has 12 pole pairs where the rig file says 11"


def test_what_cannot_be_told_apart_is_named_together_with_what_would_part_it() -> None:
    diagnosis = diagnose(judged(3, on_both(supply=0.88), without=UNPARTED), RULE)
    assert names(diagnosis) == {
        "supply voltage",
        "magnet flux",
        "arm torque",
        "winding resistance",
        "driver resistance",
    }
    for suffix in UNPARTED:
        assert any(suffix in way for way in diagnosis.parted_by), diagnosis.parted_by
    assert "weigh the arm and find its centre of mass" in diagnosis.parted_by
    assert "several of them together" in diagnosis.words


def test_each_measurement_parts_the_set() -> None:
    sets = [
        names(diagnose(judged(3, on_both(supply=0.75), without=UNPARTED - {known}), RULE)) for known in sorted(UNPARTED)
    ]
    assert all("supply voltage" in found for found in sets)
    assert sets[0] == {"supply voltage"}
    assert all(len(found) < 5 for found in sets)


def test_exchanged_phases_and_a_reversed_sensor_are_both_named_where_the_hang_is_not_known() -> None:
    hidden = frozenset({"commutation.hang_reading", "commutation.offset"})
    assert names(diagnose(judged(4, crossed(4), without=hidden), RULE)) == {
        "phases A and B exchanged",
        "sensor reversed",
    }
    # The demo's arm hangs well away from reading 0: knowing where it hangs settles it.
    known = diagnose(judged(4, crossed(4), without=frozenset({"commutation.offset"})), RULE)
    assert names(known) == {"phases A and B exchanged"}


def test_no_motion_is_a_set() -> None:
    def still(name: str, m: Motor) -> Motor:
        return replace(m, direction=0.0) if name == "leaf" else m

    measured = frozenset(s for s in DETECT if s.startswith("commutation.") and s != "commutation.direction")
    diagnosis = diagnose(judged(5, still, without=measured - {"commutation.sensor_noise"}), RULE)
    assert names(diagnosis) == {"no supply at the bridge", "shaft blocked", "bridge dead"}
    unseen = diagnose(judged(5, still, without=measured), RULE)
    assert names(unseen) == names(diagnosis) | {"reading frozen"}, "a reading whose noise was seen is none that stands"


def reading(direction: float, noise: float, codes: float) -> list[Verdict]:
    """Verdicts on the leaf's reading, 0.4 mrad of noise and 12.5 codes being expected."""
    found = {
        "direction": (direction, 1.0, 0.0),
        "sensor_noise": (noise, 4e-4, 2e-5),
        "distinct_codes": (codes, 12.5, 0.5),
    }
    made = []
    for name, (value, expected, u) in found.items():
        full = f"leaf.commutation.{name}"
        unit = "rad" if name == "sensor_noise" else "1"
        measured = exact(value, unit) if u == 0.0 else normal(value, u, unit, f"{name} measured")
        stated = exact(expected, unit) if u == 0.0 else normal(expected, u, unit, f"{name} stated")
        made += judge_all([Measurement(name=full, quantity=measured)], [Expectation(name=full, quantity=stated)], RULE)
    return made


@pytest.mark.parametrize(
    ("direction", "codes", "cause"),
    [(0.0, 1.0, "reading frozen"), (1.0, 1.0, "coarse reading"), (1.0, 3.0, "coarse reading")],
)
def test_a_reading_without_noise_is_frozen_where_it_stands_and_coarse_where_it_moves(direction, codes, cause) -> None:
    assert names(diagnose(reading(direction, 0.0, codes), RULE)) == {cause}
    assert diagnose(reading(1.0, 4e-4, 12.5), RULE).words == ""


def test_a_wrong_declaration_stays_a_cause_where_what_rests_on_it_is_off() -> None:
    made = []
    for name, value in (("leaf.states.contradictions", 1.0), ("leaf.conduct.trace", 6.0)):
        measured = Measurement(name=name, quantity=exact(value, "1"), note="both values")
        made += judge_all([measured], [Expectation(name=name, quantity=exact(0.0, "1"))], RULE)
    assert names(diagnose(made, RULE)) == {"declaration", "trace before its limit"}


def test_a_rest_that_no_field_has_moved_is_the_readings_own() -> None:
    stop = Verdict(name="leaf.states.limits", outcome=Outcome.NONCONFORMING, reason="travel +3.1 rad from hanging")
    assert names(diagnose([stop], RULE)) == {"reading elsewhere"}


def test_a_larger_clip_is_seen_by_a_large_step_where_no_arm_reaches_it() -> None:
    name = "leaf.step.large_rise_time"
    measured = Measurement(name=name, quantity=normal(0.0236, 2e-4, "s", "seen"))
    expected = Expectation(name=name, quantity=normal(0.0353, 7e-4, "s", "stated"))
    seen = judge_all([measured], [expected], RULE)
    unreached = frozenset({"stiffness.clip_torque"})
    assert names(diagnose([*judged(1, nominal=True, without=unreached), *seen], RULE)) == {"loop clip"}
    assert not diagnose([*judged(1, nominal=True), *seen], RULE).known, "a clip that was reached was as stated"


def test_a_stop_over_a_limit_alone_points_at_the_loop() -> None:
    stop = Verdict(name="leaf.step.limits", outcome=Outcome.NONCONFORMING, reason="over the speed limit")
    healthy = [v for v in judged(1, nominal=True) if not v.name.startswith("leaf.step.")]
    assert names(diagnose([*healthy, stop], RULE)) == {"loop not stable"}
    for seed in range(1, 9):  # and at the stopped motor only, however well the other one's numbers fit
        others = [v for v in judged(seed) if v.name.startswith("wheel.step.")]
        assert [cause.motors for cause in diagnose([*others, stop], RULE).causes] == [("leaf",)]
    broken = [v for v in judged(1, on_leaf(r_winding=3.0)) if not v.name.startswith("leaf.step.")]
    assert not diagnose([*broken, stop], RULE).known


def test_the_open_phase_is_named_by_the_note() -> None:
    verdicts = [
        replace(v, note="phase C carries no current") if v.name == "leaf.commutation.weakest_vector" else v
        for v in judged(1, on_leaf(weakest=0.0))
    ]
    assert "phase C carries no current" in diagnose(verdicts, RULE).words


def test_a_pattern_without_a_row_is_not_known() -> None:
    """The clip alone gone up and the friction alone gone up have rows; both in opposite ways have none."""
    rows = [cause for cause in CAUSES if cause.name != "loop gain"]
    assert not diagnose(judged(1, on_both(gain=0.5)), RULE, rows).known


def test_a_quantity_that_is_not_judged_still_has_to_agree() -> None:
    """Without a detect entry friction is not judged; standing far off it contradicts a cause that leaves it alone."""
    blind = replace(RULE, detect={key: entry for key, entry in DETECT.items() if key != "stiffness.friction"})
    quiet = [
        replace(v, outcome=Outcome.NOT_JUDGED) if v.name.endswith("stiffness.friction") else v
        for v in judged(1, on_leaf(gain=0.5, friction=5.0))
    ]
    assert not diagnose(quiet, blind).known
    assert diagnose(judged(1, on_leaf(gain=0.5)), blind).known


def test_nothing_but_consequences_is_no_evidence() -> None:
    row = Cause(
        name="vague",
        words="vague",
        effects={"stiffness.*": FREE, "step.*": FREE, "together.*": FREE},
        confirmed_by="nothing",
    )
    assert not diagnose(judged(1, on_both(gain=0.5)), RULE, [row]).known


def test_a_row_can_be_added() -> None:
    row = Cause(
        name="new",
        words="{ratio:.2f}",
        effects={"stiffness.closed_loop": 1.0, "stiffness.ratio": 1.0, "step.*": FREE},
        where="any",
        confirmed_by="nothing",
    )
    (found,) = diagnose(judged(1, on_both(gain=0.5)), RULE, [row]).causes
    assert found.name == "new" and found.words == f"leaf and wheel: {found.sizes['size']:.2f}"
    assert found.sizes["size"] == pytest.approx(0.5, rel=0.05)


@pytest.mark.parametrize(("wheel", "known"), [(2.0, True), (5.0, True), (3.0, False), (0.0, False)])
def test_one_cause_may_end_in_one_of_several_codes_on_each_motor(wheel: float, known: bool) -> None:
    """Another code is no such end, nor is it one where nothing is wrong: that motor has not the fault."""
    row = Cause(
        name="by chance",
        words="by chance",
        sizes=NO_SIZE,
        where="rig",
        effects={"commutation.phase_order": OneOf((2.0, 5.0))},
        confirmed_by="nothing",
    )
    orders = {"leaf": 2.0, "wheel": wheel}
    assert diagnose(judged(1, lambda name, m: replace(m, order=orders[name])), RULE, [row]).known is known


@examples(25)
@given(
    seed=st.integers(0, 10**6),
    factor=st.floats(0.3, 3.0),
    parameter=st.sampled_from(
        ["flux", "resistance", "gain", "r_winding", "r_housing", "friction", "inertia", "clip", "supply", "driver_heat"]
    ),
)
def test_a_cause_once_named_is_never_the_wrong_one(seed: int, factor: float, parameter: str) -> None:
    """Of any size, seen or not: the true cause is among those named, or nothing is named."""
    truth = {
        "flux": "magnet flux",
        "resistance": "winding resistance",
        "gain": "loop gain",
        "clip": "loop clip",
        "r_winding": "winding to housing",
        "r_housing": "housing to ambient",
        "friction": "friction",
        "inertia": "inertia",
        "supply": "supply voltage",
        "driver_heat": "driver heat",
    }[parameter]
    change = on_both(**{parameter: factor}) if parameter == "supply" else on_leaf(**{parameter: factor})
    diagnosis = diagnose(judged(seed, change), RULE)
    assert not diagnosis.known or truth in names(diagnosis), diagnosis.words


@examples(25)
@given(
    seed=st.integers(0, 10**6),
    pair=st.lists(
        st.sampled_from(["flux", "resistance", "gain", "r_winding", "r_housing", "friction", "clip"]),
        min_size=2,
        max_size=2,
        unique=True,
    ),
)
def test_two_large_faults_never_give_a_cause(seed: int, pair: list[str]) -> None:
    """Each large enough to be seen by itself, and none the other's mirror image."""
    sizes = {
        "flux": 0.7,
        "resistance": 1.35,
        "gain": 0.5,
        "r_winding": 1.8,
        "r_housing": 1.9,
        "friction": 5.0,
        "clip": 1.6,
    }
    diagnosis = diagnose(judged(seed, on_leaf(**{name: sizes[name] for name in pair})), RULE)
    assert not diagnosis.known, diagnosis.words


@pytest.mark.parametrize(
    ("noise", "later_s", "words"),
    [
        (
            5.0,
            1e-3,
            "5.* times the noise, [01].[019] ms older, as by the sensor's pulse-width output in place of its bus",
        ),
        (5.0, 0.0, r"5.* times the noise, 0.[01] ms older"),
        (5.0, 20e-3, "5.* times the noise, (19.9|20.[01]) ms older"),
    ],
)
def test_a_noisier_reading_is_likened_to_pulse_width_only_where_it_is_like_it(
    noise: float, later_s: float, words: str
) -> None:
    def fault(_: str, m: Motor) -> Motor:
        return replace(m, noise=noise * m.noise, age=m.age + later_s, delay=m.delay + later_s)

    diagnosis = diagnose(judged(0, fault, nominal=True), RULE)
    assert re.fullmatch(f"leaf and wheel: the angle is read by a noisier path than stated: {words}", diagnosis.words)


def test_a_code_that_a_cause_may_end_in_is_no_evidence_of_its_size() -> None:
    """Everything agrees but for the code: a cause of size nothing explains nothing."""
    row = Cause(
        name="weaker",
        words="{ratio:.2f}",
        where="any",
        effects={"stiffness.closed_loop": 1.0, "stiffness.ratio": 1.0, "commutation.phase_order": OneOf((0.0, 2.0))},
        confirmed_by="nothing",
    )
    orders = {"leaf": 2.0, "wheel": 0.0}
    odd = judged(1, lambda name, m: replace(m, order=orders[name]), nominal=True)
    assert not diagnose(odd, RULE, [row]).known
    weak = judged(1, lambda name, m: replace(m, order=orders[name], gain=0.5 * m.gain), nominal=True)
    elsewhere = replace(row, effects={**row.effects, "step.*": FREE, "together.*": FREE})
    assert diagnose(weak, RULE, [elsewhere]).known


@pytest.mark.parametrize("seed", range(8))
def test_noise_alone_is_a_noisier_path(seed: int) -> None:
    """No older than stated: chance has its age below that as often as above."""
    (path,) = diagnose(judged(seed, lambda _, m: replace(m, noise=4 * m.noise), nominal=True), RULE).causes
    assert path.name == "noisier path"
    assert 0.0 <= path.sizes["age"] < 0.3e-3


def test_rows_that_move_the_loop_leave_its_damping_free() -> None:
    """None of these has a number in the table; they may differ all the same, whatever a rig file asks for."""
    loop = ("stiffness.closed_loop", "step.natural_frequency", "step.delay", "step.loop_period")
    for cause in CAUSES:
        if any(cause.effect(key) not in (None, 0.0) for key in loop):
            for name in ("decay", "overshoot", "settling_time", "stability_margin"):
                assert cause.effect(f"step.{name}") is FREE, f"{cause.name}: {name}"


def test_what_checks_state_of_causes_contradicts_nothing() -> None:
    first = CheckCauses(
        name="one", causes=(Cause(name="a", words="", effects={"x": 1.0}, confirmed_by="s"),), effects={}
    )
    gone = CheckCauses(name="two", causes=(), effects={"b": {"y": FREE}})
    with pytest.raises(ValueError, match="expected each in one check, found twice: a"):
        gathered([first, replace(first, name="two")])
    with pytest.raises(ValueError, match="expected those that a check shows first, found b"):
        gathered([first, gone])


def test_a_check_that_says_nothing_of_a_cause_is_as_the_cause_says_of_what_is_elsewhere() -> None:
    row = Cause(name="a", words="", effects={"x": 1.0}, confirmed_by="s")
    checks = [
        CheckCauses(name="one", causes=(row, replace(row, name="b", elsewhere=FREE)), effects={}),
        CheckCauses(name="two", causes=(), effects={"a": {"y": 2.0}}),
        CheckCauses(name="three", causes=(), effects={}),
    ]
    bound, free = gathered(checks)
    assert bound.effects == {"one.x": 1.0, "two.y": 2.0}
    assert free.effects == {"one.x": 1.0, "two.*": FREE, "three.*": FREE}


def test_every_row_names_quantities_that_exist() -> None:
    known = {f"{row.name}.{measurand.name}" for row in CHECKS for measurand in row.quantities}
    checks = {check.name for check in CHECKS}
    for cause in CAUSES:
        for key in cause.effects:
            check, _, quantity = key.partition(".")
            assert key in known or (check in checks and quantity in {"*", "limits"}), f"{cause.name}: {key}"
        for effect in cause.effects.values():
            assert not isinstance(effect, Shift) or effect.by in cause.sizes, cause.name
    assert len({cause.name for cause in CAUSES}) == len(CAUSES)


def test_the_bench_on_paper_is_no_copy_of_the_table() -> None:
    """A guard for these tests: the relation of frequency to flux is not the table's bare exponent."""
    from tests.software.judge.motors import QUANTITIES

    formula = QUANTITIES["step.natural_frequency"][1]
    nominal, weak = FILE["leaf"], replace(FILE["leaf"], flux=FILE["leaf"].flux * 0.5)
    assert formula(weak) / formula(nominal) != pytest.approx(0.5**0.5, rel=1e-3)
