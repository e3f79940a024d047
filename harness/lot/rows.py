"""A lot as rows of tables at the terminal: its capability, its boards, what differs from the reference board."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from harness.compare import Finding
from harness.compare.rows import RowFormat, difference_row
from harness.lot.gathered import Lot
from harness.lot.quantities import LotQuantity
from harness.lot.reference import ReferenceComparison
from harness.nouns.coverage import half_width
from harness.nouns.names import Name
from harness.nouns.results import Outcome, Requirement
from harness.nouns.standing import Standing
from harness.show.columns import Heading, Layout, TableRow
from harness.show.table import rounded


def _layout(name: str, right: str, left: str, narrow: int) -> Layout:
    return Layout(
        headings=(
            Heading(words=name),
            *(Heading(words=word, right=True) for word in right.split()),
            *(Heading(words=word) for word in left.split()),
        ),
        narrow=narrow,
        with_names=narrow + 14,
    )


CAPABILITY = _layout("quantity", "boards mean s bench+- required Cpk above bench", "unit figure", 98)
BOARDS = _layout("board", "runs value +- required", "unit verdict", 72)


def capability_row(quantity: LotQuantity) -> TableRow:
    """One quantity of a lot that has a requirement."""
    scale = RowFormat.of(quantity.mean, quantity.s, quantity.unit)
    limit = required(quantity.requirement, scale)
    counts, mean, s, shift = (
        str(len(quantity.boards)),
        scale.number(quantity.mean),
        scale.size(quantity.s),
        scale.size(quantity.shift),
    )
    indices = ("", "", "")
    word, reason = quantity.short or quantity.why_not, quantity.why_not
    standing: Standing | None = Standing.UNJUDGED
    if quantity.capability is not None:
        capability = quantity.capability
        indices = f"{capability.cpk:.2f}", f"{capability.cpk_least:.2f}", f"{capability.cpk_bench:.2f}"
        word, standing, reason = "given", None, ""
        if capability.doubtful:
            word, standing = "doubtful", Standing.OPEN
            reason = (
                f"not like a sample of a normal distribution (p = {capability.normal_p:.2g}), which the figures rest on"
            )
    phrases = [f"{counts} boards", f"mean {mean} {scale.unit}".strip(), s and f"s {s}", f"required {limit}", word]
    if quantity.capability is not None:
        phrases.append(f"Cpk {indices[0]}, above {indices[1]} with 95 %")
    return TableRow(
        standing=standing,
        name=quantity.name,
        cells=(counts, mean, s, shift, limit, *indices, scale.unit),
        word=word,
        sentence=", ".join(part for part in phrases if part),
        group=Name(quantity.name).prefix,
        reason=reason,
    )


def board_rows(quantity: LotQuantity) -> list[TableRow]:
    """One quantity of every board."""
    rows = []
    for board, value in quantity.boards.items():
        mean = value.mean
        half = half_width(mean)
        scale = RowFormat.of(mean.value, half, quantity.unit)
        outcome = value.verdict.outcome if value.verdict is not None else Outcome.NOT_JUDGED
        limit = required(quantity.requirement, scale)
        number, spread = scale.number(mean.value), scale.size(half)
        rows.append(
            TableRow(
                standing=outcome.standing,
                name=f"{board} {quantity.name}",
                cells=(str(value.runs), number, spread, limit, scale.unit),
                word=outcome.value,
                sentence=f"{number} +- {spread} {scale.unit}, required {limit}, {outcome.value}",
                reason=value.verdict.reason if value.verdict is not None else "",
            )
        )
    rows += [
        TableRow(
            standing=Standing.ABSENT,
            name=f"{board} {quantity.name}",
            cells=("", "", "", "", ""),
            word=Outcome.NOT_RUN.value,
            sentence=Outcome.NOT_RUN.value,
            reason=why,
        )
        for board, why in quantity.missing.items()
    ]
    return rows


def reference_rows(reference: ReferenceComparison) -> list[TableRow]:
    """What is different, board by board."""
    return [
        replace(
            difference_row(difference.found, reference.levels[difference.found.name]),
            name=f"{board} {difference.found.name}",
            group="",
        )
        for board, differences in reference.by_board.items()
        for difference in differences
        if difference.found.finding is Finding.DIFFERENT
    ]


def difference_line(reference: ReferenceComparison, board: str) -> str:
    """`B02: 40 equivalent, 1 different`."""
    words = [difference.found.finding for difference in reference.by_board[board]]
    counted = ", ".join(f"{words.count(word)} {word.value}" for word in Finding if word in words)
    return f"{board} beside reference board {reference.board}: {counted}"


def required(requirement: Requirement | None, scale: RowFormat) -> str:
    """`>= 0.45`, `<= 6`, or both, in a row's unit."""
    if requirement is None:
        return ""
    low, high = requirement.low, requirement.high
    ends = [f">= {rounded(low / scale.factor)}"] if low is not None else []
    return " ".join([*ends, *([f"<= {rounded(high / scale.factor)}"] if high is not None else [])])


def with_requirement(quantities: Iterable[LotQuantity]) -> list[LotQuantity]:
    """Those that have one and are measured."""
    return [quantity for quantity in quantities if quantity.requirement is not None and not quantity.exact]


def explained(lot: Lot, shown: Sequence[LotQuantity]) -> list[str]:
    """What the columns of the capability say, in sentences."""
    where = f"All of it on the reference motor ({lot.motors}) of this bench; no other motor was measured."
    if not any(quantity.capability is not None for quantity in shown):
        return [where]
    return [
        where,
        "Cpk: observed, from the scatter s of the boards' means with what measuring adds to it, so that the boards are "
        "no worse. above: its lower 95 % confidence limit. bench: the same wherever the bench's own error (bench+-, "
        "which shifts all boards alike and is not in s) lies within its 95 %. All for a random sample of boards of a "
        "normal distribution, of which so few boards can only show gross departures.",
    ]
