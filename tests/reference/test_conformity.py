"""Guard bands and E_n against JCGM 106, ISO 14253-1 and ISO/IEC 17043, through the verdict itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from harness.judge.verdict import Rule, against_requirement, e_number
from harness.nouns.coverage import safe_factor, student_quantile
from harness.nouns.quantity import normal
from harness.nouns.results import Measurement, Outcome, Requirement
from tests.reference.cases import Case, reference


class Process(NamedTuple):
    """Shares of all items of a process."""

    conforming: float
    passed: float
    """Accepted although they do not conform."""
    refused: float
    """Refused although they conform."""
    accepted: float


def _risk_at_which_it_conforms(value: float, u: float, limit: float, lower: float | None = None) -> float:
    """The false-acceptance risk from which on an item is `conforming`: its nonconformance probability."""
    measured = Measurement(name="x", quantity=normal(value, u, "V", "meter"))

    def conforms(risk: float) -> bool:
        rule = Rule(planned=1, false_acceptance_risk=risk)
        verdict = against_requirement(measured, Requirement(name="x", low=lower, high=limit), rule)
        return verdict.outcome is Outcome.CONFORMING

    return _threshold(conforms)


def _threshold(true_above: Callable[[float], bool]) -> float:
    low, high = 1e-12, 1.0 - 1e-12
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (low, middle) if true_above(middle) else (middle, high)
    return high


@reference("s4-z-table")
def test_z_of_a_conformance_probability(case: Case) -> dict[str, object]:
    measured = normal(0.0, 1.0, "V", "meter")
    return {"z": [safe_factor(measured, 1.0 - p) for p in case.input["conformance_probability"]]}


@reference("s4-zener")
def test_one_item_against_an_upper_limit(case: Case) -> dict[str, object]:
    i = case.input
    risk = _risk_at_which_it_conforms(i["estimate_V"], i["u_V"], i["upper_limit_V"])
    return {"z": student_quantile(1.0 - risk, float("inf")), "conformance_probability": 1.0 - risk}


@reference("guard-band-multipliers")
def test_risk_at_the_acceptance_limit(case: Case) -> dict[str, object]:
    risks = [_risk_at_which_it_conforms(10.0 - r * 2.0 * 0.05, 0.05, 10.0) for r in case.input["r"]]
    return {"nonconformance_probability_at_limit": risks}


@reference("two-sided-conformance")
def test_one_item_between_two_limits(case: Case) -> dict[str, object]:
    i = case.input
    limits = (i["upper_limit_V"], i["lower_limit_V"])
    risks = [_risk_at_which_it_conforms(y, u, *limits) for y, u in zip(i["estimate_V"], i["u_V"], strict=True)]
    return {"conformance_probability": [1.0 - risk for risk in risks]}


def _accepted(lower: float, upper: float, u: float, risk: float) -> tuple[float, float]:
    """Limits between which the verdict on a measured value is `conforming`."""
    requirement = Requirement(name="x", low=lower, high=upper)
    measured = Measurement(name="x", quantity=normal((lower + upper) / 2.0, u, "ohm", "meter"))
    verdict = against_requirement(measured, requirement, Rule(planned=1, false_acceptance_risk=risk))
    assert verdict.outcome is Outcome.CONFORMING and verdict.limits is not None
    return verdict.limits


def _process(mean: float, sd: float, u: float, limits: tuple[float, float], accepted: tuple[float, float]) -> Process:
    """Shares of a normal process, read with a standard uncertainty; by quadrature over the true values."""
    nodes, weights = np.polynomial.legendre.leggauss(160)

    def share(low: float, high: float) -> tuple[float, float]:
        """Of items with a true value between two: those accepted, and all."""
        true = (low + high) / 2.0 + (high - low) / 2.0 * nodes
        density = weights * (high - low) / 2.0 * np.exp(-0.5 * ((true - mean) / sd) ** 2) / sd / math.sqrt(math.tau)
        inside = ndtr((accepted[1] - true) / u) - ndtr((accepted[0] - true) / u)
        return float(density @ inside), float(np.sum(density))

    right, conforming = share(*limits)
    wrong = share(mean - 9.0 * sd, limits[0])[0] + share(limits[1], mean + 9.0 * sd)[0]
    return Process(conforming=conforming, passed=wrong, refused=conforming - right, accepted=right + wrong)


@reference("s4-resistors")
def test_risks_of_a_process_with_a_guard_band(case: Case) -> dict[str, object]:
    i = case.input
    limits, u = (i["lower_limit_ohm"], i["upper_limit_ohm"]), i["u_measurement_ohm"]
    # The guard band is half a standard uncertainty: the share of normal errors beyond it is the risk it is made for.
    accepted = _accepted(*limits, u, float(ndtr((limits[0] - i["acceptance_low_ohm"]) / u)))
    found = _process(i["process_mean_ohm"], i["process_sd_ohm"], u, limits, accepted)
    return {
        "process_conformance": found.conforming,
        "consumer_risk": found.passed,
        "producer_risk": found.refused,
    }


@reference("false-accept-table-a")
def test_false_acceptance_without_a_guard_band(case: Case) -> dict[str, object]:
    limits = (case.input["limits"][0], case.input["limits"][1])
    shares = []
    for probability in case.input["in_tolerance_probability"]:
        sd = 1.0 / student_quantile((1.0 + probability) / 2.0, math.inf)
        shares.append(_process(0.0, sd, sd / 4.0, limits, _accepted(*limits, sd / 4.0, 0.5)))
    return {
        "joint_percent": [100.0 * share.passed for share in shares],
        "conditional_percent": [100.0 * share.passed / share.accepted for share in shares],
    }


@reference("en-rows-a")
def test_e_numbers(case: Case) -> dict[str, object]:
    numbers = []
    for row in case.rows():
        lab, ref = (normal(float(row[f"x_{who}"]), float(row[f"U_{who}"]) / 2.0, "", who) for who in ("lab", "ref"))
        numbers.append(e_number(lab.value - ref.value, lab, ref))
    for number, row in zip(numbers, case.rows(), strict=True):
        assert number is not None and (abs(number) <= 1.0) == (row["satisfactory"] == "true")
    return {"En": numbers}
