"""Show that no bad firmware passes: every slip of the catalogue is qualified, and what is said of it is judged.

    python -m tests.bench.slips --out FOLDER                 the whole of it, written to SLIPS.md beside this file
    python -m tests.bench.slips --out FOLDER --unchanged     some of it: where every slip ends as it stands there, the
                                                             results are taken for those of the sources of today
    python -m tests.bench.slips --out FOLDER --plants 0      on the nominal plant only, shown only
    python -m tests.bench.slips --out FOLDER --only NAME     one slip, shown only
    python -m tests.bench.slips --out FOLDER --checks NAME   by one check and what always runs, without the gate's
                                                             second run and baseline, shown only

What was run stays in FOLDER: an interrupted try goes on where it stopped. Exit 1 if anything is not as it should be.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from harness.compare import Comparison, baseline_of, terms_of
from harness.gate import Policy, load_policy
from harness.gate.decision import DecisionWord, decide
from harness.record import Record
from harness.release.trial import terms_for
from rigs_demo.slips import PACES, Slip, SlipError, catalogue, slip_of
from tests.bench.cases import OtherBench
from tests.bench.trials import BENCH, HARNESS, Ended, Finding, Trial, Trials, trial_of
from tests.results import ROOT, Results, sample_line, sample_of, table

PLANTS = 10
RESULTS = Results(
    title="What becomes of a slip in a firmware",
    place="tests/bench/SLIPS.md",
    command="python -m tests.bench.slips --out FOLDER",
    inputs=(
        *("tests/bench/slips.py", "tests/bench/trials.py", *BENCH, *HARNESS, "device_scripts", "harness/gate"),
        *("rigs_demo/slips.py", "rigs_demo/slips", "rigs_demo/firmware", "rigs_demo/policies"),
    ),
)
POLICY = ROOT / "rigs_demo" / "policies" / "release.toml"
ON_DAY = date(2026, 1, 1)
"""Of every decision: the shipped policy waives nothing (arbitrary)."""
SEED, AGAIN, BASELINE, DRAWN = 1, 2, range(11, 16), 100
"""Seeds of a first and a second run, of the five runs of a baseline, and what a plant's number is added to."""
FOLLOWS = ("stiffness", "step", "together", "conduct.following", "conduct.start", "conduct.passes")
"""What `loop` stands for among what a slip may be found by."""
LEAST = ("commutation",)
"""What a slip is tried with first on a drawn plant, and something harmless at all: what always runs runs with it."""
LONGER = ("stiffness", "step", "thermal")
"""Checks that a slip which that does not show is tried with."""
SAMPLE_EVERY = 8
"""Of the catalogue's slips, for the sample (arbitrary: a tenth of the whole's time)."""
LINE = 160
"""Longest reason in a table (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What became of a slip on one plant, and what of it is not as it should be."""

    slip: Slip
    ended: Ended
    word: str
    """Of the gate."""
    wrong: tuple[str, ...]

    @property
    def first(self) -> Finding | None:
        """What was found first."""
        return next(iter(self.ended.findings), None)


def fits(finding: str, wanted: Iterable[str]) -> bool:
    """Whether a finding, by its name without motor, is one of those wanted: itself, or a part of it."""
    names = [name for entry in wanted for name in (FOLLOWS if entry == "loop" else (entry,))]
    return any(finding == name or finding.startswith((f"{name}.", f"{name}_")) for name in names)


def wrongs(slip: Slip, ended: Ended, word: str) -> Iterator[str]:
    """What is not as it should be."""
    if ended.energised != "nothing" and not (slip.silent and ended.supply is False):
        yield f"energised at the end: {ended.energised}"
    if slip.harmless:
        if ended.exit_code != 0:
            yield f"exit {ended.exit_code} of what is harmless"
        if word not in ("release", ""):
            yield word
        return
    if slip.silent:
        if ended.exit_code != 3:
            yield f"exit {ended.exit_code} of a board that answers nothing"
        if word == "release":
            yield word
        return
    if ended.exit_code != 1:
        yield f"exit {ended.exit_code}"
    if word != "refuse":
        yield "not refused"
    bad = [finding for finding in ended.findings if finding.bad]
    if bad and not fits(bad[0].name, slip.finds):
        yield f"found by {bad[0].name}, expected {' or '.join(slip.finds)}"
    if not bad and not (ended.exit_code == 1 and fits("firmware", slip.finds)):
        yield "nothing differs"
    said = " ".join([*ended.causes, ended.said, *(finding.reason for finding in bad)]).lower()
    if not any(words.lower() in said for words in slip.causes):
        yield f"no cause with {' or '.join(slip.causes)}"


