"""What is decided on a release, from the records of its runs, their comparison with the baseline, and a policy.

    refuse       something speaks against it: a verdict that differs or is nonconforming, a stop that the board
                 provoked, firmware that acts against its contract, a difference from the baseline, a required
                 quantity that was not measured
    undecided    nothing does, but something that it takes is not shown, or the bench could not be operated
    release      every required quantity was shown to be as in the baseline, and nothing speaks against it

A waiver takes away what speaks against one quantity, never a stop nor conduct of the firmware, and is told wherever the
decision is. A fault of the bench refuses nothing. Pure: nothing here measures, reads a clock or writes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from harness.base.errors import ExitCode
from harness.base.words import visible
from harness.compare import Difference, Finding
from harness.gate.policy import Policy, Waiver
from harness.judge.tally import missing
from harness.nouns.results import Outcome, Verdict
from harness.nouns.standing import Standing
from harness.record import Record


class DecisionWord(StrEnum):
    """The words of a decision."""

    RELEASE = "release"
    REFUSE = "refuse"
    UNDECIDED = "undecided"

    @property
    def standing(self) -> Standing:
        """What it says for the release."""
        return {
            DecisionWord.RELEASE: Standing.GOOD,
            DecisionWord.REFUSE: Standing.BAD,
            DecisionWord.UNDECIDED: Standing.OPEN,
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """What stands between a release and its being let through."""

    refuses: bool
    """Whether it speaks against the release; otherwise something is only not shown."""
    words: str
    quantity: str = ""
    """Full name; "" where it is of no single quantity."""
    may_be_waived: bool = True
    """Whether somebody may answer for it, where the policy lets them."""
    remedies: tuple[str, ...] = ()
    """What to measure or do next, a line each."""

    @property
    def line(self) -> str:
        """In one line."""
        return f"{self.quantity}: {self.words}" if self.quantity else self.words


@dataclass(frozen=True, slots=True, kw_only=True)
class WaivedObjection:
    """An objection that somebody answers for."""

    objection: Objection
    waiver: Waiver


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was decided, and why."""

    word: DecisionWord
    code: ExitCode
    objections: tuple[Objection, ...]
    waived: tuple[WaivedObjection, ...]
    idle: tuple[tuple[Waiver, str], ...]
    """Waivers that took nothing away, with the reason."""
    shown: tuple[str, ...]
    """Required quantities that were shown to be as in the baseline."""

    @property
    def reasons(self) -> list[str]:
        """What it rests on, one line each; what speaks against the release first."""
        return [objection.line for objection in self.objections] or [
            f"all {len(self.shown)} required quantities are as in the baseline, and nothing speaks against it"
        ]

    @property
    def next_steps(self) -> list[str]:
        """What to measure or do next, each once."""
        return list(dict.fromkeys(remedy for objection in self.objections for remedy in objection.remedies))


def decide(
    policy: Policy,
    records: Sequence[Record],
    differences: Sequence[Difference],
    *,
    on_day: date,
    bench: str = "",
    stopped: Iterable[Objection] = (),
) -> Decision:
    """The decision on a release.

    `records`: of its qualifications, fewer than `policy.repeats` where they were ended early. `differences`: of the
    finished ones from the baseline, none where none finished. `bench`: why the bench could not be operated; "" if it
    could. `stopped`: objections from outside any record, such as firmware that cannot be imported or time that ran out.
    """
    objections = [
        *stopped,
        *_of_verdicts(records),
        *_of_requireds(policy, records),
        *_of_rig_files(records),
        *_of_baseline(policy, differences),
        *_of_strangers(policy, records, differences),
    ]
    unique = list(dict.fromkeys(objections))
    kept: list[Objection] = []
    waived: list[WaivedObjection] = []
    for each in sorted(unique, key=lambda objection: not objection.refuses):
        waiver = policy.standing(each.quantity, on_day) if _may_be_waived(each) else None
        if waiver is None:
            kept.append(each)
        else:
            waived.append(WaivedObjection(objection=each, waiver=waiver))
    equivalent = {difference.name for difference in differences if difference.finding is Finding.EQUIVALENT}
    shown = tuple(policy.required_of(sorted(equivalent)))
    if not shown and not kept:
        kept.append(Objection(refuses=False, words="nothing required was shown to be as in the baseline"))
    ended = sum(record.finished for record in records)
    if not kept and ended < policy.repeats:
        words = f"{ended} of the {policy.repeats} qualifications that the policy asks for came to their end"
        kept.append(Objection(refuses=False, words=words, remedies=("run the gate again",)))
    word, code = _word(kept, bench)
    if bench:
        kept.insert(0, Objection(refuses=False, words=f"the bench could not be operated: {bench}", remedies=(REPAIR,)))
    return Decision(
        word=word,
        code=code,
        objections=tuple(kept),
        waived=tuple(waived),
        idle=tuple(_idle(policy, waived, on_day)),
        shown=shown,
    )


REPAIR = "put the bench in order and run the gate again: what was measured until then stands in its record"


