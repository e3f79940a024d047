"""Tables in documents that are made of the code, so that nobody has to keep them by hand.

    python -m tests.documents       write them anew

A table stands in its document between `<!-- table NAME -->` and `<!-- end -->`, lines of a rig file between
`# table NAME` and `# end`.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable

from harness.checks.catalogue import CHECK_NAMES, CHECKS, needed_by
from harness.judge.causes import CAUSES
from harness.nouns.contract import DECLARED, PARTS
from harness.nouns.effects import FREE, Anything, Becomes, Effect, Near, OneOf, Shift
from harness.nouns.measurand import MOTOR, CheckRow, Measurand, Origin, Sense
from harness.rigfile import load
from harness.rigfile.template import usual_detect
from tests.board_facts import board_tables
from tests.results import ROOT, table


def causes() -> str:
    """A table a check: a row for each cause that does something to its quantities, a column a quantity."""
    return "\n".join(_causes_of(check) for check in CHECK_NAMES)


def _causes_of(check: str) -> str:
    suffixes = {suffix for cause in CAUSES for suffix in cause.effects if suffix.startswith(f"{check}.")}
    columns = [suffix for suffix in sorted(suffixes) if any(_is_told(cause.effect(suffix)) for cause in CAUSES)]
    rows, anything = [], []
    for cause in CAUSES:
        cells = [cell(cause.effect(suffix)) for suffix in columns]
        if cause.effects.get(f"{check}.*") is FREE and {*cells} <= {"any"}:
            anything.append(cause.name)
        elif any(cells):
            rows.append((cause.name, *cells))
    effects_table = table(("cause", *(suffix.partition(".")[2] for suffix in columns)), rows) if rows else ""
    free = f"Anything may follow from: {', '.join(anything)}.\n\n" if anything else ""
    return f"## {check}\n\n{effects_table}{free}".removesuffix("\n")


def _is_told(effect: Effect | None) -> bool:
    return cell(effect) not in ("", "any")


def cell(effect: Effect | None) -> str:
    """What a cause does to a quantity: exponent, shift, pattern, `any`, or empty for `must agree`."""
    if effect is None or effect == 0.0 or isinstance(effect, Near):
        return ""
    if isinstance(effect, Anything):
        return "any" if effect is FREE else "stops"
    if isinstance(effect, Shift):
        return f"+ {effect.by}" if effect.scale == 1.0 else f"+ {effect.scale:g} {effect.by}"
    if isinstance(effect, OneOf):
        return " or ".join(f"{code:g}" for code in effect.codes)
    if isinstance(effect, Becomes):
        return effect.words
    return f"^{effect:g}"


def quantities() -> str:
    """A table a check: what each quantity is, what must usually not go unseen of it, and how it follows the rest."""
    return "\n".join(_quantities_of(row) for row in CHECKS)


def _quantities_of(check: CheckRow) -> str:
    rows = [
        (
            f"`{check.name}.{measurand.name.replace(MOTOR, '<motor>')}`",
            f"{measurand.words}{_legend(measurand)}{_kind(measurand)}",
            "" if measurand.unit == "1" else measurand.unit,
            asked(measurand),
            measurand.follows.why,
        )
        for measurand in check.quantities
    ]
    columns = ("quantity", "what it is", "unit", "usual `[detect]`", "supply and temperature")
    return f"## {check.title}\n\n{table(columns, rows)}".removesuffix("\n")


def _legend(measurand: Measurand) -> str:
    codes = ", ".join(f"{code} {meaning}" for code, meaning in enumerate(measurand.meanings))
    return f": {codes}" if codes else ""


def _kind(measurand: Measurand) -> str:
    origin = ["told by the board"] if measurand.origin is Origin.TOLD else []
    sense = [] if measurand.sense is Sense.NUMBER else [measurand.sense.value]
    return f" ({', '.join([*sense, *origin])})" if sense or origin else ""


def asked(measurand: Measurand) -> str:
    """The usual entry of [detect] with its reason."""
    entry, why = measurand.detect.entry, measurand.detect.why
    if entry is None:
        return f"none: {why}"
    size = f"{entry.percent:g} %" if entry.percent is not None else f"{entry.absolute:g} {measurand.unit}"
    return ": ".join(part for part in (size.removesuffix(" 1"), why) if part)


def parts() -> str:
    """Functions of the drive contract, with the checks that cannot run without them."""
    rows = [(f"`{part.call}`", part.meaning, _needed(needed_by(part.name))) for part in PARTS]
    return table(("function", "meaning", "needed by"), rows)


def _needed(checks: Iterable[str]) -> str:
    if set(checks) == set(CHECK_NAMES):
        return "every check"
    return ", ".join(checks) or "optional"


def declared() -> str:
    """What the firmware declares of itself."""
    return table(("key", "meaning"), [(f"`{key}`", meaning) for key, meaning in DECLARED.items()])


def detect() -> str:
    """The usual entries of [detect], for the demo's rig."""
    motors = load(ROOT / SLUICE).motors
    return "\n".join(line for row in CHECKS for line in usual_detect(row, motors))


SLUICE = "rigs_demo/rigs/sluice.toml"
TABLES: dict[str, dict[str, Callable[[], str]]] = {
    "harness/judge/CAUSES.md": {"causes": causes},
    "harness/nouns/CONTRACT.md": {"parts": parts, "declared": declared},
    SLUICE: {"detect": detect},
    "harness/checks/QUANTITIES.md": {"quantities": quantities},
    "rigs_demo/README.md": {"board": board_tables},
}


def filled(text: str, name: str, made: str) -> str:
    """A document's text with this table in its place. Raises ValueError where it has none."""
    markdown = re.compile(rf"(?<=<!-- table {name} -->\n).*?(?=<!-- end -->)", re.DOTALL)
    toml = re.compile(rf"(?<=# table {name}\n).*?(?=# end\n)", re.DOTALL)
    if markdown.search(text):
        return markdown.sub(lambda _: f"\n{made.strip()}\n\n", text)
    if toml.search(text):
        return toml.sub(lambda _: f"{made.strip()}\n", text)
    raise ValueError(f"expected <!-- table {name} --> and <!-- end -->, or # table {name} and # end, found neither")


def current(document: str) -> str:
    """A document as the code of today has it."""
    text = (ROOT / document).read_text(encoding="utf-8")
    for name, make in TABLES[document].items():
        text = filled(text, name, make())
    return text


if __name__ == "__main__":
    for document in TABLES:
        (ROOT / document).write_text(current(document), encoding="utf-8")
        sys.stdout.write(f"{document}\n")
