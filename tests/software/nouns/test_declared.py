"""The drive contract: what a declaration must hold, and what a missing part costs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.catalogue import needed_by
from harness.nouns.contract import DECLARED, PARTS, DeclarationError, missing_parts, parse_declared

GOOD = {
    "contract": 1,
    "name": "some_drive",
    "version": "1.0.0",
    "pace": "own",
    "carrier_hz": 20000,
    "loop_period_us": 1000,
    "counts_per_turn": 16384,
    "field_steps": 120,
    "max_static_duty": 65535,
    "dead_time_ns": 150,
    "pole_pairs": 11,
    "offset_count": 1303,
    "direction": -1,
    "sensor_path": "bus",
    "timers": [-1],
    "amplitude_limit": 16384,
    "current_limit_ma": 0,
    "travel_limit": 4096,
}


def test_a_good_declaration_is_turned_into_si_units() -> None:
    declared = parse_declared("leaf", GOOD)
    assert declared.loop_period_s == pytest.approx(1e-3)
    assert declared.dead_time_s == pytest.approx(150e-9)
    assert declared.amplitude_limit == 0.5
    assert declared.direction == -1
    assert declared.current_limit_a is None
    assert declared.travel_limit_rad == pytest.approx(1.5707963267948966)


@pytest.mark.parametrize("key", sorted(DECLARED))
def test_every_key_is_asked_for_by_name(key: str) -> None:
    with pytest.raises(DeclarationError, match=rf"declare\(\) for motor leaf: .*{key} is missing"):
        parse_declared("leaf", {name: value for name, value in GOOD.items() if name != key})


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("pace", "sometimes", "pace: expected own or called, found 'sometimes'"),
        ("direction", 0, "direction: expected 1 or -1, found 0"),
        ("pole_pairs", 0, "pole_pairs: expected an integer from 1 to 999, found 0"),
        ("pole_pairs", True, "pole_pairs: expected an integer from 1 to 999, found True"),
        ("sensor_path", "wire", "sensor_path: expected bus or pulse_width, found 'wire'"),
        ("timers", 3, "timers: expected a list of integers, found 3"),
    ],
)
def test_a_wrong_value_says_what_was_expected_and_found(key: str, value: object, message: str) -> None:
    with pytest.raises(DeclarationError, match=message):
        parse_declared("leaf", {**GOOD, key: value})


_any_value = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.integers())


@given(st.dictionaries(st.sampled_from(sorted(DECLARED)), _any_value) | _any_value)
def test_nothing_a_board_answers_raises_anything_else(answer: object) -> None:
    changed = {**GOOD, **answer} if isinstance(answer, dict) else answer
    try:
        parse_declared("leaf", changed)
    except DeclarationError as problem:
        assert "\n" not in str(problem)


def test_firmware_of_either_pace_lacks_nothing_it_does_not_need() -> None:
    names = {part.name for part in PARTS}
    assert missing_parts(names - {"control_step"}, "own") == []
    assert missing_parts(names - {"start", "stop"}, "called") == []
    assert [part.name for part in missing_parts(names - {"trace"}, "own")] == ["trace"]
    assert "step" in needed_by("trace")
