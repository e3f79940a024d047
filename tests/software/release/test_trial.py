"""How often a release is qualified, what ends that early, and what can never be shown is said before anything moves."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.base.errors import BenchError, ExitCode, FirmwareFault, HarnessError, UsageError
from harness.bench.backups import INDEX
from harness.compare import baseline_of, terms_of
from harness.gate import DecisionWord, Policy
from harness.gate.policy import loads_policy
from harness.nouns.results import Outcome, Verdict
from harness.record import Record
from harness.record.forms import verdict_entry
from harness.release import trial
from harness.release.trial import (
    GateConditions,
    ReleaseAttempt,
    attempt,
    check_reach,
    restore_or_forget,
    same_kind,
    terms_for,
)
from harness.run.means import FirmwareExchange, Means
from harness.run.session import Settings
from harness.store.baselines import StoredBaseline
from tests.software.compare.records import STIFFNESS, record, scattered
from tests.software.record.contents import edited

SLUICE = Path(__file__).resolve().parents[3] / "rigs_demo" / "rigs" / "sluice.toml"
STORED = StoredBaseline(
    id=1, name="spring", revision=1, accepted_utc="2026-03-01T08:00:00+00:00", by_whom="M. Keeper", why="good",
    despite=None, rig="sluice", simulated=False, runs=tuple(range(1, 9)), mountings=tuple("abcdefgh"), retirement=None,
    newest=True,
)  # fmt: skip


def policy(**entries: str) -> Policy:
    lines = {"repeats": "3", "time_budget_s": "100.0", "required": '["stiffness.open_loop"]', **entries}
    text = 'schema = 1\nname = "releases"\n' + "".join(f"{key} = {value}\n" for key, value in lines.items())
    return loads_policy(text.encode(), "policy.toml")


def conditions(by: Policy | None = None, records: Sequence[Record] | None = None) -> GateConditions:
    against = baseline_of(records or scattered(8))
    by = by or policy()
    terms = terms_for(by, terms_of(against))
    return GateConditions(policy=by, stored=STORED, against=against, terms=terms, on_day=date(2026, 11, 27))


class Clock:
    """Time that passes in runs only."""

    def __init__(self) -> None:
        self.s = 0.0

    def now_s(self) -> float:
        return self.s

    def sleep_s(self, duration_s: float) -> None:
        self.s += duration_s


class Bench:
    """Runs of `takes_s` each with the records it was given; an error in place of a record is raised."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *made: Record | Exception, takes_s: float = 10.0) -> None:
        self.made = list(made)
        self.clock = Clock()
        self.begun: list[Settings] = []
        self._takes_s = takes_s
        self._records: dict[Path, Record] = {}
        monkeypatch.setattr(trial, "read", self._records.__getitem__)

    def run(self, settings: Settings) -> Any:
        self.begun.append(settings)
        self.clock.sleep_s(self._takes_s)
        found = self.made[len(self.begun) - 1]
        if isinstance(found, Exception):
            raise found
        folder = settings.out or Path()
        self._records[folder] = found
        stop = found.stop
        return SimpleNamespace(
            folder=folder,
            code=ExitCode.BENCH if stop else ExitCode.AGREES,
            stop=None,
            trouble="",
            qualification=SimpleNamespace(stop=BenchError(stop.message) if stop else None),
        )

    def attempt(self, tmp_path: Path, by: GateConditions | None = None) -> ReleaseAttempt:
        settings = Settings(rig=SLUICE, out=tmp_path / "out", seed=4)
        return attempt(settings, by or conditions(), self.run, self.clock)  # type: ignore[arg-type]


def good(number: int) -> Record:
    return scattered(1, seed=40 + number, first=20 + number)[0]


def with_verdict(found: Record, outcome: str) -> Record:
    verdict = Verdict(name=STIFFNESS, outcome=Outcome(outcome), reason="why")
    return edited(found, verdicts=[verdict_entry(verdict)])


def stopped_by_bench(found: Record) -> Record:
    return edited(found, finished=False, stop={"kind": "bench", "message": "no link"})


def test_as_many_runs_as_the_policy_says_share_the_risk_and_decide_together(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, good(1), good(2), good(3))
    found = bench.attempt(tmp_path)
    assert found.decision.word is DecisionWord.RELEASE, found.decision.reasons
    begun = [(settings.number, settings.runs_sharing_risk, settings.seed) for settings in bench.begun]
    assert begun == [(1, 3, 4), (2, 3, 5), (3, 3, 6)]
    assert len(found.records) == 3


def test_what_is_refused_already_is_not_repeated(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, with_verdict(good(1), "differs"), good(2), good(3))
    found = bench.attempt(tmp_path)
    assert (found.decision.word, len(bench.begun)) == (DecisionWord.REFUSE, 1)
    assert found.decision.reasons == [f"{STIFFNESS}: differs: why"]


def test_what_cannot_be_told_is_repeated_as_planned(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, with_verdict(good(1), "cannot tell"), good(2), good(3))
    found = bench.attempt(tmp_path)
    assert (found.decision.word, len(bench.begun)) == (DecisionWord.UNDECIDED, 3)


