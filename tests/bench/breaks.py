"""Whether README's `pytest` sees what a practitioner may get wrong: each of these breaks should turn it red.

python -m tests.bench.breaks            half an hour; writes BREAKS.md beside; a stopped run goes on where it was
    --jobs N                            copies at a time (1); each takes all processors
    --only WORDS ... [-- ARGUMENT ...]  breaks whose words hold these, with arguments for pytest; writes nothing

The breaks were chosen before any was tried: a sign, a factor, a unit, a forgotten case, a dropped flush.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.breaks import ROOT, Break, outcomes
from tests.results import Results, table

WANTED = 18
ASIDE = ("--ignore=tests/software/test_breaks.py", "--ignore=tests/software/test_results.py")
"""They look at sources as text: a planted break is red there whatever it does, and would count as one that was seen."""
KEPT = ROOT / "build" / "breaks.json"
"""What is known so far, for one state of the sources."""
BREAKS = (
    # measure
    Break(
        words="the shaft turns the other way",
        file="harness/fits/shaft.py",
        right="* math.tau / turn)",
        wrong="* -math.tau / turn)",
    ),
    Break(
        words="a resistance referred the wrong way from one temperature to another",
        file="harness/corrections/resistance.py",
        right="resistance * (k_c + wanted) / (k_c + temperature)",
        wrong="resistance * (k_c + temperature) / (k_c + wanted)",
    ),
    Break(
        words="dead time taken off one half-bridge in place of two",
        file="harness/corrections/dead_time.py",
        right="difference - 2.0 * dead_share",
        wrong="difference - dead_share",
    ),
    Break(
        words="a rise time from 50 % in place of 10 %",
        file="harness/fits/pulse.py",
        right="low, _, high = reference_instants",
        wrong="_, low, high = reference_instants",
    ),
    # model
    Break(
        words="the torque of three phases without its 3/2",
        file="harness/physics/motor.py",
        right="return 1.5 * pole_pairs * flux_v_s",
        wrong="return pole_pairs * flux_v_s",
    ),
    Break(
        words="dead time's square wave in place of its fundamental",
        file="harness/physics/drive.py",
        right="return 4.0 / math.pi * dead_time_s",
        wrong="return dead_time_s",
    ),
    Break(
        words="the firmware's own delay forgotten",
        file="harness/physics/loop.py",
        right="age_s + late_s + henry / circuit_ohm",
        wrong="age_s + henry / circuit_ohm",
    ),
    # judge
    Break(
        words="the expectation's uncertainty forgotten",
        file="harness/judge/verdict.py",
        right="allowed = rule.limit(gap)",
        wrong="allowed = rule.limit(measured)",
    ),
    Break(
        words="conforming up to the limit itself",
        file="harness/judge/verdict.py",
        right="if inside < accept:",
        wrong="if inside < 0.0:",
    ),
    Break(
        words="the whole risk for each decision",
        file="harness/nouns/coverage.py",
        right="return -math.expm1(math.log1p(-risk) / decisions)",
        wrong="return -math.expm1(math.log1p(-risk))",
    ),
    Break(
        words="what is required and was never seen passes",
        file="harness/judge/tally.py",
        right="in gaps(verdicts, required) if gap.required]",
        wrong="in gaps(verdicts, required) if gap.required and gap.outcome is not None]",
    ),
    # link
    Break(
        words="credit that is never used up: more is sent than the board has room for",
        file="harness/link/protocol.py",
        right="        self._credit -= len(piece)\n",
        wrong="",
    ),
    Break(
        words="the board's checksum shifted by 11 bits in place of 12",
        file="device_scripts/frames.py",
        right="((high & 15) << 12)",
        wrong="((high & 15) << 11)",
    ),
    Break(
        words="frames counted in 12 bits in place of 16",
        file="harness/link/frames.py",
        right="if frame.sequence != self.expected & 0xFFFF:",
        wrong="if frame.sequence != self.expected & 0xFFF:",
    ),
    # store
    Break(
        words="a raw observation not forced to the disk",
        file="harness/base/disk.py",
        right="            os.fsync(stream.fileno())\n",
        wrong="",
    ),
    Break(
        words="a raw file not compared with its digest",
        file="harness/store/raw.py",
        right='        if digest(data) != sha256:\n            raise RecordError(f"{path}:',
        wrong='        if not data:\n            raise RecordError(f"{path}:',
    ),
    Break(
        words="a clock that went on taken for one that was set back",
        file="harness/store/store.py",
        right="now < before[0]",
        wrong="now > before[0]",
    ),
    # page
    Break(
        words="an uncertainty of one digit in place of two",
        file="harness/report/numbers.py",
        right="1 - math.floor(math.log10(u))",
        wrong="-math.floor(math.log10(u))",
    ),
    Break(
        words="a half-width in the bare unit beside a value in its thousandth",
        file="harness/report/numbers.py",
        right="± {half_width / factor:",
        wrong="± {half_width:",
    ),
    Break(
        words="an unfinished run whose headline says accepted",
        file="harness/report/page.py",
        right="overall(standings if whole else [*standings, Standing.OPEN])",
        wrong="overall(standings)",
    ),
)
RESULTS = Results(
    title="Breaks that README's pytest sees",
    place="tests/bench/BREAKS.md",
    command="python -m tests.bench.breaks",
    inputs=(*sorted({each.file for each in BREAKS}), "tests/bench/breaks.py"),
)


def near(planted: Break) -> tuple[str, ...]:
    """The quick form's tests of the room that a break is in, examples and published values: what they see, all see.

    A room without tests of its own is that of several checks, and has those of theirs.
    """
    package, *room = Path(planted.file).parent.parts
    tests = Path("tests", "software", *(room if package == "harness" else (package, *room)))
    of_room = tests if (ROOT / tests).is_dir() else tests.with_name("checks")
    return "--quick", *ASIDE, of_room.as_posix(), "tests/software/test_docstrings.py", "tests/reference"


def known() -> dict[str, str]:
    """The first red test of each break that was tried before, for the sources of today."""
    found = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
    return dict(found.get("red", {})) if found.get("inputs") == RESULTS.fingerprint else {}


def try_out(breaks: Sequence[Break], arguments: Sequence[str], jobs: int, red: dict[str, str], *, keep: bool) -> None:
    """Plant each in one of `jobs` copies, and note in `red` what saw it."""

    def some(part: Sequence[Break]) -> None:
        for outcome in outcomes(part, (*ASIDE, *arguments), near):
            red[outcome.planted.words] = outcome.red
            sys.stdout.write(f"{outcome.seconds:4.0f} s  {outcome.planted.words}: {outcome.red or 'NOT SEEN'}\n")
            sys.stdout.flush()
            if keep:
                KEPT.parent.mkdir(exist_ok=True)
                KEPT.write_text(json.dumps({"inputs": RESULTS.fingerprint, "red": red}, indent=1), encoding="utf-8")

    with ThreadPoolExecutor(jobs) as pool:
        list(pool.map(some, [part for k in range(jobs) if (part := breaks[k::jobs])]))


def main() -> int:
    """Plant them. 0 if enough of all, or each of some, was seen."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", nargs="+", default=[], metavar="WORDS")
    parser.add_argument("arguments", nargs="*")
    options = parser.parse_args()
    if options.jobs < 1:
        parser.error(f"--jobs: expected a number from 1, found {options.jobs}")
    if options.only or options.arguments:
        some = [each for each in BREAKS if any(words in each.words for words in options.only or [""])]
        if not some:
            parser.error(f"--only: no break has {' or '.join(map(repr, options.only))} in its words")
        red: dict[str, str] = {}
        try_out(some, options.arguments, options.jobs, red, keep=False)
        return 0 if all(red.values()) else 1
    red = known()
    try_out([each for each in BREAKS if each.words not in red], (), options.jobs, red, keep=True)
    seen = sum(bool(red[each.words]) for each in BREAKS)
    rows = [(each.words, each.file, red[each.words] or "**none**") for each in BREAKS]
    head = f"{seen} of {len(BREAKS)} breaks turn README's `pytest` red; at least {WANTED} must.\n\n"
    RESULTS.write(head + table(("break", "in", "first test that was red"), rows))
    sys.stdout.write(f"{head}written to {RESULTS.place}\n")
    return 0 if seen >= WANTED else 1


if __name__ == "__main__":
    sys.exit(main())
