"""Analysis of variance: against general least squares, by its invariances, and by recovering known components."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.study.anova import REPEATS, Table, crossed
from harness.study.design import FACTORS
from harness.study.gauge import variances
from harness.study.limits import MeanSquare, limits
from tests.examples import examples
from tests.software.study.simulation import coverage, drawn

SHAPES = [(4, 3, 2, 2), (3, 1, 1, 4), (1, 2, 3, 2), (5, 2, 1, 1), (2, 2, 2, 3), (1, 1, 1, 5)]
TERMS = [factors for count in (1, 2, 3) for factors in combinations(FACTORS, count)]


def lines(table: Table) -> dict[tuple[str, ...], tuple[float, int]]:
    return {term.factors: (term.ss, term.dof) for term in (*table.terms, table.error)}


def by_least_squares(values: np.ndarray) -> dict[tuple[str, ...], tuple[float, int]]:
    """Sums of squares as what the residual loses by each term, smallest terms first (indicator columns, numpy)."""
    places = np.indices(values.shape).reshape(values.ndim, -1)
    flat = (values - values.mean()).ravel()
    columns, rank = np.ones((flat.size, 1)), 1
    before, found = float(flat @ flat), {}
    for term in TERMS:
        axes = [FACTORS.index(name) for name in term]
        if any(values.shape[axis] == 1 for axis in axes):
            continue
        cell = np.ravel_multi_index([places[axis] for axis in axes], [values.shape[axis] for axis in axes])
        columns = np.hstack([columns, np.eye(cell.max() + 1)[cell]])
        solution = np.linalg.lstsq(columns, flat, rcond=None)[0]
        rest = flat - columns @ solution
        after, now = float(rest @ rest), int(np.linalg.matrix_rank(columns))
        found[term] = (before - after, now - rank)
        before, rank = after, now
    found[REPEATS] = (before, flat.size - rank)
    return found


@pytest.mark.parametrize("shape", SHAPES)
def test_balanced_designs_give_what_general_least_squares_gives(shape):
    values = drawn(shape, 7, {("board",): 3.0, ("bench",): 1.0, ("board", "day"): 2.0})
    expected = by_least_squares(values)
    got = lines(crossed(values, FACTORS))
    if shape[-1] == 1:  # the largest interaction stands for the repeats
        largest = max((factors for factors in expected if factors), key=len)
        expected[REPEATS] = expected.pop(largest)
    assert got.keys() == expected.keys()
    for term, (ss, dof) in expected.items():
        assert got[term] == (pytest.approx(ss, rel=1e-9, abs=1e-9), dof), term


@given(st.sampled_from(SHAPES), st.integers(0, 2**32 - 1), st.floats(-1e6, 1e6), st.floats(1e-3, 1e3))
def test_shift_scale_and_order_change_nothing_but_the_unit(shape, seed, shift, scale):
    values = drawn(shape, seed, {("board",): 2.0, ("bench", "day"): 1.0})
    before = lines(crossed(values, FACTORS))
    dice = np.random.default_rng(seed)
    moved = shift + scale * values
    for axis in range(moved.ndim):
        moved = np.take(moved, dice.permutation(moved.shape[axis]), axis=axis)
    after = lines(crossed(moved, FACTORS))
    for term, (ss, dof) in before.items():
        assert after[term] == (pytest.approx(scale**2 * ss, rel=1e-5, abs=1e-7 * scale**2), dof)


@given(st.sampled_from(SHAPES), st.integers(0, 2**32 - 1))
def test_sums_of_squares_and_degrees_of_freedom_add_up(shape, seed):
    values = drawn(shape, seed, {("board",): 2.0})
    for table in (crossed(values, FACTORS), variances(values).table, variances(values, nested=True).table):
        found = lines(table)
        assert math.fsum(ss for ss, _ in found.values()) == pytest.approx(((values - values.mean()) ** 2).sum())
        assert sum(dof for _, dof in found.values()) == values.size - 1


def test_numbers_with_many_leading_digits_in_common_keep_what_tells_them_apart():
    values = drawn((3, 2, 1, 3), 4, {("board",): 2.0})
    found, far = lines(crossed(values, FACTORS)), lines(crossed(values * 1e-6 + 1e3, FACTORS))
    for term, (ss, _) in found.items():
        assert far[term][0] == pytest.approx(1e-12 * ss, rel=1e-5)


def test_nothing_repeated_is_refused():
    with pytest.raises(MeasurementError, match="expected at least 2 runs of one board"):
        crossed(np.zeros((1, 1, 1, 1)), FACTORS)
    with pytest.raises(ValueError, match="an axis for each of"):
        crossed(np.zeros((2, 2)), FACTORS)


def test_one_run_a_cell_leaves_the_largest_interaction_for_the_repeats():
    got = crossed(drawn((4, 3, 1, 1), 1, {}), FACTORS)
    assert (got.pooled, got.error.dof) == ((("board", "bench"),), 6)


EXPECTED = {
    # Expected mean squares of 4 boards, 3 benches, 2 days, 2 runs by hand: the multiple of each component.
    ("board",): {("board",): 12, ("board", "bench"): 4, ("board", "day"): 6, ("board", "bench", "day"): 2},
    ("bench",): {("bench",): 16, ("board", "bench"): 4, ("bench", "day"): 8, ("board", "bench", "day"): 2},
    ("day",): {("day",): 24, ("board", "day"): 6, ("bench", "day"): 8, ("board", "bench", "day"): 2},
    ("board", "bench"): {("board", "bench"): 4, ("board", "bench", "day"): 2},
    ("board", "day"): {("board", "day"): 6, ("board", "bench", "day"): 2},
    ("bench", "day"): {("bench", "day"): 8, ("board", "bench", "day"): 2},
    ("board", "bench", "day"): {("board", "bench", "day"): 2},
}


def test_components_solve_the_expected_mean_squares():
    table = crossed(drawn((4, 3, 2, 2), 3, {("board",): 2.0}), FACTORS)
    components = {factors: table.component(factors).value for factors in (*EXPECTED, REPEATS)}
    for term, parts in EXPECTED.items():
        expected = components[REPEATS] + math.fsum(size * components[factors] for factors, size in parts.items())
        assert table.term(term).ms == pytest.approx(expected), term


def test_days_within_benches_are_one_term_with_their_own_expectation():
    table = variances(
        drawn((4, 3, 2, 2), 3, {("bench", "day"): 3.0, ("board", "bench", "day"): 3.0}), nested=True
    ).table
    assert table.term(("day",)) is None
    assert table.term(("bench", "day")).dof == 3  # benches x (days - 1)
    assert table.term(("board", "bench", "day")).dof == 9
    repeats = table.error.ms
    within = table.component(("board", "bench", "day")).value
    days = table.component(("bench", "day")).value
    assert table.term(("bench", "day")).ms == pytest.approx(repeats + 2 * within + 8 * days)


def test_the_pooling_rule_looks_at_p():
    # Chance interactions that fall on either side of 0.25.
    for seed, low, high, kept in ((39, 0.25, 0.27, False), (2, 0.23, 0.25, True)):
        values = drawn((5, 3, 1, 3), seed, {("board",): 3.0})
        table = crossed(values, FACTORS)
        assert low < table.test(("board", "bench")).p < high
        assert (variances(values).table.term(("board", "bench")) is not None) is kept
        pooled = table.merged(("board", "bench"), REPEATS)
        assert pooled.error.dof == 30 + 8
        assert pooled.error.ss == pytest.approx(table.error.ss + table.term(("board", "bench")).ss)


def test_an_interaction_inside_one_that_is_kept_is_kept():
    values = drawn((4, 3, 2, 2), 1, {("board", "bench", "day"): 2.0})
    table = crossed(values, FACTORS)
    assert table.test(("board", "bench", "day")).p < 0.01
    assert table.test(("board", "bench")).p > 0.3
    assert variances(values).table.term(("board", "bench")) is not None


def test_days_of_a_bench_are_no_interaction_and_never_pooled():
    table = variances(drawn((4, 3, 2, 2), 19, {}), nested=True).table
    assert ("board", "bench", "day") in table.pooled
    assert table.test(("bench", "day")).p > 0.5


@given(st.integers(1, 40), st.integers(1, 40), st.sampled_from([0.9, 0.95, 0.99]))
def test_a_difference_of_mean_squares_is_0_at_a_limit_where_f_says_that_it_is(above, below, probability):
    """The limits of MS1 - MS2 reach 0 where MS1 / MS2 is a quantile of F: what the cross term is there for."""
    from scipy.stats import f

    tail = (1.0 - probability) / 2.0
    for quantile, place in ((1.0 - tail, 0), (tail, 1)):
        ratio = float(f.ppf(quantile, above, below))
        for off, sign in ((0.98, -1), (1.02, 1)):
            parts = ((1.0, MeanSquare(ms=off * ratio, dof=above)), (-1.0, MeanSquare(ms=1.0, dof=below)))
            assert (limits(parts, probability)[place] > 0.0) is (sign > 0)


def test_an_interaction_over_repeats_that_are_all_alike_is_certain():
    cells = np.repeat(drawn((3, 3, 1, 1), 5, {}), 2, axis=-1)
    test = crossed(cells, FACTORS).test(("board", "bench"))
    assert (test.f, test.p) == (math.inf, 0.0)
    assert variances(cells).components[REPEATS].value == 0.0
    assert variances(np.ones((3, 3, 1, 2))).root([REPEATS]) == 0.0


@given(st.sampled_from(SHAPES[:5]), st.integers(0, 2**32 - 1), st.booleans())
@examples(60)
def test_limits_hold_the_estimate_and_widen_with_probability(shape, seed, nested):
    got = variances(drawn(shape, seed, {("bench",): 1.0, ("day",): 0.5}), nested=nested)
    grr = got.root(got.gauge)
    low, high = got.limits()
    wide = got.limits(0.999)
    assert 0.0 <= wide[0] <= low <= grr <= high <= wide[1]
    assume(got.table.component(*got.gauge).value > 0.0)
    assert 0.0 < got.dof <= got.table.error.dof + sum(term.dof for term in got.table.terms)


def test_the_limits_of_one_mean_square_are_those_of_chi_squared():
    got = variances(drawn((1, 1, 1, 11), 1, {}))
    low, high = got.components[REPEATS].limits()
    variance = got.components[REPEATS].value
    # Quantiles of chi squared with 10 degrees of freedom, 0.975 and 0.025: 20.483, 3.247 (any table).
    assert (10 * variance / low, 10 * variance / high) == (
        pytest.approx(20.483, abs=1e-3),
        pytest.approx(3.247, abs=1e-3),
    )


@pytest.mark.parametrize(
    ("shape", "s", "nested"),
    [
        ((10, 3, 1, 3), {("board",): 5.0, ("bench",): 1.0}, False),
        ((8, 3, 1, 2), {("board",): 2.0, ("bench",): 0.5, ("board", "bench"): 1.0}, False),
        ((5, 3, 3, 2), {("board",): 2.0, ("bench",): 1.0, ("day",): 0.7, ("bench", "day"): 0.5}, False),
        ((5, 3, 3, 2), {("board",): 2.0, ("bench",): 0.5, ("bench", "day"): 1.0}, True),
        ((6, 1, 5, 2), {("board",): 2.0}, False),
    ],
)
def test_known_components_are_recovered_and_covered(shape, s, nested):
    rate, ratio = coverage(shape, s, 300, nested)
    assert 0.91 < rate <= 1.0  # 0.95 less three standard deviations of 300 rounds
    assert ratio == pytest.approx(1.0, abs=0.2)
