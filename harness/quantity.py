"""A number with its unit, its standard uncertainty, and where that uncertainty comes from.

Contributions are keyed by the name of their source. Two quantities that share a source (the same
meter, the same resistance from the rig file) are correlated through it, and a difference of them
cancels what they share: no correlation matrix is kept, the names are it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Shape = Literal["normal", "rectangular"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source's share of a standard uncertainty, in the unit of the quantity.

    `u` is signed (sensitivity times the source's standard uncertainty), so that shared sources
    cancel or add with their sign. `dof` are the degrees of freedom (type A) or infinity (type B).
    """

    u: float
    shape: Shape = "normal"
    dof: float = math.inf
    remedy: str = ""
    """What would shrink it, in a few words for the report (`a better arm`, `more points`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A value with its budget. `unit` is an SI unit as text (`N m/rad`, `1` for a ratio)."""

    value: float
    unit: str
    budget: Mapping[str, Contribution] = field(default_factory=dict)

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.sqrt(sum(part.u**2 for part in self.budget.values()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, Welch-Satterthwaite (JCGM 100:2008, G.4.1); infinity if exact."""
        return effective_dof(self.budget.values())


def effective_dof(parts: object) -> float:
    """Welch-Satterthwaite over contributions (JCGM 100:2008, formula G.2b)."""
    total = 0.0
    weighted = 0.0
    for part in parts:  # type: ignore[attr-defined]
        total += part.u**2
        if math.isfinite(part.dof):
            weighted += part.u**4 / part.dof
    return math.inf if weighted == 0.0 else total**2 / weighted


def rectangular(value: float, half_width: float, unit: str, source: str, remedy: str = "") -> Quantity:
    """A type B input known to lie within value +- half_width (JCGM 100:2008, 4.3.7)."""
    part = Contribution(u=half_width / math.sqrt(3.0), shape="rectangular", remedy=remedy)
    return Quantity(value=value, unit=unit, budget={source: part} if half_width else {})


def normal(value: float, u: float, unit: str, source: str, dof: float = math.inf, remedy: str = "") -> Quantity:
    """An input with a standard uncertainty, from readings (finite dof) or a certificate."""
    return Quantity(value=value, unit=unit, budget={source: Contribution(u=u, dof=dof, remedy=remedy)} if u else {})


def exact(value: float, unit: str) -> Quantity:
    """A defined number, without uncertainty."""
    return Quantity(value=value, unit=unit)


def propagate(function: Callable[..., float], unit: str, **inputs: Quantity) -> Quantity:
    """Law of propagation, first order, sensitivities by central differences over +-u (JCGM 100:2008, 5.1.3 note 2).

    `function` takes the values by the keyword names of `inputs`. Shared sources keep their sign.
    """
    values = {name: quantity.value for name, quantity in inputs.items()}
    budget: dict[str, Contribution] = {}
    for name, quantity in inputs.items():
        step = quantity.u
        if step == 0.0:
            continue
        high = function(**{**values, name: values[name] + step})
        low = function(**{**values, name: values[name] - step})
        sensitivity = (high - low) / (2.0 * step)
        for source, part in quantity.budget.items():
            added = sensitivity * part.u + (budget[source].u if source in budget else 0.0)
            budget[source] = Contribution(u=added, shape=part.shape, dof=part.dof, remedy=part.remedy)
    return Quantity(value=function(**values), unit=unit, budget=budget)
