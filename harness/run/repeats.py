"""Several qualifications one after another in one command, each a run of its own.

    runs = repeated(settings, 5, lambda one: run_session(BenchSession(one), keep=keep))

How many there will be is fixed before the first is measured, and they share the false-alarm risk (`runs_sharing_risk`
of harness.judge.verdict.Rule): five runs find a healthy board wanting no more often than one.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from harness.base.errors import ExitCode, HarnessError, UsageError
from harness.run.session import Settings, folder_for, refuse_used
from harness.run.whole_run import FinishedRun

MOST_SEED = 2**63
"""Seeds lie below it: a store keeps them in 64 bits with a sign."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """What became of runs that were to be made one after another."""

    asked: int
    runs: tuple[FinishedRun, ...]
    trouble: HarnessError | None = None
    """Why the next one could not be begun."""

    @property
    def code(self) -> ExitCode:
        """The exit code over all of them."""
        codes = [ended.code for ended in self.runs]
        return ExitCode.first_of(codes if self.trouble is None else [*codes, self.trouble.exit_code])


def settings_of(settings: Settings, count: int) -> list[Settings]:
    """Settings of each of `count` runs: folders DIR/1 to DIR/count, seeds counted up from the first.

    One run alone is written into DIR itself. Where no seed or no DIR is given the first seed is drawn, and DIR is a
    new folder under runs. Raises RigFileError, UsageError for a count or seed out of range, and RecordError where one
    of the folders holds a record.
    """
    if count < 1:
        raise UsageError(f"expected 1 run or more, found {count}")
    seed = secrets.randbelow(2**31) if settings.seed is None else settings.seed
    if seed + count > MOST_SEED:
        raise UsageError(f"--seed {seed}: expected at most {MOST_SEED - count} for {count} runs, which count it up")
    folder = folder_for(settings)
    each_run = [
        replace(
            settings,
            out=folder if count == 1 else folder / str(number),
            seed=seed + number - 1,
            number=number,
            runs_sharing_risk=count,
        )
        for number in range(1, count + 1)
    ]
    for each in each_run:
        refuse_used(each.out or folder)
    return each_run


def repeat(
    settings: Settings,
    count: int,
    run: Callable[[Settings], FinishedRun],
    *,
    go_on: Callable[[Sequence[FinishedRun]], bool] = lambda _runs: True,
) -> Repeats:
    """Make `count` runs one after another with `settings_of` each.

    `run` makes one of them, keeps it and shows it; `go_on` is asked before each but the first, with the runs made so
    far, whether there is time for another. Bench trouble, wrong use and a defect end the row; what was measured
    until then stands. Raises what the first run raises while nothing was measured; what a later one raises is in
    `trouble`.
    """
    runs: list[FinishedRun] = []
    for each in settings_of(settings, count):
        if runs and (runs[-1].code.ends_row or not go_on(runs)):
            break
        try:
            runs.append(run(each))
        except HarnessError as error:
            if not runs:
                raise
            return Repeats(asked=count, runs=tuple(runs), trouble=error)
        if runs[-1].stop is not None and len(runs) < count:
            return Repeats(asked=count, runs=tuple(runs), trouble=runs[-1].stop)
    return Repeats(asked=count, runs=tuple(runs))
