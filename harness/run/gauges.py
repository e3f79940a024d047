"""Which studies of the gauge a qualification is judged by: of each quantity the newest that told something of it.

A later study of fewer quantities, or of too few runs to tell, does not take away what an earlier one found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.errors import HarnessError, RecordError
from harness.record.forms import gauges_from
from harness.store.address import Address, beside

if TYPE_CHECKING:
    from harness.store.studies import Study

Found = Mapping[str, Any]
KEYS = ("name", "grr", "mean", "largest")


def in_force(store: Address | None, folder: Path, rig: str) -> dict[bool, Found]:
    """What the record of a run in `folder` is to say of studies of its rig: by whether the bench is simulated.

    `store` None: the one beside the folder. A store that is not there yet has none; one that cannot be read changes no
    verdict and is told of (`trouble`). Read before anything is opened: what is not known then is never used.
    """
    try:
        address = store or beside(folder)
        if address.file is not None and not address.file.exists():
            return {}
        from harness.store import Store

        with Store.open(address) as opened:
            those = {virtual: opened.studies.all("gauge", rig, virtual=virtual) for virtual in (False, True)}
        return {virtual: _found(studies, address) for virtual, studies in those.items() if studies}
    except HarnessError as error:
        why = {"trouble": f"no study of the gauge was read: {error}"}
        return {False: why, True: why}


def for_record(found: Found | None, identities: Mapping[str, str]) -> dict[str, Any] | None:
    """The entry `gauge` of a record; None where there is no study. `identities`: answers to *IDN? by instrument.

    It carries what judging needs and who of the instruments was not there when a study was made: a study is of the rig
    as it was, still applies, and that is said.
    """
    if found is None:
        return None
    if "trouble" in found:
        return {"quantities": [], "remarks": [found["trouble"]]}
    from harness.compare.belonging import serial

    numbers = {name: number for name, idn in identities.items() if (number := serial(idn))}
    remarks = list(found["remarks"])
    for study, known in found["instruments"].items():
        strangers = [f"instrument {name} ({number})" for name, number in numbers.items() if number not in known]
        if strangers:
            remarks.append(f"study {study} was made without {', '.join(strangers)}, and is applied all the same")
    return {"store": found["store"], "quantities": found["quantities"], "remarks": remarks}


def _found(studies: Iterable[Study], address: Address) -> Found:
    """What judging needs of studies, oldest first; one that is damaged is told of and left out."""
    newest: dict[str, dict[str, Any]] = {}
    remarks = []
    instruments: dict[int, list[str]] = {}
    for study in studies:
        try:
            told = [{key: one[key] for key in KEYS} for one in study.content["quantities"] if one["told"]]
            entries = [{**one, "study": study.id, "made_utc": study.made_utc} for one in told]
            gauges_from({"quantities": entries})  # what cannot be judged by is told before anything is opened
            instruments[study.id] = [str(number) for number in study.content["instruments"]]
        except (KeyError, TypeError, RecordError):
            remarks.append(f"study {study.id} of {address.shown} is damaged, and is not applied")
            continue
        newest.update({entry["name"]: entry for entry in entries})
    used = {entry["study"] for entry in newest.values()}
    return {
        "store": address.shown,
        "quantities": list(newest.values()),
        "instruments": {study: known for study, known in instruments.items() if study in used},
        "remarks": remarks,
    }