def test_no_run_is_begun_that_would_pass_the_time_budget(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, good(1), good(2), good(3), takes_s=40.0)
    found = bench.attempt(tmp_path)
    assert (found.decision.word, len(bench.begun)) == (DecisionWord.UNDECIDED, 2)
    assert found.decision.reasons == ["the time budget of 100 s is spent after 2 of 3 runs"]
    assert found.decision.next_steps == ["a larger time_budget_s in policy.toml"]


def test_the_longest_run_so_far_is_what_another_one_may_take(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, *(good(number) for number in range(4)), takes_s=0.0)
    run, lengths = bench.run, iter((46.0, 5.0, 5.0, 5.0))

    def takes(settings: Settings) -> Any:
        bench.clock.sleep_s(next(lengths))
        return run(settings)

    monkeypatch.setattr(bench, "run", takes)
    found = bench.attempt(tmp_path, conditions(policy(repeats="4")))
    assert (found.decision.word, len(bench.begun)) == (DecisionWord.UNDECIDED, 3)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"trouble": "the supply does not answer"}, "the supply does not answer"),
        ({"code": ExitCode.BENCH}, "not left safe"),
    ],
)
def test_a_bench_that_was_not_left_safe_releases_nothing(tmp_path, monkeypatch, change, why):
    bench = Bench(monkeypatch, good(1))
    run = bench.run
    monkeypatch.setattr(bench, "run", lambda settings: SimpleNamespace(**{**vars(run(settings)), **change}))
    found = bench.attempt(tmp_path, conditions(policy(repeats="1")))
    assert (found.decision.word, found.decision.code) == (DecisionWord.UNDECIDED, ExitCode.BENCH)
    assert found.decision.reasons[0] == f"the bench could not be operated: {why}"


class Held:
    """Sessions of a gate with backups on disk, and a bench that is opened to put one back."""

    def __init__(self, tmp_path: Path, fails: Exception | None = None) -> None:
        self.opened: list[dict[str, Any]] = []
        self.put_back: list[object] = []
        self.sessions = [self._session(tmp_path / name, seed) for seed, name in enumerate(("first", "last"), start=1)]

        @contextlib.contextmanager
        def open_rig(_spec: object, **options: Any) -> Iterator[None]:
            self.opened.append(options)
            if fails is not None:
                raise fails
            options["before_firmware"]("the rig")
            yield

        firmware = FirmwareExchange(put=lambda *words, **more: self.put_back.append((words, more)))
        for session in self.sessions:
            session.means = Means(open_rig=open_rig, firmware=firmware)  # type: ignore[arg-type]

    @staticmethod
    def _session(backup: Path, seed: int) -> Any:
        backup.mkdir()
        (backup / INDEX).write_text("{}")
        settings = Settings(rig=SLUICE, plant_seed=5, board_seed=6, faults=("a",))
        return SimpleNamespace(backup=backup, spec=None, seed=seed, settings=settings)


def test_what_is_not_released_is_taken_off_the_board_that_the_last_run_was_on(tmp_path):
    held = Held(tmp_path)
    assert restore_or_forget(held.sessions, released=False) == ""
    (options,) = held.opened
    assert {key: options[key] for key in ("seed", "plant_seed", "board_seed", "faults")} == {
        "seed": 2, "plant_seed": 5, "board_seed": 6, "faults": ("a",),
    }  # fmt: skip
    assert options["ask_firmware"] is False, "where no module of that name was before, there is none to ask"
    assert held.put_back == [(("the rig", None), {"restore": True, "held": tmp_path / "last"})]


def test_backups_of_simulated_boards_that_have_ended_go_with_the_decision(tmp_path):
    """Each of its runs had a bench of its own, at a port of its own."""
    held = Held(tmp_path)
    assert len({session.backup for session in held.sessions}) > 1
    assert restore_or_forget(held.sessions, released=False) == ""
    assert [session.backup.exists() for session in held.sessions[:-1]] == [False] * (len(held.sessions) - 1)


def test_what_is_released_stays_and_its_backup_goes(tmp_path):
    held = Held(tmp_path)
    assert restore_or_forget(held.sessions, released=True) == ""
    assert (held.opened, (tmp_path / "last").exists()) == ([], False)


def test_firmware_that_cannot_be_put_back_is_told_with_what_does_it(tmp_path):
    held = Held(tmp_path, fails=BenchError("no such port"))
    assert restore_or_forget(held.sessions, released=False) == (
        f"the firmware from before is not back, `rotorgate qualify {SLUICE} --restore` does it: no such port"
    )
    assert (tmp_path / "last" / INDEX).exists()


def test_without_an_exchange_there_is_nothing_to_put_back(tmp_path):
    held = Held(tmp_path)
    (tmp_path / "first" / INDEX).unlink()
    none = [held.sessions[0], SimpleNamespace(backup=None)]
    assert restore_or_forget(none, released=False) == ""  # type: ignore[arg-type]
    assert held.opened == []


