"""From files to parameters: the plant file's nominal truth, or one rig drawn from the rig file's tolerances.

A plant seed draws each value that the rig file gives a tolerance for, from exactly that tolerance
around the RIG FILE's value: rectangular for a half-width, normal for `standard` and `expanded`.
What the rig file does not know stays as the plant file says, mounting angles apart. Each value has a
stream of its own, named by its key, so that a new parameter does not move the others. A board seed draws
in the same way what belongs to the board (`driver.*`), and nothing else: another board on the same bench.
What an instrument is off by is drawn where it reads (instruments/wiring.py), from the same seed.
"""

from __future__ import annotations

import math
import random
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from rigs_demo.plant.parameters import (
    ArmParameters,
    CouplingParameters,
    DriverParameters,
    MotorParameters,
    Parameters,
    SensorParameters,
    SupplyParameters,
    ThermalParameters,
)
from rigs_demo.streams import stream_of

HERE = Path(__file__).parent.parent
Table = Mapping[str, Any]

LOCAL_GRAVITY_TOLERANCE = 0.003
"""Relative half-width round standard gravity: 9.780 to 9.832 m/s2 between equator and pole (handbook)."""
STANDARD_GRAVITY_M_S2 = 9.80665
ELSEWHERE = {"firmware.dead_time_s": "driver.dead_time_s"}
"""What the rig file states where its author says it, and the plant has where it happens."""
BOARD = "driver."
"""What the keys of values that belong to the board begin with."""
PHASES_RAD = ("sensor.eccentricity_phase_rad", "sensor.tilt_phase_rad", "cogging_phase_rad")
"""Angles at which parts happen to be mounted: anywhere on a turn."""


class PlantFileError(Exception):
    """A plant or rig file of the simulated bench is missing or incomplete."""


def load(scenario: str, plant_seed: int | None = None, board_seed: int | None = None) -> Parameters:
    """Parameters of a shipped scenario, without faults. Raises PlantFileError."""
    return build(scenario, true_values(scenario, plant_seed, board_seed), rig_table(scenario))


def scenarios() -> list[str]:
    """Names of the shipped scenarios."""
    return sorted(path.stem for path in (HERE / "plants").glob("*.toml"))


def rig_table(scenario: str) -> Table:
    """The scenario's rig file as plain tables."""
    return _read(HERE / "rigs" / f"{scenario}.toml", scenario)


def plant_table(scenario: str) -> Table:
    """The scenario's plant file as plain tables."""
    return _read(HERE / "plants" / f"{scenario}.toml", scenario)


def _read(path: Path, scenario: str) -> Table:
    if scenario not in scenarios() or not path.is_file():
        raise PlantFileError(f"scenario: expected one of {', '.join(scenarios())}, found {scenario!r}")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def flat(table: Table, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted key, value) of every leaf; a value with its tolerance is one leaf."""
    for key, value in table.items():
        if isinstance(value, Mapping) and not _is_known(value):
            yield from flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _is_known(value: Table) -> bool:
    return "value" in value or "percent" in value


def true_values(scenario: str, plant_seed: int | None, board_seed: int | None = None) -> dict[str, Any]:
    """Flat table of true values: the plant file's, or those that `plant_seed` draws; the board's by `board_seed`."""
    values = _bench_values(scenario, plant_seed)
    if board_seed is not None:
        for named, known in flat(rig_table(scenario)):
            key = ELSEWHERE.get(named, named)
            if key.startswith(BOARD) and isinstance(known, Mapping) and "value" in known and key in values:
                values[key] = draw(known, stream_of(f"board {board_seed} {key}"))
    return values


def _bench_values(scenario: str, plant_seed: int | None) -> dict[str, Any]:
    values = dict(flat(plant_table(scenario)))
    if plant_seed is None:
        return values
    for named, known in flat(rig_table(scenario)):
        key = ELSEWHERE.get(named, named)
        stream = stream_of(f"plant {plant_seed} {key}")
        if key.endswith(".eccentricity_rad"):
            values[key] = stream.uniform(0.0, float(known))
        elif isinstance(known, Mapping) and "value" in known and key in values:
            values[key] = draw(known, stream)
    for key in values:
        if key.endswith(PHASES_RAD):
            values[key] = stream_of(f"plant {plant_seed} {key}").uniform(0.0, 2.0 * math.pi)
    gravity = stream_of(f"plant {plant_seed} gravity")
    values["gravity_m_s2"] = STANDARD_GRAVITY_M_S2 * (1.0 + gravity.uniform(-1.0, 1.0) * LOCAL_GRAVITY_TOLERANCE)
    return values


def draw(known: Table, stream: random.Random) -> float:
    """One value from a rig file's entry: rectangular half-width, standard or expanded (k = 2) uncertainty."""
    value = float(known["value"])
    for key, number in known.items():
        scale = abs(value) / 100.0 if key.endswith("_percent") else 1.0
        match key.removesuffix("_percent"):
            case "tolerance":
                return value + stream.uniform(-1.0, 1.0) * float(number) * scale
            case "standard":
                return stream.gauss(value, float(number) * scale)
            case "expanded":
                return stream.gauss(value, float(number) * scale / 2.0)
    return value


def build(scenario: str, values: Mapping[str, Any], rig: Table) -> Parameters:
    """Parameters from a flat table of true values; the rig file gives the order of motors."""
    try:
        supply = SupplyParameters(
            voltage_v=values["supply.voltage_v"],
            internal_resistance_ohm=values.get("supply.internal_resistance_ohm", 0.0),
            setting_gain=values["supply.voltage_v"] / float(rig["supply"]["voltage_v"]["value"]),
        )
        coupling = None
        if "coupling.stiffness_n_m_rad" in values:
            coupling = CouplingParameters(**_section(values, "coupling."))
        return Parameters(
            scenario=scenario,
            gravity_m_s2=values["gravity_m_s2"],
            room_c=values["room.temperature_c"],
            motors={name: _motor(_section(values, f"motor.{name}.")) for name in rig["motor"]},
            driver=DriverParameters(**_section(values, "driver.")),
            supply=supply,
            coupling=coupling,
        )
    except (KeyError, TypeError) as problem:
        raise PlantFileError(f"plants/{scenario}.toml: missing or unknown key: {problem}") from problem


def _section(values: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    return {key.removeprefix(prefix): value for key, value in values.items() if key.startswith(prefix)}


def _motor(values: dict[str, Any]) -> MotorParameters:
    own = {key: value for key, value in values.items() if "." not in key}
    sensor = _section(values, "sensor.")
    # The rig file's age is that of a reading in the firmware's hands; transfer and code take their share of it.
    age_s = sensor.pop("age_s")
    sensor["latency_s"] = max(0.0, age_s - sensor.pop("board_share_s"))
    sensor["pulse_noise_rad"] = sensor.pop("pulse_noise_ratio") * sensor["noise_rad"]
    load = _section(values, "load.")
    return MotorParameters(
        thermal=ThermalParameters(**_section(values, "thermal.")),
        sensor=SensorParameters(**sensor),
        arm=ArmParameters(**load) if load else None,
        **own,
    )
