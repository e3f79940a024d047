"""Which study of the gauge a qualification is judged by: the newest of its rig in the store that it is kept in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import HarnessError, RecordError, StoreError
from harness.record.forms import gauges_from
from harness.store.address import Address, beside

if TYPE_CHECKING:
    from harness.store.studies import Study

Found = Mapping[str, Any]
KEYS = ("name", "grr", "mean", "largest")


def newest(store: Address | None, folder: Path, rig: str) -> dict[bool, Found]:
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
            those = {virtual: opened.studies.newest("gauge", rig, virtual=virtual) for virtual in (False, True)}
        return {virtual: _found(study, address) for virtual, study in those.items() if study is not None}
    except HarnessError as error:
        why = {"trouble": f"no study of the gauge was read: {error}"}
        return {False: why, True: why}


def _found(study: Study, address: Address) -> Found:
    """What judging needs of a study; a quantity of which it told nothing is left out. Raises StoreError."""
    try:
        quantities = [{key: entry[key] for key in KEYS} for entry in study.content["quantities"]]
        found = {
            "study": study.id,
            "made_utc": study.made_utc,
            "store": address.shown,
            "quantities": [entry for entry in quantities if entry["grr"] is not None],
        }
        gauges_from(found)  # a study that cannot be judged by is told before anything is opened
        return {**found, "instruments": [str(number) for number in study.content["instruments"]]}
    except (KeyError, TypeError, RecordError) as error:
        raise StoreError(f"{address.shown}: study {study.id} is damaged: expected {error} in it") from error


def for_record(found: Found | None, identities: Mapping[str, str]) -> dict[str, Any] | None:
    """The entry `gauge` of a record; None where there is no study. `identities`: answers to *IDN? by instrument.

    It carries what judging needs and who of the instruments was not there when the study was made: the study is of
    the rig as it was, still applies, and that is said.
    """
    if found is None:
        return None
    if "trouble" in found:
        return {"study": None, "made_utc": "", "quantities": [], "remarks": [found["trouble"]]}
    from harness.compare.belonging import serial

    strangers = [
        f"instrument {name} ({number})"
        for name, number in ((name, serial(idn)) for name, idn in identities.items())
        if number and number not in found["instruments"]
    ]
    remark = f"study {found['study']} was made without {', '.join(strangers)}, and is applied all the same"
    kept = {key: found[key] for key in ("study", "made_utc", "store", "quantities")}
    return {**kept, "remarks": [remark] if strangers else []}
