"""What the rig has a board execute, as text: nothing here needs a board."""

import ast

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


def test_make_safe_knows_drivers_that_are_enabled_low():
    low = spec(
        ("enable_pin = 6", 'enable_pin = 6\nenable_active = "low"'),
        ("enable_pin = 7", 'enable_pin = "E7"\nenable_active = "low"'),
    )
    assert executed(source.make_safe(low))[:2] == [(6, 1), ("E7", 1)]
    assert source.off_level(low) == 1


def test_a_script_runs_under_the_guard_and_closes_it_whatever_happens():
    text = source.script(spec(), "fields", "serve", {"motor": 0, "label": "it's"})
    tree = ast.parse(text)
    last = tree.body[-1]
    assert isinstance(last, ast.Try)
    assert "_g.close()" in ast.unparse(last.finalbody[0])
    assert 'fields.serve(_g, motor=0, label="it\'s")' in text
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    call = next(node for node in calls if ast.unparse(node.func) == "safety.Guard")
    given = {word.arg: ast.literal_eval(word.value) for word in call.keywords}
    assert given == {
        "drive": "sluice_drive",
        "pins": ((0, 1, 2), (3, 4, 5)),
        "enables": (6, 7),
        "deadman_ms": 300,
        "hang": (5215, 10691),
        "travel": 6258,
        "speed": 156,
        "enable_off": 0,
    }


def test_limits_come_from_the_narrowest_sensor():
    assert source.travel_counts(spec(("bits = 14", "bits = 12"))) == pytest.approx(6258 / 4, abs=1)


def test_a_hang_reading_that_is_not_known_is_not_supervised():
    assert source.hang_counts(spec(("hang_reading_rad = { value = 2.00, tolerance = 0.08 }", ""))) == (None, 10691)


def test_answers_are_found_among_other_output():
    assert source.answers("boot noise\nRIG: ['a']\r\nmore\nRIG: {'b': 1}\n") == ["['a']", "{'b': 1}"]
