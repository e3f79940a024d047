"""True values of what the checks measure, from the plant itself, without noise and without the board.

`truth` answers `python -m rigs_demo truth RIG`. Definitions are coded here and shared with nothing else. What a
number rests on (temperature 20 degC, mean over cogging and over the field's angle) stands at each module.
Left out, because the plant alone does not decide them: the jitter of the loop, and everything of a loop that
the firmware does not run by itself.
"""

from __future__ import annotations

from typing import TypedDict


class Entry(TypedDict):
    """One true value, in SI units."""

    value: float
    unit: str


def truth(
    scenario: str, plant_seed: int | None = None, faults: tuple[str, ...] = (), board_seed: int | None = None
) -> dict[str, Entry]:
    """True value and unit by full quantity name.

    Raises UnknownScenario, PlantFileError, FaultError.
    """
    from rigs_demo.truth.gather import gather

    values = gather(scenario, plant_seed, faults, board_seed=board_seed)
    return {name: Entry(value=value, unit=unit) for name, (value, unit) in values.items()}
