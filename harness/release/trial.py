"""A release tried on a bench: its qualifications one after another, the decision, and what becomes of the firmware.

The firmware that was on the board before is held in its backup until the decision: a release keeps its place, anything
else is taken off the board again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path

from harness.base.clock import Clock
from harness.base.errors import BenchError, ExitCode, FirmwareFault, HarnessError, UsageError
from harness.baseline.stored import compare_with
from harness.bench.backups import INDEX
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import signals_held
from harness.compare import Baseline, Comparison, Difference, Terms, in_time, terms_of
from harness.gate import Decision, DecisionWord, Objection, Policy, decide
from harness.gate.policy import required_by
from harness.record import Record, read
from harness.run.qualification import is_bench, why_stopped
from harness.run.repeats import Repeats, repeat
from harness.run.session import BenchSession, Settings
from harness.run.whole_run import FinishedRun
from harness.store.baselines import StoredBaseline

QualifyOnce = Callable[[Settings], FinishedRun]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateConditions:
    """What a release is judged by, all of it fixed before the first run."""

    policy: Policy
    stored: StoredBaseline
    against: Baseline
    terms: Terms
    on_day: date


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseAttempt:
    """What became of a release."""

    runs: tuple[FinishedRun, ...]
    records: tuple[Record, ...]
    comparison: Comparison | None
    decision: Decision

    @property
    def differences(self) -> Sequence[Difference]:
        """From the baseline; none where no run finished."""
        return self.comparison.differences if self.comparison is not None else ()


def terms_for(policy: Policy, by_default: Terms) -> Terms:
    """The terms of a comparison by a policy: its risks, and its margins before those of the baseline's rig file."""
    return replace(
        by_default,
        margins={**by_default.margins, **policy.margins},
        difference_risk=policy.risks.difference,
        equivalence_risk=policy.risks.equivalence,
    )


def remarks(conditions: GateConditions) -> list[str]:
    """Where the policy asks for less than would count without it, and a baseline that is not the newest, in words."""
    policy, stored, own = conditions.policy, conditions.stored, terms_of(conditions.against)
    words = [] if stored.newest else [f"{stored.title} is not the newest of its name"]
    for level in conditions.against.levels.values():
        asked, usual = conditions.terms.margin(level), own.margin(level)
        if level.records and not level.exact and asked is not None and usual is not None and asked > usual * (1 + 1e-9):
            unit = f" {level.lasting.unit}" if level.lasting.unit not in {"", "1"} else ""
            words.append(
                f"{level.name}: the policy's margin of {asked:.3g}{unit} is wider than the {usual:.3g}{unit} of the "
                "baseline's rig file"
            )
    if policy.risks.difference < own.difference_risk:
        less = f"{policy.risks.difference:g} is less than {own.difference_risk:g}"
        words.append(f"risks.difference of {less}: a difference must be larger to be seen")
    if policy.risks.equivalence > own.equivalence_risk:
        more = f"{policy.risks.equivalence:g} is more than {own.equivalence_risk:g}"
        words.append(f"risks.equivalence of {more}: what is off by its margin passes more often")
    return words


JUDGED_BY = ("rig", "requirements", "detect", "limits", "motor", "driver", "firmware", "supply", "room")
"""Sections of a rig file by which runs are judged; the others say where things are."""


def changed_sections(against: Baseline, record: Record) -> list[str]:
    """Sections in which the rig file judges otherwise than it did for the baseline's last run. Raises RecordError."""
    before, now = in_time(against.records)[-1].sections, record.sections
    return [f"[{key}]" for key in JUDGED_BY if before.get(key) != now.get(key)]


def check_reach(conditions: GateConditions) -> None:
    """Whether every required quantity can be shown to be as in the baseline at all. Raises UsageError with all."""
    policy, levels = conditions.policy, conditions.against.levels
    title = conditions.stored.title
    problems: list[str] = []
    for wanted in policy.required:
        known = [name for name in required_by(wanted, levels) if levels[name].records]
        if not known:
            problems.append(
                f"{policy.file}: required: {wanted} was never measured in {title}: leave it out, or accept a baseline "
                "that has it"
            )
        problems += [
            f"{policy.file}: required: {name} has no margin, so that nothing can show that it is as before: "
            f'add "{name}" to [margins]'
            for name in known
            if not levels[name].exact and conditions.terms.margin(levels[name]) is None
        ]
    if problems:
        raise UsageError("\n".join(dict.fromkeys(problems)))


