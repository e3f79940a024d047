"""What a kept gauge study says of each quantity, read again to judge by. The other side of `GaugeStudy.content`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.nouns.results import Gauge
from harness.record.results import check_gauge
from harness.record.values import read_as

KEYS = ("name", "grr", "mean", "largest")
"""What judging needs of a quantity."""
BINDING = ("binding", "told")
"""Under which a study says whether a verdict may be held against a gauge; the second in those of earlier versions."""


def gauges_of(content: Mapping[str, Any], number: int, made_utc: str) -> list[Gauge]:
    """The gauges against which a verdict may be held. `number`, `made_utc`: of the study.

    Raises KeyError, TypeError, Damage for what no study of ours says.
    """
    return [_gauge(quantity, number, made_utc) for quantity in content["quantities"] if _binds(quantity)]


def instruments_of(content: Mapping[str, Any]) -> list[str]:
    """Serial numbers of what stood on the benches. Raises KeyError, TypeError."""
    return [str(number) for number in content["instruments"]]


def _binds(quantity: Mapping[str, Any]) -> bool:
    key = next((key for key in BINDING if key in quantity), BINDING[0])
    return bool(quantity[key])


def _gauge(quantity: Mapping[str, Any], number: int, made_utc: str) -> Gauge:
    values = {**{key: quantity[key] for key in KEYS}, "study": number, "made_utc": made_utc}
    gauge = read_as(Gauge, values, f"study {number}")
    check_gauge(gauge)
    return gauge
