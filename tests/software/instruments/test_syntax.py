"""SCPI messages: forms of a header, the place in the tree, parameters, whatever bytes come."""

from __future__ import annotations

import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rigs_demo.instruments.errors import ScpiError
from rigs_demo.instruments.headers import HeaderPattern, forms
from rigs_demo.instruments.syntax import Parameter, units
from rigs_demo.instruments.values import Span, read_boolean, read_word

WORDS = ("VOLTage", "CURRent", "MEASure", "OUTPut", "PROTection", "NPLCycles", "STATus", "ON", "DC")

Node = tuple[str, bool, bool]
"""A mnemonic, whether it is optional, whether it takes a numeric suffix."""

nodes: st.SearchStrategy[list[Node]] = st.lists(
    st.tuples(st.sampled_from(WORDS), st.booleans(), st.booleans()), min_size=1, max_size=5
).filter(lambda path: not all(optional for _, optional, _ in path))


def written(path: list[Node]) -> str:
    """The header as the standard writes it; the colon goes with the optional node."""
    parts: list[str] = []
    for index, (word, optional, suffixed) in enumerate(path):
        node = word + "#" * suffixed
        later_required = all(before for _, before, _ in path[:index])
        if index == 0 or later_required:
            parts.append(f"[{node}:]" if optional else node)
        else:
            parts.append(f"[:{node}]" if optional else f":{node}")
    return "".join(parts)


@given(st.data(), nodes)
def test_every_short_and_long_form_is_understood_in_any_case(data: st.DataObject, path: list[Node]) -> None:
    sent: list[str] = []
    for word, optional, suffixed in path:
        if optional and data.draw(st.booleans()):
            continue
        form = data.draw(st.sampled_from(forms(word)))
        sent.append(form + ("1" if suffixed and data.draw(st.booleans()) else ""))
    message = "".join(data.draw(st.sampled_from((c.lower(), c.upper()))) for c in ":".join(sent))
    (unit,) = units(message)
    assert HeaderPattern(written(path)).matches(unit.header)


@given(st.data(), st.sampled_from([word for word in WORDS if forms(word)[0] != forms(word)[1]]))
def test_nothing_between_short_and_long_form_is_understood(data: st.DataObject, word: str) -> None:
    short, long = forms(word)
    cut = data.draw(st.integers(1, len(long) - 1))
    assume(cut != len(short))
    assert not HeaderPattern(word).matches(long[:cut])
    assert not HeaderPattern(word).matches(long + data.draw(st.sampled_from(["E", "X", "S"])))


def test_a_suffix_beyond_the_channels_is_its_own_error() -> None:
    pattern = HeaderPattern("OUTPut#[:STATe]", channels=2)
    assert pattern.matches("OUTP2:STAT")
    with pytest.raises(ScpiError) as caught:
        pattern.matches("OUTP3")
    assert caught.value.number == -114


mnemonics = st.from_regex(r"[A-Z][A-Z0-9_]{0,11}", fullmatch=True)
headers = st.lists(mnemonics, min_size=1, max_size=4)


def walk(sent: list[tuple[bool, list[str]]]) -> list[str]:
    """The tree by hand: a list of nodes, kept as a list, instead of text."""
    place: list[str] = []
    absolute: list[str] = []
    for from_root, path in sent:
        whole = path if from_root else place + path
        absolute.append(":".join(whole))
        place = whole[:-1]
    return absolute


@given(st.lists(st.tuples(st.booleans(), headers), min_size=1, max_size=6), st.booleans())
def test_semicolon_keeps_the_place_and_colon_goes_to_the_root(
    sent: list[tuple[bool, list[str]]], common_between: bool
) -> None:
    separator = ";*OPC?;" if common_between else ";"
    message = separator.join((":" if root else "") + ":".join(path) for root, path in sent)
    found = [unit.header for unit in units(message) if unit.header != "*OPC"]
    assert found == walk(sent)


def test_the_place_by_example() -> None:
    found = [unit.header for unit in units("SOUR:VOLT:PROT 14;TRIP?;:OUTP ON;*OPC?;STAT 1")]
    assert found == ["SOUR:VOLT:PROT", "SOUR:VOLT:TRIP", "OUTP", "*OPC", "STAT"]