def same_kind(rig: Rig, stored: StoredBaseline) -> None:
    """Whether rig and baseline are both simulated or both real. Raises UsageError; nothing is energised then."""
    if rig.simulated != stored.simulated:
        words = {True: "simulated", False: "real"}
        raise UsageError(
            f"{stored.title} is of a {words[stored.simulated]} bench, this one is {words[rig.simulated]}: they are "
            "never compared; nothing was energised"
        )


def attempt(settings: Settings, conditions: GateConditions, run: QualifyOnce, clock: Clock) -> ReleaseAttempt:
    """Qualify as often as the policy says, and decide.

    Ends early where the policy's time is over or a verdict refuses already. Raises UsageError, RecordError before
    anything is measured.
    """
    policy = conditions.policy
    records: list[Record] = []
    times_s = [clock.now_s()]
    late = False

    def once(each: Settings) -> FinishedRun:
        ended = run(each)
        records.append(read(ended.folder))
        times_s.append(clock.now_s())
        return ended

    def go_on(_runs: Sequence[FinishedRun]) -> bool:
        nonlocal late
        if decide(policy, records, (), on_day=conditions.on_day).word is DecisionWord.REFUSE:
            return False
        longest_s = max(after - before for before, after in pairwise(times_s))
        late = times_s[-1] - times_s[0] + longest_s > policy.time_budget_s
        return not late

    try:
        made = repeat(settings, policy.repeats, once, go_on=go_on)
    except (BenchError, FirmwareFault) as error:
        made = Repeats(asked=policy.repeats, runs=(), trouble=error)
    stopped: list[Objection] = []
    if isinstance(made.trouble, FirmwareFault):
        stopped.append(Objection(refuses=True, words=str(made.trouble)))
    if late:
        words = (
            f"the time budget of {policy.time_budget_s:g} s is spent after {len(made.runs)} of {policy.repeats} runs"
        )
        stopped.append(Objection(refuses=False, words=words, remedies=(f"a larger time_budget_s in {policy.file}",)))
    finished = [record for record in records if record.finished]
    comparison = None
    if finished:
        comparison = compare_with(conditions.stored, conditions.against, finished, terms=conditions.terms)
    decision = decide(
        policy,
        records,
        comparison.differences if comparison is not None else (),
        on_day=conditions.on_day,
        bench=_trouble(made),
        stopped=stopped,
    )
    # What ended the row may go before a bench that failed: wrong use and a defect of ours do.
    ends = [ended.code for ended in made.runs if ended.code.ends_row]
    ends += [made.trouble.exit_code] if made.trouble is not None else []
    decision = replace(decision, code=ExitCode.first_of([decision.code, *ends]))
    return ReleaseAttempt(runs=made.runs, records=tuple(records), comparison=comparison, decision=decision)


def restore_or_forget(sessions: Sequence[BenchSession], *, released: bool, locks: DeviceLocks | None = None) -> str:
    """Forget the firmware from before, or put it back, supply off; why that failed, "" if it did not.

    Cannot be interrupted half-way.
    """
    held = [session for session in sessions if session.backup is not None and (session.backup / INDEX).exists()]
    if not held:
        return ""
    session = held[-1]
    firmware = session.means.firmware
    for other in {each.backup for each in held} - {session.backup}:
        firmware.forget(other or Path())  # of a simulated board that has ended with its bench: others share one place
    if released:
        return firmware.forget(session.backup or Path())
    asked = session.settings
    try:
        with (
            signals_held(),
            session.means.open_rig(
                session.spec,
                seed=session.seed,
                plant_seed=asked.plant_seed,
                board_seed=asked.board_seed,
                faults=asked.faults,
                before_firmware=lambda rig: firmware.put(rig, None, restore=True, held=session.backup),
                ask_firmware=False,
                locks=locks,
            ),
        ):
            pass
    except HarnessError as error:
        return f"the firmware from before is not back, `rotorgate qualify {asked.rig} --restore` does it: {error}"
    return ""


def _trouble(made: Repeats) -> str:
    """Why the bench could not be operated; "" if it could."""
    if made.trouble is not None and not isinstance(made.trouble, FirmwareFault):
        return str(made.trouble) or type(made.trouble).__name__
    for ended in made.runs:
        stop = ended.qualification.stop
        if stop is not None:
            return why_stopped(stop) if is_bench(stop) else "a defect of rotorgate ended a run"
        if ended.trouble:
            return ended.trouble
        if ended.code is ExitCode.BENCH:
            return "not left safe"
        if ended.code is ExitCode.DEFECT:
            return "a defect of rotorgate: a run did not do all that was planned"
    return ""
