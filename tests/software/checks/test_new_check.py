"""A check that somebody adds by the recipe of DEVELOPERS.md: additions only, and the whole house knows it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from tests.one_motor import rig_of_one
from tests.software.test_documents import files_of

ROOT = Path(__file__).resolve().parents[3]
TOY = Path(__file__).parent / "toy"
PACKAGES = ("harness", "device_scripts", "rigs_demo")
NAME = "rest.place"

pytestmark = pytest.mark.board


def added() -> list[str]:
    """The files of the toy check, from the top of the tree."""
    return sorted(path.relative_to(TOY).as_posix() for path in TOY.rglob("*.py"))


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the tree with the toy check in it: nothing of what was there is written over."""
    folder = tmp_path_factory.mktemp("tree")
    for package in PACKAGES:
        shutil.copytree(ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    for file in added():
        assert not (folder / file).exists(), f"{file} would be edited"
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(TOY / file, folder / file)
    return folder


def python(copy: Path, *words: str, code: int = 0) -> str:
    """Run Python with the copy before whatever is installed; what it says."""
    environment = {**os.environ, "PYTHONPATH": str(copy)}
    done = subprocess.run(
        [sys.executable, *words], cwd=copy, capture_output=True, text=True, check=False, env=environment
    )
    assert done.returncode == code, f"{words}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


COMMANDS = """
import contextlib, io, json, sys
from harness.command.main import main
for words in json.loads(sys.argv[1]):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = main(words)
    print(json.dumps([code, out.getvalue()]))
"""


def rotorgate(copy: Path, *commands: str) -> list[tuple[int, str]]:
    """Commands in the copy, one after another in one process: the exit code of each, and what it said."""
    said = python(copy, "-c", COMMANDS, json.dumps([command.split() for command in commands]))
    return [(code, out) for code, out in map(json.loads, said.splitlines())]


def test_the_recipe_lists_what_the_toy_check_adds() -> None:
    files = [file for file in files_of("A check") if file.endswith(".py")]
    patterns = [re.sub(r"<\w+>", "rest", file) for file in files if not file.startswith("tests/")]
    assert sorted(patterns) == added()
    assert any(fnmatchcase(file, "tests/software/checks/<check>/*") for file in files)


@pytest.fixture(scope="module")
def qualified(copy: Path) -> str:
    """A run of the toy check and a template; then a rig file `rig.toml` that asks of it what the template asks."""
    rig = copy / "rig.toml"
    rig.write_text(rig_of_one(), encoding="utf-8")
    (code, said), (made, _) = rotorgate(
        copy,
        "qualify rig.toml --only rest --seed 1 --out runs/1 --no-store",
        "inspect --new new.toml",
    )
    assert (code, made) == (0, 0)
    entry = re.search(r'^"rest\.place" = .*$', (copy / "new.toml").read_text(encoding="utf-8"), re.MULTILINE)
    assert entry, "the template asks of it what is usual"
    rig.write_text(rig_of_one().replace("[detect]", f"[detect]\n{entry[0]}\n#", 1), encoding="utf-8")
    return said


@pytest.mark.slow
def test_a_check_that_was_added_by_the_recipe_is_run_judged_and_drawn(copy: Path, qualified: str) -> None:
    assert re.search(r"--  leaf\.rest\.place", qualified), "nothing is asked of it yet: measured, not judged"
    (code, said), refused = rotorgate(
        copy, "qualify rig.toml --only rest --seed 2 --out page/2 --no-store", "qualify rig.toml --only nothing"
    )
    assert code == 0 and re.search(r"ok  leaf\.rest\.place .* agrees", said)
    page = (copy / "page" / "2" / "report.html").read_text(encoding="utf-8")
    assert "arm at rest" in page and "reading at which the arm rests, phases off" in page and "Reading at rest" in page
    assert refused == (4, "")


@pytest.mark.slow
def test_a_baseline_and_a_history_know_it(copy: Path, qualified: str) -> None:
    *codes, accepted, shown, drawn = rotorgate(
        copy,
        *(f"qualify rig.toml --only rest --seed {number} --out runs/{number}" for number in range(2, 8)),
        "baseline accept spring 1 2 3 4 5 --by Keeper --why good --store runs/store.sqlite",
        "baseline show spring 6 --json --store runs/store.sqlite",
        "history --store runs/store.sqlite --out history.html",
    )
    assert [code for code, _ in (*codes, accepted, shown, drawn)] == [0] * 9
    assert any(row["name"] == f"leaf.{NAME}" for row in json.loads(shown[1])["differences"])
    assert f"leaf.{NAME}" in (copy / "history.html").read_text(encoding="utf-8")


KNOWN = f"""
from harness.judge.causes import CAUSES
from rigs_demo.truth.gather import gather
print(gather("sluice", None, (), responses=False)["leaf.{NAME}"][1])
print(*[cause.name for cause in CAUSES if cause.effect("{NAME}")])
"""
"""Loops are not run for it: theirs are nine tenths of the time that true values take."""


def test_its_true_value_and_its_cause_are_known(copy: Path) -> None:
    unit, causes = python(copy, "-c", KNOWN).splitlines()
    assert unit == "rad"
    assert "arm turned" in causes
