"""Fits and univariate statistics against the NIST Statistical Reference Datasets."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.fits import regression as fit
from harness.nouns.quantity import mean_and_deviation
from tests.reference.cases import Case, compare, reference
from tests.reference.cases import cases as all_cases

Array = NDArray[np.float64]
MODELS: dict[str, Callable[[Array, Array], Array]] = {
    "strd-misra1a": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "strd-chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "strd-danwood": lambda b, x: b[0] * x ** b[1],
}


def _fitted(case: Case, start: str) -> dict[str, object]:
    x, y = np.array(case.column("x")), np.array(case.column("y"))
    found = fit.nonlinear(lambda b: MODELS[case.id](b, x), case.input[start], y)
    names = [f"b{k + 1}" for k in range(found.values.size)]
    return {
        **dict(zip(names, found.values.tolist(), strict=True)),
        **{f"sd_{name}": float(u) for name, u in zip(names, found.u, strict=True)},
        "residual_sum_of_squares": found.chi_squared,
        "residual_sd": found.residual_deviation,
        "dof": int(found.dof),
    }


test_misra1a = reference("strd-misra1a")(lambda case: _fitted(case, "start_1"))
test_chwirut2 = reference("strd-chwirut2")(lambda case: _fitted(case, "start_1"))
test_danwood = reference("strd-danwood")(lambda case: _fitted(case, "start_1"))


@pytest.mark.parametrize("case_id", MODELS)
def test_the_nearer_start_gives_the_same(case_id: str) -> None:
    case = all_cases()[case_id]
    computed = _fitted(case, "start_2")
    for name, entry in case.expect.items():
        compare(case, entry, computed[name])


@reference("strd-norris")
def test_norris(case: Case) -> dict[str, object]:
    found = fit.straight_line(case.column("x"), case.column("y"))
    return {
        "B0": float(found.values[0]),
        "B1": float(found.values[1]),
        "sd_B0": float(found.u[0]),
        "sd_B1": float(found.u[1]),
        "residual_sd": found.residual_deviation,
    }


def _univariate(case: Case) -> dict[str, object]:
    mean, deviation = mean_and_deviation(case.column("y"))
    assert math.isfinite(mean)
    return {"mean": mean, "sd": deviation, "autocorrelation_lag1": fit.autocorrelation(case.column("y"))}


test_michelso = reference("strd-michelso")(_univariate)
test_numacc1 = reference("strd-numacc1")(_univariate)
test_numacc2 = reference("strd-numacc2")(_univariate)
test_numacc3 = reference("strd-numacc3")(_univariate)


@reference("nbs14")
def test_nine_frequencies(case: Case) -> dict[str, object]:
    mean, deviation = mean_and_deviation(case.column("y"))
    return {"mean": mean, "sample_sd": deviation}


@reference("sine-fit-a")
def test_a_sine_of_four_parameters(case: Case) -> dict[str, object]:
    t, y = np.array(case.column("t_s")), np.array(case.column("y"))
    found = fit.nonlinear(lambda b: b[0] * np.cos(math.tau * b[1] * t + b[2]) + b[3], [1.0, 52.0, 1.0, 0.1], y)
    return dict(zip(("amplitude", "frequency_Hz", "phase_rad", "offset"), found.values.tolist(), strict=True))
