"""Guard bands and E_n against JCGM 106, ISO 14253-1 and ISO/IEC 17043, through the verdict itself."""

from __future__ import annotations

from collections.abc import Callable

from harness.judge.verdict import Rule, against_requirement, e_number
from harness.nouns.coverage import student_quantile
from harness.nouns.quantity import normal
from harness.nouns.results import Measurement, Outcome, Requirement
from tests.reference.cases import Case, reference


def _risk_at_which_it_conforms(value: float, u: float, limit: float) -> float:
    """The false-acceptance risk from which on an item is `conforming`: its nonconformance probability."""
    measured = Measurement(name="x", quantity=normal(value, u, "V", "meter"))

    def conforms(risk: float) -> bool:
        rule = Rule(planned=1, false_acceptance_risk=risk)
        verdict = against_requirement(measured, Requirement(name="x", high=limit), rule)
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
    return {"z": [student_quantile(p, float("inf")) for p in case.input["conformance_probability"]]}


@reference("s4-zener")
def test_one_item_against_an_upper_limit(case: Case) -> dict[str, object]:
    i = case.input
    risk = _risk_at_which_it_conforms(i["estimate_V"], i["u_V"], i["upper_limit_V"])
    return {"z": student_quantile(1.0 - risk, float("inf")), "conformance_probability": 1.0 - risk}


@reference("guard-band-multipliers")
def test_risk_at_the_acceptance_limit(case: Case) -> dict[str, object]:
    risks = [_risk_at_which_it_conforms(10.0 - r * 2.0 * 0.05, 0.05, 10.0) for r in case.input["r"]]
    return {"nonconformance_probability_at_limit": risks}


@reference("en-rows-a")
def test_e_numbers(case: Case) -> dict[str, object]:
    numbers = []
    for row in case.rows():
        lab, ref = (normal(float(row[f"x_{who}"]), float(row[f"U_{who}"]) / 2.0, "", who) for who in ("lab", "ref"))
        numbers.append(e_number(lab.value - ref.value, lab, ref))
    for number, row in zip(numbers, case.rows(), strict=True):
        assert number is not None and (abs(number) <= 1.0) == (row["satisfactory"] == "true")
    return {"En": numbers}
