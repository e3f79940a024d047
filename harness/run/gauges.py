"""Which studies of the gauge a qualification is judged by: of each quantity the newest that told something of it.

A later study of fewer quantities, or of too few runs to tell, does not take away what an earlier one found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.errors import HarnessError
from harness.nouns.results import Gauge
from harness.record.entries import GaugeEntry
from harness.record.values import Damage
from harness.store.address import Address, beside
from harness.study.kept import gauges_of, instruments_of

if TYPE_CHECKING:
    from harness.store.studies import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiesInForce:
    """What the record of a run is to say of studies of its rig."""

    entry: GaugeEntry
    instruments: Mapping[int, Sequence[str]] = field(default_factory=dict)
    """Serial numbers of what stood on the bench, by the number of a study."""


def studies_in_force(store: Address | None, folder: Path, rig: str) -> dict[bool, StudiesInForce]:
    """The studies that a run in `folder` is judged by, by whether the bench is simulated.

    `store` None: the one beside the folder. A store that is not there yet has none; one that cannot be read changes no
    verdict and is told of. Read before anything is opened: what is not known then is never used.
    """
    try:
        address = store or beside(folder)
        if address.file is not None and not address.file.exists():
            return {}
        from harness.store import Store

        with Store.open(address) as opened:
            by_bench = {simulated: opened.studies.all("gauge", rig, simulated=simulated) for simulated in (False, True)}
        return {simulated: _found(studies, address) for simulated, studies in by_bench.items() if studies}
    except HarnessError as error:
        why = StudiesInForce(entry=GaugeEntry(quantities=(), remarks=(f"no study of the gauge was read: {error}",)))
        return {False: why, True: why}


def record_entry(studies: StudiesInForce | None, identities: Mapping[str, str]) -> GaugeEntry | None:
    """The entry `gauge` of a record; None where there is no study. `identities`: answers to *IDN? by instrument.

    It carries what judging needs and who of the instruments was not there when a study was made: a study is of the rig
    as it was, still applies, and that is said.
    """
    if studies is None:
        return None
    from harness.compare.ownership import serial

    numbers = {name: number for name, idn in identities.items() if (number := serial(idn))}
    remarks = list(studies.entry.remarks)
    for study, known in studies.instruments.items():
        strangers = [f"instrument {name} ({number})" for name, number in numbers.items() if number not in known]
        if strangers:
            remarks.append(f"study {study} was made without {', '.join(strangers)}, and is applied all the same")
    return replace(studies.entry, remarks=tuple(remarks))


def _found(studies: Iterable[Study], address: Address) -> StudiesInForce:
    """What judging needs of studies, oldest first; one that is damaged is told of and left out."""
    newest: dict[str, Gauge] = {}
    remarks = []
    instruments: dict[int, list[str]] = {}
    for study in studies:
        try:
            gauges = gauges_of(study.content, study.id, study.made_utc)
            instruments[study.id] = instruments_of(study.content)
        except (KeyError, TypeError, Damage):  # what cannot be judged by is told before anything is opened
            remarks.append(f"study {study.id} of {address.shown} is damaged, and is not applied")
            continue
        newest.update({gauge.name: gauge for gauge in gauges})
    used = {gauge.study for gauge in newest.values()}
    return StudiesInForce(
        entry=GaugeEntry(store=address.shown, quantities=tuple(newest.values()), remarks=tuple(remarks)),
        instruments={study: known for study, known in instruments.items() if study in used},
    )
