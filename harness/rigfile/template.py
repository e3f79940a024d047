"""The rig file that a person begins with, and the usual [detect] entries of every check in it."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

from harness.checks.catalogue import CHECKS
from harness.nouns.measurand import CheckRow, UsualDetect

FILE = "template.toml"
HEADING = """\
[detect]                         # the smallest deviation from the model that must not go unseen, with its reason
# A usual beginning: change what your application asks otherwise. A quantity without an entry is measured and shown, and
# not judged against the model; one whose inputs are commented out above is not judged either way.
"""
MOTOR = "first"
"""The motor of the template."""
COLUMN = 57
"""Where reasons begin, in letters from the start of a line."""


def template() -> str:
    """The commented rig file, for one motor; what needs a second one is commented out."""
    text = files("harness.rigfile").joinpath(FILE).read_text(encoding="utf-8")
    each = [line for row in CHECKS if row.per_motor for line in usual_detect(row, (MOTOR,))]
    all_ = [line for row in CHECKS if not row.per_motor for line in usual_detect(row, (MOTOR,))]
    second = ["# With a second motor:", *(line if line.startswith("# ") else f"# {line}" for line in all_)]
    return "\n".join([text + HEADING + each[0], *each[1:], *(second if all_ else [])]) + "\n"


def usual_detect(row: CheckRow, motors: Sequence[str]) -> list[str]:
    """Lines of [detect] for a check's quantities on a rig with these motors, each with its reason.

    A quantity without a usual entry is a comment that says why.
    """
    return [
        _line(f"{row.name}.{name}", measurand.detect)
        for measurand in row.quantities
        for name in measurand.names(motors)
    ]


def _line(name: str, usual: UsualDetect) -> str:
    if usual.entry is None:
        return f"# {name}: no usual entry: {usual.why}"
    percent, absolute = usual.entry.percent, usual.entry.absolute
    asked = f"absolute = {absolute:g}" if percent is None else f"percent = {percent:g}"
    return f'"{name}" = {{ {asked} }}'.ljust(COLUMN - 1) + f" # {usual.why}"
