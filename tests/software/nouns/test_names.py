"""Names: their parts, what a table says of them, under which they can be asked for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.nouns.names import Name, PhaseTerminal

WORD = st.from_regex(r"[a-z][a-z0-9_]{0,5}", fullmatch=True)
MOTOR = WORD | st.just("")


@given(MOTOR, WORD, WORD)
def test_a_name_is_its_parts(motor: str, check: str, quantity: str) -> None:
    name = Name.of(motor, check, quantity)
    assert (name.motor, name.check, name.quantity) == (motor, check, quantity)
    assert name.suffix == f"{check}.{quantity}"
    assert name == f"{name.prefix}.{quantity}"
    assert name.prefix == (f"{motor}.{check}" if motor else check)
    assert Name.of(name.motor, name.check, name.quantity) == name


@given(MOTOR, WORD, WORD, st.data())
def test_the_entry_for_the_motor_goes_before_the_one_for_every_motor(motor, check, quantity, data) -> None:
    name = Name.of(motor, check, quantity)
    others = st.sampled_from([name.check, name.quantity, name.motor or "x", f"x.{name}"])
    table = dict.fromkeys(data.draw(st.sets(others)) - {name, name.suffix}, "another")
    assert name.entry_in(table) is None
    assert name.entry_in({**table, name.suffix: "every"}) == "every"
    assert name.entry_in({**table, name.suffix: "every", str(name): "own"}) == "own"


@pytest.mark.parametrize("value", [0, "", 0.0, False])
def test_an_entry_that_counts_as_nothing_is_an_entry(value: object) -> None:
    assert Name("leaf.step.delay").entry_in({"leaf.step.delay": value, "step.delay": 1}) == value


def test_it_is_asked_for_alone_on_every_motor_or_with_its_check_and_never_by_its_motor() -> None:
    assert Name("leaf.step.delay").keys == {"leaf.step.delay", "step.delay", "leaf.step", "step"}
    assert Name("together.supply_sag").keys == {"together.supply_sag", "together"}
    assert Name("step.stiffness.open_loop").keys.isdisjoint({"step"})  # a motor that is called like a check


@given(st.text(max_size=12))
def test_whatever_is_written_in_a_file_has_parts(words: str) -> None:
    name = Name(words)
    assert all(isinstance(part, str) for part in (name.motor, name.check, name.quantity, name.suffix, name.prefix))
    assert name in name.keys or not words


def test_a_check_alone_is_its_own_check() -> None:
    assert (Name("step").check, Name("step").motor, Name("step").prefix) == ("step", "", "")


def test_a_terminal_is_of_a_motor() -> None:
    assert (PhaseTerminal("leaf.B").motor, PhaseTerminal("leaf.B").phase) == ("leaf", "B")
    assert (PhaseTerminal("leaf").motor, PhaseTerminal("leaf").phase) == ("leaf", "")
