"""What the drive contract lets expect of conduct; where it gives no number, what a person may rely on."""

from __future__ import annotations

import math

from harness.checks.conduct.quantities import CHECK
from harness.nouns.contract import Declared
from harness.nouns.measurand import Sense
from harness.nouns.quantity import Quantity, exact, rectangular
from harness.nouns.results import Expectation
from harness.rigfile import RigSpec

PROMPT_S = 0.1
"""In which off and stop have acted, as the contract says."""
PUNCTUAL_S = 0.02
"""By which a deadman may act late or early: a soft timer waits for what runs (arbitrary: some passes of a loop)."""
STEPPED = 0.02
"""Half-width of a duty's own steps over the amplitude of a weak field (arbitrary: 8 bits of half a supply)."""
DRIFT_A = 5e-3
"""Half-width of what a board at rest draws otherwise some seconds later, warmer (common practice, no source)."""
CREEP = 0.05
"""Half-width of what rounding in integers makes of a demand that should stay (arbitrary)."""
SIZES = ("field_error", "time_to_off")
"""Quantities that are a time or a size from nothing up to what is allowed."""
CONTRACT = "harness/nouns/CONTRACT.md, what holds between calls"


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Expectations of `motor`'s conduct, none of which needs anything of the rig file."""
    of = f"{motor}.conduct"
    grid = math.pi / declared.field_steps
    numbers: dict[str, tuple[Quantity, tuple[float, float] | None, str]] = {
        "field_amplitude": (
            rectangular(1.0, STEPPED, "1", f"{of} steps of a duty"),
            None,
            "amplitude 1 is a phase voltage peak of half the supply",
        ),
        "field_error": (
            rectangular(0.0, STEPPED, "1", f"{of} steps of a duty"),
            (0.0, grid),
            "as asked, but for the firmware's own grid of angles",
        ),
        "duties_error": (rectangular(0.0, STEPPED / 2.0, "1", f"{of} steps of a duty"), None, "as asked"),
        "time_to_off": (exact(0.0, "s"), (0.0, PROMPT_S), "off and stop act at once"),
        "current_left": (
            rectangular(0.0, DRIFT_A, "A", f"{of} idle current"),
            None,
            "nothing is driven that was switched off",
        ),
        "demand_growth": (
            rectangular(0.0, CREEP, "1", f"{of} whole numbers in a loop"),
            None,
            "the loop that is modelled takes its demand from its error alone",
        ),
        "deadman_late": (exact(0.0, "s"), (-PUNCTUAL_S, PUNCTUAL_S), "board.deadman_s after the last line"),
    }
    made = []
    for row in CHECK.quantities:
        if row.sense is Sense.COUNT:
            made.append(Expectation(name=f"{of}.{row.name}", quantity=exact(0.0, "1"), model=CONTRACT))
        else:
            quantity, interval, words = numbers[row.name]
            made.append(
                Expectation(
                    name=f"{of}.{row.name}",
                    quantity=quantity,
                    interval=interval,
                    from_floor=row.name in SIZES,
                    model=f"{words} ({CONTRACT})",
                )
            )
    return made
