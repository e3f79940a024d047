"""Names of quantities: `motor.check.quantity`, or `check.quantity` for what belongs to all motors together.

>>> name = Name("leaf.step.rise_time")
>>> name.motor, name.check, name.quantity, name.suffix, name.prefix
('leaf', 'step', 'rise_time', 'step.rise_time', 'leaf.step')
>>> Name("together.supply_sag").motor
''

Observations, curves and stops are named the same way. Nothing else takes a name apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

Entry = TypeVar("Entry")
LIMITS = "limits"
"""What stands for a quantity in the name of a stop: `leaf.step.limits`. No quantity is called so."""
CONDUCT = "conduct"
"""What stands for the check in the name of what firmware does against its contract: `leaf.conduct.exception`."""


class Name(str):
    """A dotted name; any text is taken, and what it lacks is empty. The name of a check alone is its own check."""

    __slots__ = ()

    @classmethod
    def of(cls, motor: str, check: str, quantity: str) -> Name:
        """The name made of motor, check and quantity; `motor` is empty where the quantity belongs to all of them."""
        return cls(".".join(part for part in (motor, check, quantity) if part))

    @property
    def quantity(self) -> str:
        """The last part."""
        return self.rpartition(".")[2]

    @property
    def prefix(self) -> str:
        """What all names of one check on one motor begin with: `leaf.step`; the check where there is no motor."""
        return self.rpartition(".")[0]

    @property
    def check(self) -> str:
        """The check."""
        return self.suffix.partition(".")[0]

    @property
    def motor(self) -> str:
        """The motor; empty where the quantity belongs to all of them."""
        return ".".join(self.split(".")[:-2])

    @property
    def suffix(self) -> str:
        """`check.quantity`: the same quantity on any motor."""
        return ".".join(self.split(".")[-2:])

    @property
    def own_keys(self) -> frozenset[str]:
        """Under which it can be asked for by itself, on its motor or on every one."""
        return frozenset({str(self), self.suffix})

    @property
    def keys(self) -> frozenset[str]:
        """Under which it can be asked for: by itself or with all of its check, on its motor or on every one."""
        return frozenset({str(self), self.suffix, self.prefix, self.check} - {""})

    def entry_in(self, table: Mapping[str, Entry]) -> Entry | None:
        """What a table says of it, the entry for its motor before the one for every motor; None where it is silent."""
        return table.get(self, table.get(self.suffix))


class PhaseTerminal(str):
    """A motor's terminal, as a rig file names it: `leaf.B`."""

    __slots__ = ()

    @property
    def motor(self) -> str:
        """The motor; the whole text where it names no phase."""
        return self.partition(".")[0]

    @property
    def phase(self) -> str:
        """A, B or C; empty where it names none."""
        return self.partition(".")[2]
