"""What the README shows was said by its commands, and all of them can be given."""

from __future__ import annotations

import re

from harness.command import main as cli
from tests.bench import readme
from tests.results import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")


def outputs() -> list[list[str]]:
    """The README's blocks of output: those that begin with what a command says, not with a command."""
    blocks = re.findall(r"(?:^    .*\n)+", README, re.MULTILINE)
    lines = [[line.strip() for line in block.splitlines()] for block in blocks]
    return [block for block in lines if re.match(r"(\w+ \((SIMULATED|SIMULATED)\)|lot \w+,|0%)", block[0])]


def test_what_it_shows_was_said() -> None:
    said = {line.strip() for line in (ROOT / readme.RESULTS.place).read_text(encoding="utf-8").splitlines()}
    assert len(outputs()) == 5
    missing = [line for block in outputs() for line in block if line != "..." and not _in(line, said)]
    assert missing == [], f"bring the README up to date with {readme.RESULTS.place}"


def _in(line: str, said: set[str]) -> bool:
    begun = line.removesuffix(" ...")
    return line in said or (begun != line and any(full.startswith(begun) for full in said))


def test_every_command_of_its_series_can_be_given(tmp_path) -> None:
    steps = list(readme.steps(tmp_path))
    assert [cli.parse(list(step.words)).command for step in steps if step.shown] == [
        *("demo", "baseline", "gate", "study", "study"),
    ]
    boards = [step.words[step.words.index("--board") + 1] for step in steps if "--board" in step.words]
    assert len(set(boards)) == readme.BOARDS
    assert boards.count("B01") == readme.RUNS_OF_THE_REFERENCE
    assert boards[-1] != "B01", "the reference board lies between the others"


def test_a_command_is_given_once_and_what_it_said_is_kept(tmp_path) -> None:
    step = readme.Step(series="lot", words=("study", "capability", "--lot", "spring"))
    text = readme.said(tmp_path, 3, step)
    assert text.startswith("rotorgate: ") and text.endswith("(exit code 4)\n")
    assert str(tmp_path) not in text
    kept = tmp_path / "lot" / "said-3.txt"
    kept.write_text("kept", encoding="utf-8")
    assert readme.said(tmp_path, 3, step) == "kept"
