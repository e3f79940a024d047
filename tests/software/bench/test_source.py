"""What the rig has a board execute, as text: nothing here needs a board."""

import ast
import math

import pytest

from harness.bench import source
from harness.rigfile import loads
from tests.software.rigfile.test_load import SLUICE


def spec(*changes: tuple[str, str]):
    text = SLUICE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return loads(text.encode(), "sluice.toml")


def executed(text: str) -> list[tuple[object, int]]:
    """Pins in the order in which the source sets them, with their values."""
    done: list[tuple[object, int]] = []

    class Pin:
        OUT = 1

        def __init__(self, pin, mode, value):
            assert mode == 1
            done.append((pin, value))

    exec(text.replace("from machine import Pin\n", ""), {"Pin": Pin})
    return done


def test_make_safe_disables_every_bridge_before_any_phase_goes_low():
    assert executed(source.make_safe(spec())) == [(6, 0), (7, 0), *((pin, 0) for pin in range(6))]


@pytest.mark.parametrize(
    ("leaf", "wheel", "levels"),
    [("low", "low", (1, 1)), ("low", "high", (1, 0)), ("high", "low", (0, 1)), ("high", "high", (0, 0))],
)
def test_each_bridge_is_disabled_at_its_own_level(leaf, wheel, levels):
    rig = spec(
        ("enable_pin = 6", f'enable_pin = 6\nenable_active = "{leaf}"'),
        ("enable_pin = 7", f'enable_pin = "E7"\nenable_active = "{wheel}"'),
    )
    assert executed(source.make_safe(rig))[:2] == [(6, levels[0]), ("E7", levels[1])]
    assert guarded(source.script(rig, "fields", "serve", {}, {}))["enable_off"] == levels


def guarded(text: str) -> dict[str, object]:
    """What a script gives its guard."""
    calls = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
    call = next(node for node in calls if ast.unparse(node.func) == "safety.Guard")
    return {word.arg: ast.literal_eval(word.value) for word in call.keywords}


def test_a_script_runs_under_the_guard_and_closes_it_whatever_happens():
    text = source.script(spec(), "fields", "serve", {"motor": 0, "label": "it's"}, {"leaf": 2.0, "wheel": 4.1})
    tree = ast.parse(text)
    last = tree.body[-1]
    assert isinstance(last, ast.Try)
    assert "_g.close()" in ast.unparse(last.finalbody[0])
    assert 'fields.serve(_g, motor=0, label="it\'s")' in text
    assert guarded(text) == {
        "drive": "sluice_drive",
        "pins": ((0, 1, 2), (3, 4, 5)),
        "enables": (6, 7),
        "deadman_ms": 300,
        "hang": (10430, 21382),
        "travel": (12516, 12516),
        "speed": (31291, 31291),
        "enable_off": (0, 0),
    }


COARSE_LEAF = SLUICE.replace("bits = 15", "bits = 12", 1)


def test_each_motor_has_its_limits_in_counts_of_its_own_sensor():
    given = guarded(source.script(loads(COARSE_LEAF.encode(), "sluice.toml"), "fields", "serve", {}, {}))
    assert given["travel"] == pytest.approx((2.4 / math.tau * 4096, 2.4 / math.tau * 32768), abs=0.5)
    assert given["speed"] == pytest.approx((6.0 / math.tau * 4096, 6.0 / math.tau * 32768), abs=0.5)


def test_a_slow_limit_of_a_coarse_sensor_is_kept_to_a_few_per_cent():
    (counts, _) = source.speed_counts(spec(("bits = 15", "bits = 12"), ("speed_rad_s = 60.0", "speed_rad_s = 1.0")))
    assert counts / 0.1 * math.tau / 4096 == pytest.approx(1.0, rel=0.03)


def test_a_hang_reading_that_is_not_known_is_not_supervised():
    assert source.hang_counts(spec(), {"wheel": 4.1}) == (None, 21382)
