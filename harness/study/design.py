"""Which run stands where: boards on benches on days, each combination as often as every other.

| factor | one level is |
|---|---|
| board | what a person called it, else its controller's unique id |
| bench | the instruments by their serial numbers; on a simulated bench also the drawn plant |
| day | the date in UTC on which a run was started |

Labels given by a person go before both. Days are crossed with benches where each bench saw every day; where each day
belongs to one bench, days are nested in benches. Boards are crossed with both, or nothing is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare.ownership import serial
from harness.record import Record

FACTORS = ("board", "bench", "day")


class Cell(NamedTuple):
    """Where one run stands."""

    board: str
    bench: str
    day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A balanced design. `order` has the number of a run at each board, bench, day (of the bench) and repeat."""

    boards: tuple[str, ...]
    benches: tuple[str, ...]
    days: tuple[str, ...]
    nested: bool
    """Each day belongs to one bench."""
    order: NDArray[np.intp]

    @property
    def repeats(self) -> int:
        """Runs of a board on a bench on a day."""
        return int(self.order.shape[-1])

    @property
    def days_studied(self) -> bool:
        """Whether days can be told from benches."""
        return len(self.days) > 1 and int(self.order.shape[2]) > 1

    @property
    def words(self) -> str:
        """`3 boards x 2 benches x 2 days x 3 runs`."""
        days = self.order.shape[2]
        parts = [
            _many(len(self.boards), "board"),
            _many(len(self.benches), "bench", "benches"),
            _many(days, "day") + (" on each" if self.nested and days > 1 else ""),
            _many(self.repeats, "run"),
        ]
        return " x ".join(parts)


def cells(records: Sequence[Record], benches: Sequence[str] | None, days: Sequence[str] | None) -> list[Cell]:
    """Where each record stands. Raises RecordError where one does not say."""
    labels = [_bench(record) for record in records]
    shared = set(labels[0]).intersection(*labels)
    own = [", ".join(thing for thing in things if thing not in shared) for things in labels]
    return [
        Cell(
            board=_board(record),
            bench=visible(benches[k] if benches is not None else own[k] or record.rig.name),
            day=visible(days[k] if days is not None else _day(record)),
        )
        for k, record in enumerate(records)
    ]


def design(cells_of_runs: Sequence[Cell]) -> Design:
    """The design that runs at these places make. Raises UsageError for the first combination that lacks a run."""
    runs: dict[Cell, list[int]] = {}
    for number, place in enumerate(cells_of_runs):
        runs.setdefault(place, []).append(number)
    boards, benches, days = (tuple(sorted({place[k] for place in cells_of_runs})) for k in range(3))
    usual = max(Counter(map(len, runs.values())).items(), key=lambda item: (item[1], item[0]))[0]
    of_bench = {bench: sorted({place.day for place in cells_of_runs if place.bench == bench}) for bench in benches}
    counts = {len(own) for own in of_bench.values()}
    nested = len(benches) > 1 and len(counts) == 1 and sum(map(len, of_bench.values())) == len(days)
    if not nested:
        of_bench = {bench: list(days) for bench in benches}
    for board, bench in product(boards, benches):
        for day in of_bench[bench]:
            count = len(runs.get(Cell(board, bench, day), ()))
            if count != usual:
                raise UsageError(
                    f"not crossed evenly: board {board} has {_many(count, 'run')} on bench {bench} on day {day}, where "
                    f"others have {usual}; every board takes as many runs on every bench and day (--bench and --day "
                    "give labels: one label for all leaves a factor out)"
                )
    order = [[[runs[Cell(a, b, day)] for day in of_bench[b]] for b in benches] for a in boards]
    return Design(
        boards=boards, benches=benches, days=days, nested=nested, order=np.array(order, dtype=np.intp)
    )  # fmt: skip


def serials(record: Record) -> Mapping[str, str]:
    """Maker, model and serial number of each instrument that has one, by its name. Raises RecordError."""
    known = {name: serial(entry.idn) for name, entry in record.instruments.items()}
    return {name: number for name, number in known.items() if number}


def _board(record: Record) -> str:
    return visible(record.board.name or record.board.unique_id)


def _bench(record: Record) -> list[str]:
    """What makes a bench another one, in words."""
    things = [f"{name} {number}" for name, number in serials(record).items()]
    if not record.simulated:
        return things
    plant = record.plant_seed
    return ["nominal plant" if plant is None else f"plant {plant}", *things]


def _day(record: Record) -> str:
    return record.started.date().isoformat()


def _many(count: int, singular: str, several: str = "") -> str:
    return f"{count} {singular if count == 1 else several or f'{singular}s'}"
