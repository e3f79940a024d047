"""A gauge study from records to what is kept of it: the design, every quantity, what must be known of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from harness.base.errors import ExitCode, MeasurementError, UsageError
from harness.base.words import visible
from harness.compare.comparable import comparable_values, refuse_mixed, rig_of
from harness.compare.reference import surroundings
from harness.nouns.names import Name
from harness.nouns.results import Fitness, Requirement
from harness.nouns.standing import overall
from harness.record import Record
from harness.record.forms import clean
from harness.rigfile import RigSpec
from harness.study.design import Design, cells, design, serials
from harness.study.gauge import gauge_result
from harness.study.result import GaugeResult


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """What was found, of which runs."""

    rig: str
    simulated: bool
    design: Design
    quantities: tuple[GaugeResult, ...]
    remarks: tuple[str, ...]
    instruments: tuple[str, ...]
    """Serial numbers of what stood on the benches."""

    @property
    def headline(self) -> str:
        """Every word that occurs, counted."""
        words = [result.word for result in self.quantities]
        return ", ".join(f"{words.count(word)} {word.value}" for word in Fitness if word in words) or "nothing measured"

    @property
    def exit_code(self) -> ExitCode:
        """0 where the gauge of every requirement is fit and there is one; else 2: it says nothing of the boards."""
        return overall(result.word.standing for result in self.quantities if result.requirement is not None).exit_code

    def content(self, runs: Sequence[int]) -> dict[str, Any]:
        """As it is kept, shown as JSON, and made a page of. `runs`: numbers of its runs in the store."""
        shape = self.design
        entries = [{**asdict(result), "word": result.word.value} for result in self.quantities]
        kept: dict[str, Any] = clean(
            {
                "rig": self.rig, "simulated": self.simulated, "runs": list(runs), "headline": self.headline,
                "design": {
                    "words": shape.words, "boards": shape.boards, "benches": shape.benches, "days": shape.days,
                    "nested": shape.nested, "repeats": shape.repeats,
                },
                "quantities": entries, "remarks": self.remarks, "instruments": self.instruments,
            }
        )  # fmt: skip
        return kept


def gauge_study(
    records: Sequence[Record], benches: Sequence[str] | None = None, days: Sequence[str] | None = None
) -> GaugeStudy:
    """The study of these records; `benches` and `days` are labels, one a record.

    Requirements are those of the newest record's rig file. Raises UsageError for records that cannot stand together or
    are not crossed evenly, RecordError for one that cannot be read.
    """
    if not records:
        raise UsageError("a gauge study needs runs: expected several of each board, found none")
    refuse_mixed(records)
    for record in records:
        if not record.finished:
            raise UsageError(f"{visible(str(record.folder))}: did not come to its end: no run for a study")
    shape = design(cells(records, benches, days))
    spec = _newest_spec(records)
    nominal_v = surroundings(records[0]).nominal_v
    values_of_runs = [comparable_values(record, nominal_v) for record in records]
    names = list(dict.fromkeys(name for run in values_of_runs for name in run))
    limits = spec.required
    most = spec.rig.gauge_share_max
    try:
        quantities = [
            gauge_result(name, [run.get(name, "") for run in values_of_runs], shape, Name(name).entry_in(limits), most)
            for name in names
            if any(not isinstance(run.get(name, ""), str) for run in values_of_runs)
            or Name(name).entry_in(limits) is not None
        ]
    except MeasurementError as error:
        raise UsageError(f"gauge study of {shape.words}: {error}") from error
    quantities += _never_planned(names, limits, most)
    return GaugeStudy(
        rig=rig_of(records[0])[0],
        simulated=records[0].simulated,
        design=shape,
        quantities=tuple(quantities),
        remarks=tuple(_remarks(shape, simulated=records[0].simulated)),
        instruments=tuple(sorted({number for record in records for number in serials(record).values()})),
    )


def _newest_spec(records: Sequence[Record]) -> RigSpec:
    return max(records, key=lambda record: record.started).spec


def _never_planned(names: Sequence[str], limits: Mapping[str, Requirement], most: float) -> list[GaugeResult]:
    """Requirements on what none of the runs measures."""
    planned = {*names, *(Name(name).suffix for name in names)}
    reason = "none of these runs measures it"
    return [
        GaugeResult(name=key, word=Fitness.NOT_TOLD, reason=reason, requirement=requirement, most=most)
        for key, requirement in limits.items()
        if key not in planned
    ]


def _remarks(shape: Design, *, simulated: bool) -> list[str]:
    """What these runs cannot tell."""
    remarks = []
    if len(shape.boards) == 1:
        remarks.append("one board: what boards differ by, and how many groups of them are told apart, was not studied")
    if len(shape.benches) == 1:
        remarks.append("one bench: reproducibility between benches was not studied")
    if len(shape.days) == 1:
        remarks.append("one day: reproducibility between days was not studied")
    elif not shape.days_studied:
        remarks.append("every bench had a day of its own: what days differ by stands in what benches differ by")
    if shape.repeats == 1:
        remarks.append("one run of a board on each bench and day: its repeatability holds what else differs there")
    if simulated:
        remarks.append("SIMULATED: days of a simulated bench differ by nothing but noise, benches by what was drawn")
    return remarks
