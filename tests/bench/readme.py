"""Run what the README shows on the simulated bench, and keep what each command said in EXAMPLES.md beside this file.

    python -m tests.bench.readme --out FOLDER

FOLDER keeps the runs, so that a stopped series goes on where it was. The README's outputs are excerpts of EXAMPLES.md
(tested): after a series, bring them up to date by hand. Its picture is taken anew where there is a browser.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.base.clock import WallClock
from tests.bench.cases import QUALIFIED_BY
from tests.bench.conftest import rotorgate
from tests.results import ROOT, Results

RIG = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
POLICY = ROOT / "rigs_demo" / "policies" / "release.toml"
PICTURE = ROOT / ".pictures" / "report.png"
RESULTS = Results(
    title="What the README's commands said",
    place="tests/bench/EXAMPLES.md",
    command="python -m tests.bench.readme --out FOLDER",
    inputs=(
        *("tests/bench/readme.py", *QUALIFIED_BY, "harness/compare", "harness/gate", "harness/lot", "harness/study"),
    ),
)
BOARDS, RUNS_OF_THE_REFERENCE = 11, 6
LIMITS = '"stiffness.closed_loop" = { min = 0.54 }\n'
"""Requirement that the lot is held against, some standard deviations off what its boards do."""
BENCHES, DAYS, REPEATS = 3, 2, 2
BASELINE_RUNS = 6
WIDTH, HEIGHT = 1200, 900
"""Of the picture, in pixels."""
CLOCK = WallClock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One command, in a folder of its own series."""

    series: str
    words: tuple[str, ...]
    shown: bool = False
    """Whether the README shows what it says."""

    @property
    def command(self) -> str:
        """As a person types it."""
        return " ".join(("rotorgate", *self.words))


def steps(folder: Path) -> Iterator[Step]:
    """All commands in their order."""
    yield Step(series="demo", words=("demo",), shown=True)
    yield from baseline_and_gate(folder)
    yield from lot(folder)
    yield from gauge()


def baseline_and_gate(folder: Path) -> Iterator[Step]:
    """Six healthy runs, a firmware of half the gain beside them, and the gate on it."""
    release = str(folder / "half-gain")
    subprocess.run([sys.executable, "-m", "rigs_demo", "release", "half-gain", release], check=True, cwd=ROOT)
    for seed in range(1, BASELINE_RUNS + 1):
        yield _run("spring", str(RIG), seed)
    accepted = (*map(str, range(1, BASELINE_RUNS + 1)), "--by", "M. Keeper", "--why", "first boards with firmware 1.4")
    yield Step(series="spring", words=("baseline", "accept", "spring", *accepted))
    yield _run("spring", str(RIG), 7, "--firmware", release, "--restore")
    yield Step(series="spring", words=("baseline", "show", "spring", "7"), shown=True)
    words = (str(RIG), "--against", "spring", "--policy", str(POLICY), "--firmware", release, "--out", "gate")
    yield Step(series="spring", words=("gate", *words, "--seed", "8"), shown=True)


def lot(folder: Path) -> Iterator[Step]:
    """Eleven boards on one bench, the first of them between the others."""
    head, mark, tail = RIG.read_text(encoding="utf-8").partition("[requirements]")
    line, _, rest = tail.partition("\n")
    rig = folder / "lot.toml"
    rig.write_text(f"{head}{mark}{line}\n{LIMITS}{rest}", encoding="utf-8")
    seed = 0
    for board in range(1, BOARDS + 1):
        turns = [board, 1] if board > 1 and board % 2 == 0 and board // 2 < RUNS_OF_THE_REFERENCE else [board]
        for number in turns:
            seed += 1
            words = ("--only", "stiffness", "--repeats", "2", "--lot", "spring")
            yield _run("lot", str(rig), 2 * seed, *words, "--board", f"B{number:02d}", "--board-seed", str(number))
    words = ("study", "capability", "--lot", "spring", "--reference", "B01", "--out", "certificates")
    yield Step(series="lot", words=words, shown=True)


def gauge() -> Iterator[Step]:
    """Drawn plants in place of benches, and labels in place of days."""
    benches, days, number = [], [], 0
    for plant in range(1, BENCHES + 1):
        for day in range(1, DAYS + 1):
            for _ in range(REPEATS):
                number += 1
                benches.append(f"bench-{plant}")
                days.append(f"day-{day}")
                yield _run("gauge", str(RIG), number, "--only", "step", "--plant-seed", str(plant))
    labels = ("--bench", ",".join(benches), "--day", ",".join(days))
    runs = map(str, range(1, number + 1))
    yield Step(series="gauge", words=("study", "gauge", *runs, "--out", "gauge.html", *labels), shown=True)


def _run(series: str, rig: str, seed: int, *words: str) -> Step:
    return Step(series=series, words=("qualify", rig, "--seed", str(seed), "--out", f"runs/{seed}", *words))


def said(folder: Path, number: int, step: Step) -> str:
    """What a command says, run now if it has not been; a run that was cut off is made again."""
    place = folder / step.series
    kept = place / f"said-{number}.txt"
    if not kept.exists():
        place.mkdir(parents=True, exist_ok=True)
        if "--out" in step.words:
            shutil.rmtree(place / step.words[step.words.index("--out") + 1], ignore_errors=True)
        begin_s = CLOCK.now_s()
        done = rotorgate(*step.words, cwd=place)
        text = f"{done.stderr}{done.stdout}".replace(f"{folder}/", "").replace(f"{ROOT}/", "")
        kept.write_text(f"{text}(exit code {done.returncode})\n", encoding="utf-8")
        sys.stderr.write(f"{CLOCK.now_s() - begin_s:6.1f} s  {step.command}\n")
    return kept.read_text(encoding="utf-8")


def take_picture(page: Path) -> None:
    """The first screen of a report, in the README's place for it; nothing where there is no browser."""
    from tests.browser.looking import browser, program

    if program() is None:
        sys.stderr.write(f"no browser here: {PICTURE.name} stays as it is\n")
        return
    with browser() as opened:
        screen = opened.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        screen.goto(page.absolute().as_uri())
        screen.screenshot(path=PICTURE)


def main() -> int:
    """Run the series; write what the shown commands said."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder that keeps the runs")
    folder = parser.parse_args().out.absolute()
    folder.mkdir(parents=True, exist_ok=True)
    parts = []
    for number, step in enumerate(steps(folder)):
        text = said(folder, number, step)
        if step.shown:
            command = step.command.replace(f"{folder}/", "").replace(f"{ROOT}/", "")
            indented = "".join(f"    {line}\n" for line in text.splitlines())
            parts.append(f"## `{command}`\n\n{indented}")
    RESULTS.write("\n".join(parts))
    take_picture(next((folder / "demo" / "runs").glob("*/report.html")))
    return 0


if __name__ == "__main__":
    sys.exit(main())
