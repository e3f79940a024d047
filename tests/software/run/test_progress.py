"""Progress: a share that never falls, and an estimate that comes from what was used."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.clock import WallClock
from harness.checks.registry import check_named
from harness.rigfile import load
from harness.rigfile.spec import ClockSection
from harness.run.planning import usual_seconds
from harness.run.progress import Progress
from tests.software.run.fakes import SLUICE, declared

SPEC = load(SLUICE)
OWNS_TIME = SPEC.model_copy(update={"clock": ClockSection(address="127.0.0.1:1")})
COMPUTED_S, ON_A_RIG_S = (
    usual_seconds(spec, {motor: declared() for motor in spec.motors}, check_named) for spec in (OWNS_TIME, SPEC)
)
RUNS = [(check, motor) for motor in ("leaf", "wheel") for check in ("commutation", "stiffness", "step")]


class HandClock(WallClock):
    """Moved by the test."""

    def __init__(self) -> None:
        self.at_s = 100.0

    def now_s(self) -> float:
        return self.at_s


def follow(clock: HandClock, progress: Progress, durations: dict[tuple[str, str], float], parts: int = 4):
    """Let each check take its time, evenly; (time, share, estimate) at each part of it."""
    seen = []
    for run, duration_s in durations.items():
        progress.begin(*run)
        for part in range(parts + 1):
            seen.append((clock.at_s, progress.fraction(part / parts), progress.remaining_s(part / parts)))
            clock.at_s += duration_s / parts if part < parts else 0.0
        progress.end()
    return seen


def test_nothing_is_promised_before_half_of_the_first_check():
    clock = HandClock()
    progress = Progress(RUNS, usual_s=COMPUTED_S, clock=clock)
    progress.begin("commutation", "leaf")
    for share in (0.0, 0.2, 0.49):
        clock.at_s += 1.0
        assert progress.remaining_s(share) is None
    clock.at_s += 1.0
    assert progress.remaining_s(0.5) is not None


@pytest.mark.parametrize("pace", [0.2, 1.0, 30.0])
def test_usual_ratios_at_any_pace_are_told_exactly(pace):
    clock = HandClock()
    durations = {run: pace * COMPUTED_S[run] for run in RUNS}
    seen = follow(clock, Progress(RUNS, usual_s=COMPUTED_S, clock=clock), durations)
    estimates = [(at_s, left_s) for at_s, _, left_s in seen if left_s is not None]
    assert len(estimates) >= len(seen) - 2
    for at_s, left_s in estimates:
        assert left_s == pytest.approx(clock.at_s - at_s, abs=1e-9)


def test_the_second_motor_is_expected_to_take_as_long_as_the_first():
    clock = HandClock()
    progress = Progress(RUNS, usual_s=COMPUTED_S, clock=clock)
    odd = {("commutation", "leaf"): 9.0, ("stiffness", "leaf"): 1.0, ("step", "leaf"): 5.0}
    follow(clock, progress, odd)
    assert progress.remaining_s() == pytest.approx(15.0)
    assert progress.fraction() == pytest.approx(0.5)


def test_a_check_that_was_cut_short_says_nothing_of_the_next():
    clock = HandClock()
    progress = Progress(RUNS, usual_s=COMPUTED_S, clock=clock)
    follow(clock, progress, {("commutation", "leaf"): 2.0})
    progress.begin("stiffness", "leaf")
    clock.at_s += 0.1
    progress.end(whole=False)
    progress.leave_out("step", "leaf")
    usual = COMPUTED_S
    pace = 2.0 / usual["commutation", "leaf"]
    assert progress.remaining_s() == pytest.approx(2.0 + pace * (usual["stiffness", "wheel"] + usual["step", "wheel"]))


def test_a_real_rig_waits_for_its_windings():
    assert ON_A_RIG_S.keys() == COMPUTED_S.keys()
    clock = HandClock()
    progress = Progress([("commutation", "leaf"), ("thermal", "leaf")], usual_s=ON_A_RIG_S, clock=clock)
    follow(clock, progress, {("commutation", "leaf"): ON_A_RIG_S["commutation", "leaf"]})
    assert progress.remaining_s() == pytest.approx(ON_A_RIG_S["thermal", "leaf"])


def test_where_time_is_not_computed_what_is_left_is_known_before_anything_was_done():
    clock = HandClock()
    progress = Progress(RUNS, usual_s=ON_A_RIG_S, clock=clock, in_seconds=True)
    assert progress.remaining_s() == pytest.approx(sum(ON_A_RIG_S[run] for run in RUNS))
    follow(clock, progress, {("commutation", "leaf"): 2.0 * ON_A_RIG_S["commutation", "leaf"]})
    others = sum(ON_A_RIG_S[run] for run in RUNS if run[0] != "commutation")
    assert progress.remaining_s() == pytest.approx(2.0 * ON_A_RIG_S["commutation", "leaf"] + others)


@given(
    st.lists(st.tuples(st.sampled_from(["run", "cut", "leave"]), st.floats(0.0, 1e4)), max_size=6),
    st.booleans(),
)
def test_the_share_never_falls_and_the_estimate_is_never_negative(steps, computed):
    clock = HandClock()
    progress = Progress(RUNS, usual_s=COMPUTED_S if computed else ON_A_RIG_S, clock=clock)
    shown = [progress.fraction()]
    for run, (what, duration_s) in zip(RUNS, steps, strict=False):
        if what == "leave":
            progress.leave_out(*run)
            continue
        progress.begin(*run)
        for share in (0.0, 0.3, 1.0):
            clock.at_s += duration_s / 2.0
            shown.append(progress.fraction(share))
            left_s = progress.remaining_s(share)
            assert left_s is None or left_s >= 0.0
        progress.end(whole=what == "run")
    shown.append(progress.fraction())
    assert shown == sorted(shown)
    assert shown[-1] <= 1.0
    if len(steps) == len(RUNS):
        assert shown[-1] == pytest.approx(1.0)
