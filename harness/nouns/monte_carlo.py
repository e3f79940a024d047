"""Propagation of distributions by drawing them: the check of what `quantity.propagate` and `coverage` say."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.base.errors import MeasurementError
from harness.nouns.quantity import Quantity, Shape

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """What a Monte Carlo propagation found: mean, standard deviation, symmetric and shortest intervals."""

    mean: float
    u: float
    unit: str
    probability: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    trials: int


def monte_carlo(
    function: Callable[..., object],
    unit: str,
    *,
    trials: int = 200_000,
    seed: int = 0,
    probability: float = 0.95,
    **inputs: Quantity,
) -> Distribution:
    """Propagation of distributions (JCGM 101:2008, clause 7), with a fixed seed so that it repeats.

    `function` takes arrays of `trials` values by the keyword names of `inputs` and gives an array of as
    many (numpy functions inside), in `unit`. Each source is drawn once and used wherever its name occurs.
    `probability` is that of the intervals.

    Raises MeasurementError if the model gives a value that is not finite.

    >>> from harness.nouns.quantity import normal
    >>> found = monte_carlo(lambda x: x**2, "1", x=normal(1, 0.1, "1", "x"))
    >>> round(found.mean, 2), round(found.u, 1), found.trials
    (1.01, 0.2, 200000)
    """
    import numpy as np

    generator = np.random.Generator(np.random.PCG64(seed))
    sources = {source: part for quantity in inputs.values() for source, part in quantity.budget.items()}
    drawn = {source: _draw(generator, part.shape, part.dof, trials) for source, part in sorted(sources.items())}
    arguments = {name: np.full(trials, quantity.value, dtype=np.float64) for name, quantity in inputs.items()}
    for name, quantity in inputs.items():
        for source, part in quantity.budget.items():
            arguments[name] += part.u * drawn[source]
    outcome = np.array(function(**arguments), dtype=np.float64)
    if outcome.shape != (trials,) or not np.all(np.isfinite(outcome)):
        raise MeasurementError(f"the model gave something else than {trials} finite numbers: check its inputs")
    outcome.sort()
    tail = (1.0 - probability) / 2.0
    low, high = np.quantile(outcome, [tail, 1.0 - tail])
    return Distribution(
        mean=float(np.mean(outcome)),
        u=float(np.std(outcome, ddof=1)),
        unit=unit,
        probability=probability,
        symmetric=(float(low), float(high)),
        shortest=shortest_interval(outcome, probability),
        trials=trials,
    )


def shortest_interval(outcomes: NDArray[np.float64], probability: float) -> tuple[float, float]:
    """The shortest interval that holds `probability` of the outcomes (JCGM 101:2008, 7.7.4).

    >>> import numpy as np
    >>> shortest_interval(np.array([0.0, 1.0, 1.1, 1.2, 5.0]), 0.4)
    (1.0, 1.2)
    """
    import numpy as np

    ordered = np.sort(outcomes)
    inside = min(len(ordered) - 1, round(probability * len(ordered)))
    widths = ordered[inside:] - ordered[: len(ordered) - inside]
    start = int(np.argmin(widths))
    return float(ordered[start]), float(ordered[start + inside])


def _draw(generator: np.random.Generator, shape: Shape, dof: float, trials: int) -> NDArray[np.float64]:
    """Variates of a source of unit standard uncertainty (JCGM 101:2008, 6.4 and appendix C); t for repeats."""
    import numpy as np

    if shape == "rectangular":
        return generator.uniform(-SQRT3, SQRT3, trials)
    if shape == "triangular":
        return (generator.uniform(-1.0, 1.0, trials) + generator.uniform(-1.0, 1.0, trials)) * math.sqrt(1.5)
    if shape == "arcsine":
        return math.sqrt(2.0) * np.sin(generator.uniform(0.0, 2.0 * math.pi, trials))
    return generator.standard_normal(trials) if math.isinf(dof) else generator.standard_t(dof, trials)