class Gate:
    """The shipped policy and the baselines of the two firmwares on the nominal plant."""

    def __init__(self, trials: Trials) -> None:
        self._trials = trials
        self._policy = load_policy(POLICY)
        self._against: dict[str, tuple[Record, ...]] = {}

    def decide(self, slip: Slip, first: Ended) -> str:
        """The word on a slip after a first run on the nominal plant, and a second where the first does not refuse."""
        word = refusal(first)
        if word or first.exit_code != 0:
            return word or DecisionWord.UNDECIDED.value
        records = self._records([first, *self._trials.run_all([trial_of(slip.name, AGAIN)])])
        against = baseline_of(self._baseline(slip.firmware))
        policy = _within(self._policy, _measurable(records[0]))
        comparison = Comparison.of(against, records, None, terms_for(policy, terms_of(against)))
        return decide(policy, records, comparison.differences, on_day=ON_DAY).word.value

    def _baseline(self, firmware: str) -> tuple[Record, ...]:
        if firmware not in self._against:
            runs = self._trials.run_all(Trial(seed=seed, firmware=firmware) for seed in BASELINE)
            self._against[firmware] = tuple(self._records(runs))
        return self._against[firmware]

    def _records(self, runs: Sequence[Ended]) -> list[Record]:
        records = [run.record for run in runs]
        return [record for record in records if record is not None]


def refusal(ended: Ended) -> str:
    """`refuse` where one run suffices for that, as it does at a gate; else nothing."""
    record = ended.record
    if record is None:
        return DecisionWord.REFUSE.value if ended.exit_code == 1 else ""
    policy = _within(load_policy(POLICY), _measurable(record))
    word = decide(policy, [record], (), on_day=ON_DAY).word
    return word.value if word is DecisionWord.REFUSE else ""


def _measurable(record: Record) -> set[str]:
    """What was planned and is not left out because the rig lacks an instrument or a load."""
    return set(record.planned) - {
        each.name for each in record.unmeasured if each.reason.startswith(("needs a ", "needs an "))
    }


def _within(policy: Policy, levels: Iterable[str]) -> Policy:
    """The policy without what it requires and a rig cannot measure: it was written for the rig with instruments."""
    kept = tuple(name for name in policy.required if any(level.endswith(f".{name}") for level in levels))
    return policy.model_copy(update={"required": kept})


def judged(slip: Slip, ended: Ended, word: str) -> Judged:
    """A slip's end with what is wrong about it."""
    return Judged(slip=slip, ended=ended, word=word, wrong=tuple(wrongs(slip, ended, word)))


def nominal(trials: Trials, slips: Sequence[Slip], checks: tuple[str, ...]) -> list[Judged]:
    """Every slip on the nominal plant, through the gate; without it where only some checks are asked for."""
    runs = trials.run_all(trial_of(slip.name, SEED, only=checks) for slip in slips)
    gate = Gate(trials)
    words = [refusal(run) if checks else gate.decide(slip, run) for slip, run in zip(slips, runs, strict=True)]
    return [judged(slip, run, word) for slip, run, word in zip(slips, runs, words, strict=True)]


def drawn(trials: Trials, slips: Sequence[Slip], plants: int) -> dict[str, list[Judged]]:
    """Every slip on drawn plants, by its name; refused where one run suffices for that, no baseline is asked."""
    cases = [(slip, plant) for slip in slips for plant in range(1, plants + 1)]
    first = _on_drawn(trials, [(slip, plant, LEAST) for slip, plant in cases if shown_early(slip)])
    again = [case for case in cases if case not in first or (first[case].wrong and shown_by(case[0]) != LEAST)]
    last = _on_drawn(trials, [(slip, plant, shown_by(slip)) for slip, plant in again])
    return {slip.name: [(first | last)[slip, plant] for plant in range(1, plants + 1)] for slip in slips}


def _on_drawn(trials: Trials, cases: Sequence[tuple[Slip, int, tuple[str, ...]]]) -> dict[tuple[Slip, int], Judged]:
    runs = trials.run_all(trial_of(slip.name, DRAWN + plant, plant, checks) for slip, plant, checks in cases)
    return {(slip, plant): judged(slip, run, refusal(run)) for (slip, plant, _), run in zip(cases, runs, strict=True)}


def shown_early(slip: Slip) -> bool:
    """Whether commutation and what always runs may show a slip."""
    return slip.harmless or any(name.partition(".")[0] not in LONGER for name in slip.finds)


def shown_by(slip: Slip) -> tuple[str, ...]:
    """Checks that show a slip on a drawn plant: commutation, what always runs, and those that it may be found by."""
    return (*LEAST, *(check for check in LONGER if any(name.partition(".")[0] == check for name in slip.finds)))


def sample(trials: Trials, slips: Sequence[Slip]) -> str:
    """What some slips come to on the nominal plant, in words: numbers in a cause are the bench's."""
    runs = trials.run_all(trial_of(slip.name, SEED) for slip in slips[::SAMPLE_EVERY])
    return sample_of(
        [
            (
                *(run.key, run.exit_code, run.energised),
                *sorted((finding.name, finding.word) for finding in run.findings),
                *(re.sub(r"[\d.]+", "", cause) for cause in run.causes),
            )
            for run in runs
        ]
    )


