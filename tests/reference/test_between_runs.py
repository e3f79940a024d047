"""Scatter between groups and within them against JCGM 100 H.5 and NIST's reference data sets."""

from __future__ import annotations

import math

from harness.compare.between import OneWay, between_s, f_tail, one_way, u_of_mean
from tests.reference.cases import Case, reference


@reference("gum-h5")
def test_days_of_a_voltage_standard(case: Case) -> dict[str, object]:
    table = zip(case.column("mean_V"), case.column("s_V"), case.column("n"), strict=True)
    found = one_way([_readings(mean, s, int(n)) for mean, s, n in table])
    assert math.isclose(f_tail(2.1240292640166953, found.dof_between, found.dof_within), 0.05, rel_tol=1e-6)
    return {
        "grand_mean_V": found.mean,
        "s_of_daily_means_uV": 1e6 * found.s_of_means,
        "pooled_within_day_s_uV": 1e6 * found.within_s,
        "F": found.f,
        "F_critical_0_95": _critical(found, 0.95),
        "F_critical_0_975": _critical(found, 0.975),
        "between_day_s_uV": 1e6 * between_s(found.s_of_means, found.within_s / math.sqrt(found.size)),
        "u_mean_with_between_day_uV": 1e6 * u_of_mean(found.s_of_means, found.groups),
    }


def _readings(mean: float, s: float, n: int) -> list[float]:
    """Readings that have what is published of them: two lie off their mean, so far that they scatter by `s`."""
    off = s * math.sqrt((n - 1) / 2.0)
    return [mean - off, mean + off, *[mean] * (n - 2)]


def _critical(found: OneWay, probability: float) -> float:
    """The ratio whose tail is 1 - probability, by halving."""
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if f_tail(middle, found.dof_between, found.dof_within) > 1.0 - probability:
            low = middle
        else:
            high = middle
    return high


def _analysed(case: Case) -> dict[str, object]:
    groups: dict[str, list[float]] = {}
    for row in case.rows():
        groups.setdefault(row["treatment"], []).append(float(row["y"]))
    found = one_way(list(groups.values()))
    return {
        "dof_between": found.dof_between,
        "dof_within": found.dof_within,
        "SS_between": found.ss_between,
        "SS_within": found.ss_within,
        "F": found.f,
        "R_squared": found.ss_between / (found.ss_between + found.ss_within),
        "residual_sd": found.within_s,
    }


@reference("strd-sirstv")
def test_resistivity_of_silicon(case: Case) -> dict[str, object]:
    return _analysed(case)


@reference("strd-atmwtag")
def test_atomic_weight_of_silver(case: Case) -> dict[str, object]:
    return _analysed(case)