@given(st.text(st.characters(max_codepoint=255), max_size=60))
def test_any_text_is_units_or_a_command_error(message: str) -> None:
    try:
        for unit in units(message):
            assert re.fullmatch(r"\*?[A-Z]\w*(:[A-Z]\w*)*", unit.header, re.ASCII)
    except ScpiError as error:
        assert error.is_command_error


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(["r", ".3e", "+.12E", "f"]))
def test_a_number_is_read_as_it_was_written(value: float, form: str) -> None:
    text = repr(value) if form == "r" else format(value, form)
    (unit,) = units(f"VOLT {text}")
    assert unit.parameters[0].value == float(text)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=30), st.sampled_from("'\""))
def test_a_string_holds_anything(text: str, quote: str) -> None:
    (unit,) = units(f"TEXT {quote}{text.replace(quote, quote * 2)}{quote} , 1;")
    assert unit.parameters == (
        Parameter(kind="string", text=text),
        Parameter(kind="number", text="1", value=1.0),
    )


@given(st.binary(max_size=40))
def test_a_block_holds_separators_too(data: bytes) -> None:
    text = data.decode("latin-1")
    length = str(len(text))
    first, second = units(f"DATA #{len(length)}{length}{text};*OPC?")
    assert first.parameters[0].text == text
    assert second.header == "*OPC"


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOLT 1 2", -103),
        ("VOLT 1,", -109),
        ("VOLT ,1", -109),
        ("VOLT +", -120),
        ("VOLT 'open", -150),
        ("DATA #9", -160),
        ("DATA #25AB", -160),
        ("DATA #19AB", -160),
        ("VOLT?1", -110),
        ("VOLT@ 1", -110),
        ("VERYLONGMNEMONIC 1", -112),
        ("?", -102),
        ("\x80", -101),
        ("VOLT 1;#", -102),
        ("VOLT #HXY", -160),
        ("VOLT #Q9", -120),
    ],
)
def test_each_mistake_has_its_number(message: str, number: int) -> None:
    with pytest.raises(ScpiError) as caught:
        list(units(message))
    assert caught.value.number == number


VOLTS = Span(low=-10.0, high=1e9, default=0.5, unit="V")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0),
        ("12 V", 12.0),
        ("12mv", 0.012),
        ("3 KV", 3e3),
        ("2MAV", 2e6),
        ("5 uV", 5e-6),
        ("-1e1", -10.0),
        ("#H1F", 31.0),
        ("#B101", 5.0),
        ("MIN", -10.0),
        ("MAXimum", 1e9),
        ("def", 0.5),
    ],
)
def test_numbers_with_multipliers_and_words(text: str, value: float) -> None:
    (unit,) = units(f"VOLT {text}")
    assert VOLTS.read(unit.parameters[0]) == pytest.approx(value, rel=1e-12)


def test_m_is_mega_before_hertz_and_milli_before_amperes() -> None:
    (unit,) = units("X 3 MHZ, 3 MA")
    hertz, amperes = unit.parameters
    assert Span(low=0, high=1e9, default=0, unit="HZ").read(hertz) == 3e6
    assert Span(low=0, high=1e9, default=0, unit="A").read(amperes) == pytest.approx(3e-3)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("-11", -222),
        ("1e12", -222),
        ("1e400", -222),
        ("3 A", -131),
        ("3 QV", -131),
        ("MINI", -141),
        ("'3'", -158),
        ("#11A", -168),
    ],
)
def test_numbers_that_are_refused(text: str, number: int) -> None:
    (unit,) = units(f"VOLT {text}")
    with pytest.raises(ScpiError) as caught:
        VOLTS.read(unit.parameters[0])
    assert caught.value.number == number


@pytest.mark.parametrize(
    ("text", "value"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("-2", True)]
)
def test_booleans(text: str, value: bool) -> None:
    (unit,) = units(f"OUTP {text}")
    assert read_boolean(unit.parameters[0]) is value


@pytest.mark.parametrize(("text", "number"), [("MAYBE", -224), ("'ON'", -158), ("1 V", -138)])
def test_booleans_that_are_refused(text: str, number: int) -> None:
    (unit,) = units(f"OUTP {text}")
    with pytest.raises(ScpiError) as caught:
        read_boolean(unit.parameters[0])
    assert caught.value.number == number


def test_words_in_both_forms() -> None:
    (unit,) = units("TRIG:SOUR imm,IMMEDIATE,IMMED")
    short, long, between = unit.parameters
    assert read_word(short, ("IMMediate", "BUS")) == read_word(long, ("IMMediate", "BUS")) == "IMMediate"
    with pytest.raises(ScpiError) as caught:
        read_word(between, ("IMMediate", "BUS"))
    assert caught.value.number == -224