def test_a_bench_that_fails_refuses_nothing_and_what_was_measured_stands(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, good(1), stopped_by_bench(good(2)), good(3))
    found = bench.attempt(tmp_path)
    assert (found.decision.word, found.decision.code, len(bench.begun)) == (DecisionWord.UNDECIDED, ExitCode.BENCH, 2)
    assert len(found.records) == 2
    assert found.decision.reasons[0] == "the bench could not be operated: stopped: no link"
    assert found.comparison is not None, "the run that finished is compared"


def test_a_run_that_a_defect_left_incomplete_releases_nothing(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, good(1))
    run = bench.run
    monkeypatch.setattr(
        bench, "run", lambda settings: SimpleNamespace(**{**vars(run(settings)), "code": ExitCode.DEFECT})
    )
    found = bench.attempt(tmp_path, conditions(policy(repeats="1")))
    assert (found.decision.word, found.decision.code) == (DecisionWord.UNDECIDED, ExitCode.DEFECT)
    assert "a defect of rotorgate: a run did not do all that was planned" in found.decision.reasons[0]


@pytest.mark.parametrize(
    ("trouble", "code"),
    [
        (UsageError("no such folder"), ExitCode.USAGE),
        (HarnessError("planned quantities without a result"), ExitCode.DEFECT),
        (BenchError("no link"), ExitCode.BENCH),
    ],
)
def test_what_ends_the_row_gives_its_exit_code(tmp_path, monkeypatch, trouble, code):
    found = Bench(monkeypatch, good(1), trouble).attempt(tmp_path)
    assert (found.decision.word, found.decision.code) == (DecisionWord.UNDECIDED, code)


def test_a_bench_that_does_not_open_is_undecided(tmp_path, monkeypatch):
    found = Bench(monkeypatch, BenchError("no such port")).attempt(tmp_path)
    assert (found.decision.word, found.decision.code, found.records) == (DecisionWord.UNDECIDED, ExitCode.BENCH, ())
    assert found.decision.reasons[0] == "the bench could not be operated: no such port"


@pytest.mark.parametrize("before", [0, 1])
def test_firmware_that_cannot_be_used_is_refused(tmp_path, monkeypatch, before):
    bench = Bench(monkeypatch, *(good(n) for n in range(before)), FirmwareFault("firmware: SyntaxError"))
    found = bench.attempt(tmp_path)
    assert (found.decision.word, found.decision.code) == (DecisionWord.REFUSE, ExitCode.DIFFERS)
    assert "firmware: SyntaxError" in found.decision.reasons


def test_wrong_use_is_nobodys_refusal(tmp_path, monkeypatch):
    with pytest.raises(UsageError, match="simulated"):
        Bench(monkeypatch, UsageError("a simulated bench")).attempt(tmp_path)


def test_margins_and_risks_of_the_policy_go_before_the_rig_files():
    more = '[risks]\ndifference = 0.05\n[margins]\n"stiffness.open_loop" = { percent = 3 }'
    by = policy(required=f'["stiffness.open_loop"]\n{more}')
    terms = conditions(by).terms
    level = conditions(by).against.levels[STIFFNESS]
    assert terms.difference_risk == 0.05
    assert terms.margin(level) == pytest.approx(0.03 * level.value)
    assert conditions().terms.margin(level) == pytest.approx(0.15 * level.value), "else [detect] of the rig file"


def test_what_can_never_be_shown_is_said_before_anything_moves():
    check_reach(conditions())
    with pytest.raises(UsageError) as caught:
        check_reach(conditions(policy(required='["stiffness.open_loop", "step.delay"]')))
    assert str(caught.value) == (
        "policy.toml: required: step.delay was never measured in baseline spring, revision 1: leave it out, or accept "
        "a baseline that has it"
    )
    name = "leaf.step.decay"
    with pytest.raises(UsageError) as caught:
        check_reach(conditions(policy(required='["step"]'), scattered(8, name=name)))
    assert str(caught.value) == (
        f'policy.toml: required: {name} has no margin, so that nothing can show that it is as before: add "{name}" to '
        "[margins]"
    )


def test_simulated_and_real_are_never_compared():
    same_kind(SimpleNamespace(simulated=False), STORED)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="is of a real bench, this one is simulated: they are never compared; nothing"):
        same_kind(SimpleNamespace(simulated=True), STORED)  # type: ignore[arg-type]


def test_a_record_that_stands_in_the_baseline_is_no_release(tmp_path, monkeypatch):
    own = scattered(8)
    bench = Bench(monkeypatch, own[0])
    with pytest.raises(UsageError, match="stands in baseline spring, revision 1 itself"):
        bench.attempt(tmp_path, conditions(policy(repeats="1"), own))


def test_another_rig_is_refused(tmp_path, monkeypatch):
    bench = Bench(monkeypatch, record({STIFFNESS: good(1).results[0].quantity}, 30, rig="other"))  # type: ignore[union-attr]
    with pytest.raises(UsageError, match="other"):
        bench.attempt(tmp_path, conditions(policy(repeats="1")))
