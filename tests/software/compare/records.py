"""Records made up for comparison: the demo's rig file, values and budgets as a test wants them."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from pathlib import Path

from harness.nouns.quantity import Contribution, Quantity
from harness.nouns.results import Measurement, Outcome, Unmeasured
from harness.record import Record
from harness.record.forms import measurement_entry, unmeasured_entry
from tests.software.record.contents import BOARD, DECLARED, RIG, opening, record_of

SLUICE = (Path(__file__).resolve().parents[3] / "rigs_demo" / "rigs" / "sluice.toml").read_text(encoding="utf-8")
INSTRUMENTS = {
    "supply": "Maker,DC supply,SN100,1.0",
    "meter_leaf": "Maker,Multimeter,SN200,1.0",
    "meter_wheel": "Maker,Multimeter,SN201,1.0",
    "thermometer": "Maker,Thermometer,SN300,1.0",
}
STIFFNESS = "leaf.stiffness.open_loop"
ANGLE = "leaf.commutation.offset"


def part(u: float, shape: str = "rectangular") -> Contribution:
    """A type B contribution."""
    return Contribution(u=u, shape=shape)  # type: ignore[arg-type]


def quantity(value: float, unit: str = "N m/rad", scatter_u: float = 0.001, **type_b: float) -> Quantity:
    """A value with a type A part of 20 degrees of freedom and type B parts by source (`__` for a dot)."""
    budget = {source.replace("__", "."): part(u) for source, u in type_b.items()}
    if scatter_u:
        budget["leaf.stiffness fit"] = Contribution(u=scatter_u, dof=20.0)
    return Quantity(value=value, unit=unit, budget=budget)


def record(
    values: Mapping[str, Quantity | str],
    number: int = 1,
    *,
    simulated: bool = False,
    plant_seed: int | None = None,
    rig: str = "sluice",
    text: str = SLUICE,
    motors: Sequence[str] = ("leaf", "wheel"),
    board: str = "0a1b",
    firmware: str = "f1",
    scripts: str = "s1",
    instruments: Mapping[str, str] = INSTRUMENTS,
    finished: bool = True,
    room_c: float | None = None,
) -> Record:
    """A record; a text in place of a value is the reason why it was not measured."""
    measured = [Measurement(name=name, quantity=q) for name, q in values.items() if isinstance(q, Quantity)]
    missing = [
        Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason=q) for name, q in values.items() if isinstance(q, str)
    ]
    prefixes = dict.fromkeys(name.rpartition(".")[0] for name in values)
    content = {
        **opening(),
        "schema": 1,
        "finished": finished,
        "started_utc": f"2026-01-01T00:00:{number:02d}+00:00",
        "rotorgate": "0.1.0",
        "simulated": simulated,
        "plant_seed": plant_seed,
        "seed": number,
        "rig": {**RIG, "name": rig, "text": text},
        "board": {**BOARD, "unique_id": board},
        "declared": dict.fromkeys(motors, DECLARED),
        "hashes": {"firmware": firmware, "scripts": {"hold.py": scripts}},
        "instruments": {name: {"class": name, "idn": idn, "address": ""} for name, idn in instruments.items()},
        "planned": list(values),
        "observations": [
            {
                "name": f"{prefix}.one",
                "file": f"observations/{prefix}.one.npy",
                "columns": [],
                "conditions": {"room_c": room_c},
            }
            for prefix in prefixes
            if room_c is not None
        ],
        "measurements": [measurement_entry(result) for result in measured],
        "unmeasured": [unmeasured_entry(result) for result in missing],
        "expectations": [],
        "verdicts": [],
    }
    return record_of(content, Path(f"run{number}"))


def scattered(
    count: int,
    *,
    name: str = STIFFNESS,
    mean: float = 0.65,
    s: float = 0.004,
    seed: int = 1,
    first: int = 1,
    **type_b: float,
) -> list[Record]:
    """Records of one quantity over as many mountings."""  # fmt: skip
    dice = random.Random(seed)
    return [record({name: quantity(dice.gauss(mean, s), **type_b)}, number) for number in range(first, first + count)]
