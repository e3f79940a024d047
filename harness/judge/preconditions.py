"""What must be known of a motor before its loop is closed: a wrong motor makes the loop a runaway."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from harness.nouns.contract import OFFSET_LIMIT_RAD, Declared
from harness.nouns.coverage import whole_numbers
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Outcome, Unmeasured, Verdict


def trace_differs(motor: str, verdicts: Iterable[Verdict]) -> str:
    """Why nothing is to be measured by the firmware's trace of a motor's loop; "" where it tells what is so."""
    name = f"{motor}.conduct.trace"
    if any(verdict.name == name and verdict.outcome is Outcome.DIFFERS for verdict in verdicts):
        return f"because {name} differs: what the trace tells of the loop is not to be measured by"
    return ""


def place_differs(motor: str, verdicts: Iterable[Verdict]) -> bool:
    """Whether a motor's arm does not hang where it should: then nothing is turned about that place."""
    name = f"{motor}.commutation.hang_reading"
    return any(verdict.name == name and verdict.outcome is Outcome.DIFFERS for verdict in verdicts)


def loop_unsafe(
    motor: str, declared: Declared, results: Mapping[str, Measurement | Unmeasured], verdicts: Iterable[Verdict]
) -> str:
    """Why the firmware's loop on a motor must not be closed, from what commutation has shown; "" if it may."""
    differing = {verdict.name for verdict in verdicts if verdict.outcome is Outcome.DIFFERS}
    for quantity in ("direction", "pole_pairs", "phase_order", "offset"):
        if (name := f"{motor}.commutation.{quantity}") in differing:
            return f"because {name} differs: the loop could run away"
    for quantity in ("following", "start", "time_to_off", "passes_after_off"):
        if (name := f"{motor}.conduct.{quantity}") in differing:
            return f"because {name} differs: the drive does not do as it is told"
    known: dict[str, Quantity] = {}
    for quantity in ("direction", "pole_pairs", "offset"):
        result = results.get(f"{motor}.commutation.{quantity}")
        if not isinstance(result, Measurement):
            return f"because {motor}.commutation.{quantity} is not known: the loop could run away"
        known[quantity] = result.quantity
    counts = whole_numbers(known["pole_pairs"])
    if len(counts) != 1:
        return (
            f"because {motor} has {known['pole_pairs'].value:.2f} pole pairs, which is not known to one whole number: "
            "the loop could run away"
        )
    if counts[0] != declared.pole_pairs or known["direction"].value * declared.direction <= 0.0:
        return f"because {motor}'s pole pairs or direction are not those that the firmware declares"
    turn_rad = math.tau * declared.offset_count / declared.counts_per_turn
    declared_offset_rad = -declared.direction * declared.pole_pairs * turn_rad
    apart_rad = math.remainder(known["offset"].value - declared_offset_rad, math.tau)
    if abs(apart_rad) > OFFSET_LIMIT_RAD:
        return (
            f"because {motor}'s electrical offset is {math.degrees(apart_rad):+.0f} degrees from the one that the "
            "firmware declares: the loop could run away"
        )
    return ""
