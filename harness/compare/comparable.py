"""One record's quantities made ready to be compared: referred, and with the names that sources have between runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.base.errors import MeasurementError, UsageError
from harness.base.words import visible
from harness.checks.catalogue import is_angle
from harness.compare.ownership import Owners, owners_of
from harness.compare.reference import Surroundings, referred, surroundings
from harness.nouns.quantity import Quantity, effective_dof
from harness.nouns.results import Measurement, Unmeasured
from harness.record import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparableValue:
    """A quantity as one run measured it."""

    lasting: Quantity
    """With type B contributions only: those last from run to run, or add."""
    own_u: float = 0.0
    """Type A: what this run's readings scattered by themselves, with `own_dof` degrees of freedom."""
    own_dof: float = math.inf
    procedure_u: float = 0.0
    """Of the type B contributions, those of the procedure: what may hide where values do not scatter at all."""
    left_open: frozenset[str] = frozenset()
    """Those of the type B sources, by their names between runs."""
    exact: bool = False
    """A count, a sense, a pattern."""

    @property
    def value(self) -> float:
        """The value."""
        return self.lasting.value


def comparable_value(quantity: Quantity, owners: Owners) -> ComparableValue:
    """A quantity of one run, its sources named between runs."""
    own = {source: part for source, part in quantity.budget.items() if part.type_a}
    kept = {owners.of(source): part for source, part in quantity.budget.items() if not part.type_a}
    left_open = {
        source: part for source, part in quantity.budget.items() if not part.type_a and owners.leaves_open(source)
    }
    return ComparableValue(
        lasting=replace(quantity, budget=kept),
        own_u=quantity.u_type_a,
        own_dof=effective_dof(own),
        procedure_u=math.sqrt(math.fsum(part.u**2 for part in left_open.values())),
        left_open=frozenset(map(owners.of, left_open)),
        exact=quantity.exact,
    )


def comparable_values(
    record: Record, nominal_v: float, owners: Owners | None = None
) -> dict[str, ComparableValue | str]:
    """Every planned quantity of a record by name, or in words why it has no value to compare. Raises RecordError.

    `owners`: what its sources belong to, where that is not what `belongings` says.
    """
    owners, around = owners or owners_of(record), surroundings(record)
    return {
        result.name: result.reason if isinstance(result, Unmeasured) else _comparable(result, owners, around, nominal_v)
        for result in record.results
    }


def _comparable(result: Measurement, owners: Owners, around: Surroundings, nominal_v: float) -> ComparableValue | str:
    try:
        return comparable_value(referred(result.name, result.quantity, around, nominal_v), owners)
    except MeasurementError as error:
        return str(error)


def turned_near(name: str, value: ComparableValue, origin: float) -> ComparableValue:
    """The same, an angle on a circle moved by whole turns to where `origin` is."""
    if not is_angle(name):
        return value
    return replace(value, lasting=replace(value.lasting, value=origin + math.remainder(value.value - origin, math.tau)))


def refuse_mixed(records: Sequence[Record]) -> None:
    """Refuse records that cannot stand together: another rig, simulated beside real, one twice. Raises UsageError."""
    first = records[0]
    seen: dict[str, Record] = {}
    for record in records:
        if record.simulated != first.simulated:
            raise UsageError(
                f"{_where(record)} is {_kind(record)}, {_where(first)} {_kind(first)}: simulated and real records "
                "are never compared"
            )
        if rig_of(record) != rig_of(first):
            raise UsageError(
                f"{_where(record)} is of {_rig_words(record)}, {_where(first)} of {_rig_words(first)}: expected one rig"
            )
        if record.fingerprint in seen:
            same = _where(seen[record.fingerprint])
            raise UsageError(f"{_where(record)} is the same run as {same}: expected each run once")
        seen[record.fingerprint] = record


def rig_of(record: Record) -> tuple[str, tuple[str, ...]]:
    """The type of a record's rig: its name and its motors. Raises RecordError where it does not say."""
    return record.rig.name, tuple(sorted(record.motors))


def _rig_words(record: Record) -> str:
    name, motors = rig_of(record)
    return f"rig {visible(name)} ({', '.join(visible(motor) for motor in motors)})"


def _kind(record: Record) -> str:
    return "simulated" if record.simulated else "of a real bench"


def _where(record: Record) -> str:
    return visible(str(record.folder))
