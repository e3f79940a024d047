"""Made-up runs of boards on benches on days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from random import Random

from harness.nouns.quantity import Quantity
from harness.record import Record
from tests.software.compare.records import INSTRUMENTS, SLUICE, quantity, record
from tests.software.record.contents import edited

RISE, STIFFNESS, SPREAD = "leaf.thermal.rise", "leaf.stiffness.open_loop", "leaf.commutation.step_spread"
ONLY_RISE = SLUICE.partition("[requirements]")[0] + '[requirements]\n"thermal.rise" = { max = 60.0 }\n'
"""The demo's rig file with one requirement."""


def run(
    values: Mapping[str, Quantity | str],
    number: int,
    *,
    board: str = "0a1b",
    bench: int = 1,
    day: int = 1,
    text: str = ONLY_RISE,
    **options: object,
) -> Record:
    """A run: `bench` is the serial number of its supply."""
    instruments = {**INSTRUMENTS, "supply": f"Maker,DC supply,SN{bench},1.0"}
    made = record(values, board=board, text=text, instruments=instruments, **options)  # type: ignore[arg-type]
    started = f"2026-01-{day:02d}T{number // 60:02d}:{number % 60:02d}:00+00:00"
    return edited(made, started_utc=started, seed=number)


def runs(
    *,
    boards: int = 4,
    benches: int = 3,
    days: int = 2,
    repeats: int = 2,
    s: Sequence[float] = (0.2, 0.05, 0.05, 0.05),
    mean: float = 50.0,
    claimed: float = 0.2,
    seed: int = 1,
    **options: object,
) -> list[Record]:
    """Rises that scatter by `s` between boards, benches, days and repeats (K), in shuffled order."""
    dice = Random(seed)
    offsets = [
        [dice.gauss(0.0, size) for _ in range(count)] for size, count in zip(s, (boards, benches, days), strict=False)
    ]
    made = []
    for number, (a, b, d, _) in enumerate(product(range(boards), range(benches), range(days), range(repeats)), 1):
        value = mean + offsets[0][a] + offsets[1][b] + offsets[2][d] + dice.gauss(0.0, s[3])
        values = {RISE: quantity(value, "K", scatter_u=0.01, instrument__meter_leaf__gain=claimed)}
        made.append(run(values, number, board=f"b{a}", bench=b + 1, day=d + 1, **options))  # type: ignore[arg-type]
    dice.shuffle(made)
    return made
