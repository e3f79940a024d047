"""SCPI instruments of the simulated bench, built from the `[instrument.*]` tables of a rig file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .engine import Instrument
from .multimeter import BETWEEN, MultimeterInstrument
from .server import ScpiServer
from .supply import SupplyInstrument
from .thermometer import ThermometerInstrument
from .wiring import Bench, Seeds

__all__ = ["Bench", "Instrument", "ScpiServer", "build_instruments"]


def build_instruments(
    rig: Mapping[str, Any], bench: Bench, *, plant_seed: int | None, seed: int
) -> dict[str, ScpiServer]:
    """Start a server for each `[instrument.NAME]` of a parsed rig file; returns them by name.

    `plant_seed` fixes each instrument's gain and offset within its accuracy entry, `seed` its noise.
    Raises ValueError for a class or a pair of terminals that is not there.
    """
    seeds = Seeds(plant=plant_seed, run=seed)
    return {
        name: ScpiServer(_build(name, entry, list(rig["motor"]), bench, seeds))
        for name, entry in rig.get("instrument", {}).items()
    }


def _build(name: str, entry: Mapping[str, Any], motors: list[str], bench: Bench, seeds: Seeds) -> Instrument:
    match entry["class"]:
        case "supply":
            return SupplyInstrument(name, bench, entry, seeds)
        case "thermometer":
            return ThermometerInstrument(name, bench, entry, seeds)
        case "multimeter":
            (motor, first), (other, second) = (terminal.split(".") for terminal in entry["across"])
            if motor != other or motor not in motors or first + second not in BETWEEN:
                raise ValueError(
                    f"instrument.{name}.across: two terminals of one motor expected, found {entry['across']}"
                )
            return MultimeterInstrument(name, bench, entry, seeds, motor=motors.index(motor), terminals=first + second)
        case other:
            raise ValueError(f"instrument.{name}.class: supply, multimeter or thermometer expected, found {other!r}")