def _word(kept: Sequence[Objection], bench: str) -> tuple[DecisionWord, ExitCode]:
    if bench:
        return DecisionWord.UNDECIDED, ExitCode.BENCH
    if any(objection.refuses for objection in kept):
        return DecisionWord.REFUSE, DecisionWord.REFUSE.standing.exit_code
    word = DecisionWord.UNDECIDED if kept else DecisionWord.RELEASE
    return word, word.standing.exit_code


def _may_be_waived(objection: Objection) -> bool:
    return bool(objection.quantity) and objection.may_be_waived


def _of_verdicts(records: Sequence[Record]) -> list[Objection]:
    """What the model or a requirement says against it, whichever repeat it was seen in; each quantity's words once."""
    entries: dict[tuple[str, Outcome], tuple[Verdict, list[int]]] = {}
    count = len(records)
    for number, record in enumerate(records, start=1):
        for verdict in record.verdicts:
            if verdict.outcome.standing in (Standing.BAD, Standing.OPEN):
                _, numbers = entries.setdefault((verdict.name, verdict.outcome), (verdict, []))
                numbers.append(number)
    return [_of_verdict(verdict, numbers, count) for verdict, numbers in entries.values()]


def _of_verdict(verdict: Verdict, numbers: Sequence[int], count: int) -> Objection:
    name, reason = visible(verdict.name), visible(verdict.reason or "no reason given")
    refuses = verdict.outcome.standing is Standing.BAD
    return Objection(
        refuses=refuses,
        quantity=name,
        may_be_waived=verdict.may_be_waived,
        words=f"{verdict.outcome.value}{_where(numbers, count)}: {reason}",
        remedies=() if refuses else tuple(f"{name}: {visible(remedy)}" for remedy in verdict.remedies or (reason,)),
    )


def _of_requireds(policy: Policy, records: Sequence[Record]) -> list[Objection]:
    """Required quantities that have no number although their run came to its end."""
    objections: dict[str, Objection] = {}
    for number, record in enumerate(records, start=1):
        if record.stop is not None:
            continue  # the bench's fault, told elsewhere
        for name in policy.required_of(record.planned):
            reason = _why_without(record, name)
            if reason and name not in objections:
                words = f"required, not measured{_where([number], len(records))}: {visible(reason)}"
                objections[name] = Objection(refuses=True, quantity=visible(name), words=words)
    return list(objections.values())


def _why_without(record: Record, name: str) -> str:
    """Why a planned quantity has no number; "" where it has one, or the bench could not tell."""
    if name in record.measurements:
        return ""
    for result in record.unmeasured:
        if result.name == name:
            return "" if result.outcome.standing is Standing.OPEN else result.reason or "no reason given"
    return "nothing of it stands in the record"


def _of_baseline(policy: Policy, differences: Sequence[Difference]) -> list[Objection]:
    """What is different, and what of the required is not shown to be the same."""
    required = set(policy.required_of(difference.name for difference in differences))
    objections: list[Objection] = []
    for difference in differences:
        if difference.finding is Finding.DIFFERENT:
            objections.append(
                Objection(refuses=True, quantity=difference.name, words=f"different: {difference.reason}")
            )
        elif difference.name in required and difference.finding is not Finding.EQUIVALENT:
            words = f"required, {difference.finding.value}: {difference.reason}"
            objections.append(
                Objection(refuses=False, quantity=difference.name, words=words, remedies=(_remedy(difference),))
            )
    return objections


def _of_rig_files(records: Sequence[Record]) -> Iterator[Objection]:
    """What the rig file requires of every qualification, and was not run or not judged."""
    for record in records:
        for verdict in missing(record.verdicts, record.required) if record.stop is None else ():
            name, reason = visible(verdict.name), visible(verdict.reason or "no reason given")
            words = f"required by the rig file, {verdict.outcome.value}: {reason}"
            yield Objection(refuses=False, quantity=name, words=words, remedies=(f"{name}: {reason}",))


def _of_strangers(policy: Policy, records: Sequence[Record], differences: Sequence[Difference]) -> Iterator[Objection]:
    """Required quantities that were measured, and have nothing to be compared with."""
    known = {difference.name for difference in differences}
    names = dict.fromkeys(name for record in records for name in record.measurements)
    for name in policy.required_of(names) if differences else ():
        if name not in known:
            words, remedy = "required, never measured in the baseline", f"{name}: accept a baseline that has it"
            yield Objection(refuses=False, quantity=visible(name), words=words, remedies=(visible(remedy),))


def _remedy(difference: Difference) -> str:
    """What would shrink the largest contribution to a difference, or what the finding says of it."""
    shares = difference.gap.shares() if difference.gap is not None else []
    words = difference.gap.remedy(shares[0][0]) if difference.gap is not None and shares else ""
    return f"{difference.name}: {words or difference.reason}"


def _where(numbers: Sequence[int], count: int) -> str:
    """In which repeats, where there were several and it was not in all."""
    if count < 2 or len(numbers) == count:
        return ""
    return f" in repeat {' and '.join(map(str, numbers))} of {count}"


def _idle(policy: Policy, waived: Sequence[WaivedObjection], on_day: date) -> list[tuple[Waiver, str]]:
    used = {id(pair.waiver) for pair in waived}
    return [
        (waiver, f"ended on {waiver.until}" if on_day > waiver.until else "nothing to waive")
        for waiver in policy.waiver
        if id(waiver) not in used
    ]
