"""Every true value of a scenario, by its full quantity name: what the modules of this folder with a TRUTH say."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from pathlib import Path

from rigs_demo.faults import plant_of
from rigs_demo.plant import drawing
from rigs_demo.truth.bench import KnownBench, Truth, Values
from rigs_demo.truth.firmware import read_firmware


def truths() -> dict[str, Truth]:
    """By check: each states its true values in a module of its name, which no list has to know."""
    modules = {entry.name: import_module(f"rigs_demo.truth.{entry.name}") for entry in _modules()}
    return {name: module.TRUTH for name, module in modules.items() if hasattr(module, "TRUTH")}


def _modules() -> list[pkgutil.ModuleInfo]:
    return [entry for entry in pkgutil.iter_modules([str(Path(__file__).parent)]) if entry.name != "gather"]


def gather(
    scenario: str,
    plant_seed: int | None,
    faults: tuple[str, ...],
    *,
    board_seed: int | None = None,
    responses: bool = True,
) -> Values:
    """Values and units; without `responses` no loop is run (a tenth of the time).

    Raises UnknownScenario, PlantFileError, FaultError.
    """
    bench = KnownBench(
        parameters=plant_of(scenario, plant_seed, faults, board_seed),
        firmware=read_firmware(scenario, faults),
        rig=drawing.rig_table(scenario),
        responses=responses,
    )
    values: Values = {}
    for check, truth in truths().items():
        for name in bench.parameters.motors:
            if truth.of_motor is not None:
                of_motor = truth.of_motor(bench, name)
                values.update({f"{name}.{check}.{quantity}": entry for quantity, entry in of_motor.items()})
        if truth.of_bench is not None:
            values.update({f"{check}.{quantity}": entry for quantity, entry in truth.of_bench(bench).items()})
    return values
