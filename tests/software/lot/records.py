"""Records of boards of a lot, made up: the demo's rig file with a requirement, values and budgets as a test wants."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import Any

from harness.lot.gathered import LotRun
from harness.nouns.quantity import Contribution, Quantity
from tests.software.compare.records import SLUICE, record
from tests.software.record.contents import BOARD, DECLARED, RIG, RISK, VERDICT, edited

NAME = "leaf.thermal.driver_rise"
TEXT = SLUICE.replace(
    '"thermal.rise" = { max = 60.0 }', '"thermal.rise" = { max = 60.0 }\n"thermal.driver_rise" = { max = 6.0 }'
)


def rise(value: float, own_u: float = 0.02, **type_b: float) -> Quantity:
    """A value with a type A part of 30 degrees of freedom and type B parts by source (`__` for a dot)."""
    budget = {source.replace("__", "."): Contribution(u=u, shape="rectangular") for source, u in type_b.items()}
    if own_u:
        budget["leaf.thermal fit"] = Contribution(u=own_u, dof=30.0)
    return Quantity(value=value, unit="K", budget=budget)


def run(
    number: int,
    board: str | None,
    values: Mapping[str, Quantity | str],
    *,
    unique_id: str | None = None,
    repeat: tuple[int, int] = (1, 1),
    verdicts: Sequence[Mapping[str, Any]] = (),
    exit_code: int = 0,
    machine: str = "a board",
    text: str = TEXT,
    **options: Any,
) -> LotRun:
    """One run of a board; its unique id is made from its name unless one is given."""
    made = edited(
        record(values, number, text=text, **options),
        started_utc=f"2026-01-01T{number // 60:02d}:{number % 60:02d}:00+00:00",
        board={
            **({} if board is None else {"name": board}),
            **BOARD,
            "unique_id": unique_id if unique_id is not None else f"id{board}",
            "machine": machine,
        },
        declared={motor: {**DECLARED, "version": "2.0"} for motor in ("leaf", "wheel")},
        rig={**RIG, "text": text, "description": "a bench"},
        repeat={"number": repeat[0], "of": repeat[1]},
        risk=RISK,
        verdicts=[{**VERDICT, **verdict} for verdict in verdicts],
        exit_code=exit_code,
    )
    return LotRun(number=number, uid=f"uid{number}", record=made)


def boards(
    count: int,
    *,
    mean: float = 3.7,
    s: float = 0.4,
    repeats: int = 2,
    noise: float = 0.02,
    seed: int = 1,
    first: int = 1,
    **options: Any,
) -> list[LotRun]:
    """Runs of `count` boards, their true values normal, each measured `repeats` times with normal noise."""
    dice = random.Random(seed)
    runs = []
    for number in range(first, first + count):
        true = dice.gauss(mean, s)
        for k in range(repeats):
            value = rise(true + dice.gauss(0.0, noise), noise, instrument__meter_leaf__voltage=0.05)
            place = (number - 1) * repeats + k + 1
            runs.append(run(place, f"B{number:02d}", {NAME: value}, repeat=(k + 1, repeats), **options))
    return runs
