"""Sliding polynomials: against scipy's filter, and on polynomials themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.fits.sliding import fitted
from tests.examples import examples


@examples(60)
@given(st.integers(1, 4), st.integers(0, 2), st.integers(0, 20), st.integers(0, 40), st.floats(1e-4, 10.0), st.data())
def test_it_gives_what_scipy_gives(
    degree: int, derivative: int, wider: int, longer: int, step: float, data: st.DataObject
) -> None:
    from scipy.signal import savgol_filter

    window = degree + 1 + wider + (degree + 1 + wider + 1) % 2
    y = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1))).normal(size=window + longer)
    derivative = min(derivative, degree)
    expected = savgol_filter(y, window, degree, deriv=derivative, delta=step, mode="interp")
    found = fitted(y, window, degree, derivative=derivative, step=step)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9 * float(np.max(np.abs(expected)) + 1e-300))


def test_a_polynomial_is_its_own_fit_to_the_edges() -> None:
    t = np.arange(30) * 0.01
    y = 1.0 + 2.0 * t - 3.0 * t**2 + 4.0 * t**3
    assert fitted(y, 9, 3) == pytest.approx(y, rel=1e-12)
    assert fitted(y, 9, 3, derivative=1, step=0.01) == pytest.approx(2.0 - 6.0 * t + 12.0 * t**2, rel=1e-9)


@pytest.mark.parametrize("window", [4, 3, 33])
def test_a_window_that_cannot_be_fitted_is_refused(window: int) -> None:
    with pytest.raises(ValueError, match=r"an odd window above 3 and of at most 31 samples expected"):
        fitted(np.zeros(31), window, 3)
