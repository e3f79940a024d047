"""The analysis of variance of gauge studies against the AIAG manual's example and JCGM 100 H.5."""

from __future__ import annotations

import math

import numpy as np

from harness.compare.between import f_tail
from harness.compare.comparable import ComparableValue
from harness.nouns.quantity import normal
from harness.study.anova import REPEATS, crossed
from harness.study.design import FACTORS, Design
from harness.study.gauge import PER_CATEGORY, gauge_result, variances
from harness.study.result import WORDS
from tests.reference.cases import Case, reference


def _parts_by_appraisers(case: Case) -> np.ndarray:
    """Parts stand for boards, appraisers for benches: an array of shape (10, 3, 1 day, 3 trials)."""
    values = np.full((10, 3, 1, 3), np.nan)
    for row in case.rows():
        values[int(row["part"]) - 1, "ABC".index(row["appraiser"]), 0, int(row["trial"]) - 1] = float(row["value"])
    return values


@reference("aiag-anova-table")
def test_table_with_interaction(case: Case) -> dict[str, object]:
    table = crossed(_parts_by_appraisers(case), FACTORS)
    part, appraiser, both = (table.term(factors) for factors in (("board",), ("bench",), ("board", "bench")))
    tests = {factors: table.test(factors) for factors in (("board",), ("bench",), ("board", "bench"))}
    return {
        "dof_part_appraiser_interaction_repeatability": [part.dof, appraiser.dof, both.dof, table.error.dof],
        "SS_part": part.ss,
        "SS_appraiser": appraiser.ss,
        "SS_interaction": both.ss,
        "SS_repeatability": table.error.ss,
        "F_interaction": tests["board", "bench"].f,
        "p_interaction": tests["board", "bench"].p,
        "F_part_over_interaction": tests["board",].f,
        "F_appraiser_over_interaction": tests["bench",].f,
    }


@reference("aiag-anova-pooled")
def test_components_with_the_interaction_pooled(case: Case) -> dict[str, object]:
    """As a study of a quantity that follows nothing, its runs in the order of the data."""
    values = _parts_by_appraisers(case)
    runs = [ComparableValue(lasting=normal(float(value), 1.0, "1", "meter")) for value in values.flat]
    order = np.arange(values.size).reshape(values.shape)
    shape = Design(boards=tuple("0123456789"), benches=tuple("ABC"), days=("1",), nested=False, order=order)
    got = gauge_result("shaft.commutation.step_angle", runs, shape, None, 0.3)
    assert got.pooled == (WORDS["board", "bench"],)
    assert got.grr is not None and got.pv is not None and got.tv is not None
    return {
        "EV": got.ev,
        "AV": got.av,
        "GRR": got.grr,
        "PV": got.pv,
        "TV": got.tv,
        "percent_GRR_of_TV": 100.0 * got.grr / got.tv,
        "percent_contribution_GRR": 100.0 * (got.grr / got.tv) ** 2,
        "percent_contribution_part": 100.0 * (got.pv / got.tv) ** 2,
        "ndc_untruncated": PER_CATEGORY * got.pv / got.grr,
        "ndc": got.ndc,
    }


@reference("gum-h5")
def test_one_board_on_several_days(case: Case) -> dict[str, object]:
    """Readings of each day that have its mean and its standard deviation."""
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    days = np.array([mean + s * pattern for mean, s in zip(case.column("mean_V"), case.column("s_V"), strict=True)])
    got = variances(days[None, None])
    table = got.table
    day, test = table.term(("day",)), table.test(("day",))
    count = days.size
    critical = {p: _critical(day.dof, table.error.dof, p) for p in (0.05, 0.025)}
    return {
        "grand_mean_V": float(days.mean()),
        "s_of_daily_means_uV": 1e6 * math.sqrt(day.ms / day.size),
        "pooled_within_day_s_uV": 1e6 * got.root([REPEATS]),
        "F": test.f,
        "F_critical_0_95": critical[0.05],
        "F_critical_0_975": critical[0.025],
        "between_day_s_uV": 1e6 * got.root([("day",)]),
        "u_mean_with_between_day_uV": 1e6 * math.sqrt(day.ms / count),
        # Where days do not matter all readings are one sample: what the analysis is there to tell apart.
        "u_mean_pooled_uV": 1e6 * math.sqrt(table.merged(("day",), REPEATS).error.ms / count),
    }


def _critical(above: int, below: int, tail: float) -> float:
    """The ratio that chance passes with `tail`, by halving."""
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if f_tail(middle, above, below) > tail else (low, middle)
    return high