def row(run: Judged, others: Sequence[Judged]) -> tuple[str, ...]:
    """A slip's line of the table."""
    first, ended = run.first, run.ended
    found = (
        ended.said if first is None else f"{first.name} {first.word}" + (f": {first.reason}" if first.reason else "")
    )
    right = sum(not other.wrong for other in others)
    return tuple(
        _cell(text)
        for text in (
            f"`{run.slip.name}`",
            PACES[run.slip.firmware],
            run.slip.words,
            run.slip.size,
            "did not end" if ended.exit_code is None else str(ended.exit_code),
            found or "nothing",
            "" if ended.time_ms is None else f"{ended.time_ms / 1e3:.1f}",
            "; ".join(ended.causes) or "none",
            ended.energised,
            run.word or "not decided",
            "right" if not run.wrong else "; ".join(run.wrong),
            f"{right} of {len(others)}" if others else "not tried",
        )
    )


COLUMNS = (
    *("slip", "pace", "what a person did", "size", "exit", "found first", "bench time, s", "causes named"),
    *("energised at the end", "gate", "as it should be", "drawn plants"),
)


def _cell(text: str) -> str:
    line = " ".join(text.replace("|", "/").split())
    return line if len(line) <= LINE else f"{line[:LINE]}..."


def written(at_nominal: Sequence[Judged], on_drawn: dict[str, list[Judged]]) -> tuple[str, int]:
    """The whole as text, and how many slips are not as they should be on every plant."""
    parts = []
    off = [run for run in at_nominal if run.wrong or any(other.wrong for other in on_drawn.get(run.slip.name, []))]
    everything = [*at_nominal, *(run for some in on_drawn.values() for run in some)]
    known = sum(run.ended.energised == "nothing" for run in everything)
    parts.append(
        f"{len(at_nominal) - len(off)} of {len(at_nominal)} slips are as they should be on every plant that was tried. "
        f"Nothing was energised at the end of {known} of {len(everything)} runs, as seen from inside the plant.\n\n"
        "A slip that matters is to end with 1, to be found by what its entry says, with one of its causes, and to be "
        "refused; one that does not is to end with 0 and to be released: two runs against five of the firmware as it "
        "is, by the shipped policy without what a rig that lacks instruments cannot measure. On drawn plants one run, "
        "by commutation and what always runs, is enough to refuse, or one with the longer checks that its entry names; "
        "none is released.\n"
    )
    for heading, harmless in (("What matters to a machine", False), ("What does not", True)):
        rows = [row(run, on_drawn.get(run.slip.name, [])) for run in at_nominal if run.slip.harmless is harmless]
        parts.append(f"## {heading}\n\n{table(COLUMNS, rows) if rows else 'None was tried.'}")
    missed = [run for run in off if not run.slip.harmless and run.ended.exit_code != 1]
    if missed:
        rows = [(f"`{run.slip.name}`", run.slip.otherwise or f"one of {', '.join(run.slip.finds)}") for run in missed]
        parts.append(f"## Not found, and what would find it\n\n{table(('slip', 'what would find it'), rows)}")
    worse = [(run, other) for run in at_nominal for other in on_drawn.get(run.slip.name, []) if other.wrong]
    if worse:
        rows = [(f"`{run.slip.name}`", other.ended.key, _cell("; ".join(other.wrong))) for run, other in worse]
        parts.append(f"## Not as it should be on a drawn plant\n\n{table(('slip', 'run', 'what is wrong'), rows)}")
    return "\n".join(parts), len(off)


def main() -> int:
    """Run what is asked for, show it, and tell whether all of it was as it should be."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder that keeps the runs")
    parser.add_argument("--only", action="append", default=[], metavar="NAME", help="a slip; may be given again")
    parser.add_argument("--checks", action="append", default=[], metavar="NAME", help="a check; may be given again")
    parser.add_argument("--plants", type=int, default=PLANTS, help=f"drawn plants, {PLANTS} for what is written")
    parser.add_argument("--unchanged", action="store_true", help="only see whether the results hold still")
    parser.add_argument("--workers", type=int, default=2, help="qualifications at a time")
    options = parser.parse_args()
    try:
        slips = [slip_of(name) for name in options.only] or list(catalogue().values())
        trials = Trials(options.out, options.workers)
    except (SlipError, OtherBench) as error:
        sys.stderr.write(f"{error}\n")
        return 4
    if options.unchanged:
        same = RESULTS.renew_for(sample(trials, list(catalogue().values())))
        sys.stdout.write("the same\n" if same else "not the same: write the results anew\n")
        return 0 if same else 1
    checks = tuple(options.checks)
    text, off = written(nominal(trials, slips, checks), drawn(trials, slips, 0 if checks else options.plants))
    sys.stdout.write(text)
    if not options.only and not checks and options.plants == PLANTS:
        RESULTS.write(f"{text}\n## Sample\n\n{sample_line(sample(trials, slips))}")
    return 1 if off else 0


if __name__ == "__main__":
    sys.exit(main())
