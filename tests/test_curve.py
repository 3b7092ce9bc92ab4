"""Cubic B-splines: what they must reproduce exactly."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.curve import KNOT_SPACING, CurveBasis

BASIS = CurveBasis.over(-0.3, 0.45)
X = np.linspace(-0.3, 0.45, 301)


def coefficients(power: int) -> np.ndarray:
    """Coefficients of x**power on BASIS, exact for a cubic spline up to the third power."""
    return np.linalg.lstsq(BASIS.values(X), X**power, rcond=None)[0]


@pytest.mark.parametrize("power", [0, 1, 2, 3])
def test_polynomials_up_to_the_third_power_are_exact_with_their_slopes(power: int) -> None:
    found = coefficients(power)
    np.testing.assert_allclose(BASIS.values(X) @ found, X**power, rtol=0, atol=1e-11)
    slope = power * X ** max(power - 1, 0)
    np.testing.assert_allclose(BASIS.slopes(X) @ found, slope, rtol=0, atol=1e-9)


def test_a_constant_is_the_same_coefficient_everywhere() -> None:
    np.testing.assert_allclose(coefficients(0), 1.0, rtol=0, atol=1e-10)


def test_slopes_are_the_differences_of_the_values() -> None:
    random, inside = np.random.default_rng(1).normal(size=BASIS.size), X[5:-5]
    step = 1e-6
    difference = (BASIS.values(inside + step) - BASIS.values(inside - step)) @ random / (2 * step)
    np.testing.assert_allclose(BASIS.slopes(inside) @ random, difference, rtol=0, atol=1e-4)


def test_beyond_its_ends_the_curve_is_that_of_the_end() -> None:
    np.testing.assert_array_equal(BASIS.values(np.array([-9.0, 9.0])), BASIS.values(np.array([-0.3, 0.45])))


def test_bending_is_measured_by_second_differences() -> None:
    """A straight line does not bend; a parabola bends alike everywhere, by 2·h² per coefficient for x²."""
    rows = BASIS.curvature_rows()
    assert rows.shape == (BASIS.size - 2, BASIS.size)
    np.testing.assert_allclose(rows @ coefficients(1), 0.0, rtol=0, atol=1e-10)
    spacing = np.diff(BASIS.knots)[0]
    np.testing.assert_allclose(rows @ coefficients(2), 2 * spacing**2, rtol=1e-6, atol=0)


@pytest.mark.parametrize("width", [0.01, 0.03, 0.31, 0.75])
def test_knots_cover_the_range_and_are_no_further_apart_than_they_may_be(width: float) -> None:
    basis = CurveBasis.over(0.1, 0.1 + width)
    assert np.diff(basis.knots).max() <= KNOT_SPACING * (1 + 1e-9)
    assert basis.knots[3] == pytest.approx(0.1)
    assert basis.knots[-4] == pytest.approx(0.1 + width)
    values = basis.values(np.zeros((2, 5)))
    assert values.shape == (2, 5, basis.size)
    np.testing.assert_allclose(values.sum(axis=-1), 1.0, rtol=1e-12, atol=0)
