"""Small records to keep, as a run leaves them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Contribution, Quantity
from harness.nouns.results import Measurement, Outcome, Requirement, Unmeasured, Verdict
from harness.record import RecordWriter
from tests.software.record import contents

STARTED = "2026-03-01T08:00:00+00:00"
NAME = "leaf.stiffness.open_loop"


def begun(
    folder: Path, *, rig: str = "sluice", seed: int = 1, started: str = STARTED, version: str = "1.4.0"
) -> RecordWriter:
    """A record of a rig, of a firmware version."""
    return contents.writer(
        folder,
        started_utc=started,
        seed=seed,
        planned=[NAME],
        rig={**contents.RIG, "name": rig},
        declared={"leaf": {**contents.DECLARED, "version": version}},
    )


def observation(name: str, counts: Iterable[int]) -> Observation:
    data = np.array([(count,) for count in counts], dtype=[("count", "<i8")])
    return Observation(name=name, columns=(Column(name="count", unit="rad", scale=1e-3),), data=data)


def written(
    folder: Path,
    *,
    seed: int = 1,
    value: float = 0.652,
    observations: Iterable[Iterable[int]] = ((1, 2, 3), (4, 5)),
    finished: bool = True,
    **options: str,
) -> Path:
    """A record in `folder`: one quantity measured and judged twice, one not run, raw observations."""
    writer = begun(folder, seed=seed, **options)
    for number, counts in enumerate(observations):
        writer.keep(observation(f"leaf.stiffness.n{number}", [seed, *counts]))
    budget = {"noise": Contribution(u=0.008, dof=7.0)}
    writer.add(
        results=[
            Measurement(name=NAME, quantity=Quantity(value=value, unit="N m/rad", budget=budget)),
            Unmeasured(name="together.supply_sag", outcome=Outcome.NOT_RUN, reason="because"),
        ],
        verdicts=[
            Verdict(name=NAME, outcome=Outcome.AGREES),
            Verdict(name=NAME, outcome=Outcome.CONFORMING, requirement=Requirement(name=NAME, low=0.4)),
            Verdict(name="leaf.step.limits", outcome=Outcome.NONCONFORMING),
        ],
    )
    if finished:
        writer.finish(0, "2026-03-01T08:01:00+00:00")
    return folder
