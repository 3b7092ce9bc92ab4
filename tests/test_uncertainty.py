"""Uncertainty against the published examples of the GUM and EA-4/02, and correlated means against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from analysis.uncertainty import (
    autocorrelated_mean,
    autocorrelation_samples,
    budget_line,
    combined_u,
    coverage_factor,
    effective_degrees_of_freedom,
    expanded_u95,
    fit_line,
    rectangular_line,
)

FloatArray = np.ndarray

# JCGM 100:2008, annex H.3: thermometer readings [°C] and corrections [°C] (data as in the GTC documentation, GUM_H3)
H3_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
H3_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def test_the_thermometer_line_of_the_gum() -> None:
    """JCGM 100:2008, H.3.3: results as printed, half a unit of their last digit."""
    line = fit_line(H3_T, H3_B, x0=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    u = np.sqrt(np.diag(line.covariance))
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert line.covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert line.degrees_of_freedom == 9
    value, u_value = line.at(30.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u_value == pytest.approx(0.0041, abs=5e-5)


def test_the_line_s_value_and_uncertainty_do_not_depend_on_its_origin() -> None:
    near, far = fit_line(H3_T, H3_B, x0=24.0), fit_line(H3_T, H3_B, x0=-100.0)
    np.testing.assert_allclose(near.at(30.0), far.at(30.0), rtol=1e-8, atol=0)


def test_welch_satterthwaite_example_of_the_gum() -> None:
    """JCGM 100:2008, G.4.2: relative uncertainties 0.25, 0.57, 0.82 % of n = 10, 5, 15 readings."""
    lines = [
        budget_line(f"input {n}", u, unit="%", degrees_of_freedom=n - 1)
        for u, n in ((0.25, 10), (0.57, 5), (0.82, 15))
    ]
    assert combined_u(lines) == pytest.approx(1.03, abs=0.005)
    assert effective_degrees_of_freedom(lines) == pytest.approx(19.0, abs=0.05)
    assert expanded_u95(lines) == pytest.approx(2.2, abs=0.06)
    assert expanded_u95(lines) == pytest.approx(2.093 * 1.029, rel=1e-3)


T95 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 10: 2.23, 16: 2.12, 19: 2.09, 30: 2.04, 50: 2.01}
T9545 = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 16: 2.17, 19: 2.14, 30: 2.09, 50: 2.05}


@pytest.mark.parametrize("freedom", T95)
def test_coverage_factors_of_the_gum_s_table(freedom: int) -> None:
    """JCGM 100:2008, table G.2, printed to two decimals."""
    assert coverage_factor(freedom) == pytest.approx(T95[freedom], abs=0.0051)
    assert coverage_factor(freedom, 0.9545) == pytest.approx(T9545[freedom], abs=0.0051)


def test_coverage_factor_at_its_ends() -> None:
    assert coverage_factor(np.inf) == pytest.approx(1.960, abs=5e-4)
    assert coverage_factor(1e7) == pytest.approx(coverage_factor(np.inf), rel=1e-6)
    assert coverage_factor(0.3) == coverage_factor(1.0), "no table goes below one degree of freedom"


def test_furnace_temperature_of_ea_4_02_example_s5() -> None:
    """EA-4/02 M:2022, S5: t_X of the furnace at 1000 °C, certificates with 50 degrees of freedom.

    Published: u = 0.6408705 °C, effective degrees of freedom 7688 (metrodata.de, S05_1.smu).
    """
    uV = 0.077  # sensitivity of the reference thermocouple, °C/µV
    lines = [
        budget_line("readings of the reference", 0.10, degrees_of_freedom=9),
        budget_line("its certificate, U = 0.30, k = 2", 0.30 / 2, degrees_of_freedom=50),
        budget_line("voltmeter's certificate", 1.0, unit="µV", degrees_of_freedom=50, sensitivity=uV),
        rectangular_line("voltmeter's resolution", 0.5, unit="µV", sensitivity=uV),
        rectangular_line("switch", 2.0, unit="µV", sensitivity=uV),
        rectangular_line("ice point", 0.1, sensitivity=-uV / 0.189),
        rectangular_line("drift of the reference", 0.3),
        rectangular_line("uniformity of the furnace", 1.0),
    ]
    assert combined_u(lines) == pytest.approx(0.6408705, abs=5e-7)
    assert effective_degrees_of_freedom(lines) == pytest.approx(7688, abs=1.5)


def test_emf_of_the_type_n_thermocouple_of_ea_4_02_example_s5() -> None:
    """EA-4/02 M:2022, S5: V_X at 1000 °C; published u = 24.966 µV, 52 degrees of freedom, U = 50 µV.

    The pooled standard deviation is printed rounded to 1.60 µV, hence 0.01 µV of room.
    """
    lines = [
        budget_line("readings", 1.60, unit="µV", degrees_of_freedom=9),
        budget_line("voltmeter's certificate", 1.0, unit="µV", degrees_of_freedom=50),
        rectangular_line("voltmeter's resolution", 0.5, unit="µV"),
        rectangular_line("switch", 2.0, unit="µV"),
        rectangular_line("extension cable", 5.0, unit="µV"),
        rectangular_line("ice point", 0.1, sensitivity=1 / 0.039),
        budget_line("furnace", 0.6408705, degrees_of_freedom=50, sensitivity=1 / 0.026),
    ]
    assert combined_u(lines) == pytest.approx(24.966, abs=0.01)
    assert effective_degrees_of_freedom(lines) == pytest.approx(52, abs=0.7)
    assert 2.0 * combined_u(lines) == pytest.approx(50, abs=0.5)


def test_a_rectangular_input_has_its_half_width_over_root_three() -> None:
    """JCGM 100:2008, 4.3.7; the sign of a sensitivity does not matter, infinite freedom adds nothing (G.4.3)."""
    line = rectangular_line("tolerance", 6.0, sensitivity=-0.5)
    assert line.u == pytest.approx(3.4641, abs=5e-5)
    assert line.contribution == pytest.approx(1.7321, abs=5e-5)
    assert (line.unit, line.distribution, line.sensitivity) == ("°C", "rectangular", -0.5)
    assert effective_degrees_of_freedom([line]) == np.inf
    assert effective_degrees_of_freedom([]) == np.inf


@given(st.lists(st.tuples(st.floats(0.01, 100), st.integers(1, 200)), min_size=1, max_size=8))
def test_effective_freedom_lies_between_the_least_and_the_sum(inputs: list[tuple[float, int]]) -> None:
    """JCGM 100:2008, G.4.1, note: nu_eff never exceeds the sum of the inputs' degrees of freedom."""
    lines = [budget_line("x", u, degrees_of_freedom=nu) for u, nu in inputs]
    freedom = effective_degrees_of_freedom(lines)
    assert min(nu for _, nu in inputs) <= freedom * (1 + 1e-9)
    assert freedom <= sum(nu for _, nu in inputs) * (1 + 1e-9)


def ar1(r: float, shape: tuple[int, int], seed: int) -> FloatArray:
    """(series, samples) of AR(1) noise with unit variance, stationary from the first sample on."""
    kicks = np.random.default_rng(seed).normal(size=shape) * np.sqrt(1 - r**2)
    kicks[:, 0] /= np.sqrt(1 - r**2)
    return lfilter([1.0], [1.0, -r], kicks, axis=1)


@pytest.mark.parametrize("r", [0.0, 0.5, 0.9, 0.95])
def test_correlation_time_of_ar1_noise(r: float) -> None:
    """Closed form: tau = 1 + 2·sum(r^k) = (1 + r)/(1 - r)."""
    measured = np.mean([autocorrelation_samples(series) for series in ar1(r, (5, 100_000), seed=2)])
    assert measured == pytest.approx((1 + r) / (1 - r), rel=0.06)


@pytest.mark.parametrize("n", [7, 12, 33])
def test_correlation_time_of_a_short_series_by_its_definition(n: int) -> None:
    """tau = 1 + 2·sum(rho_k), every product of neighbours k apart counted once, up to the first k >= 5·tau."""
    series = np.cumsum(np.random.default_rng(n).normal(size=n))
    away = series - series.mean()
    tau = 1.0
    for k in range(1, n):
        if k - 1 >= 5 * tau:
            break
        tau += 2 * float(away[:-k] @ away[k:]) / float(away @ away)
    assert autocorrelation_samples(series) == pytest.approx(max(tau, 1.0), rel=1e-9)


def test_a_correlation_known_to_be_long_leaves_at_least_two_values_to_a_short_series() -> None:
    """Two values tell a scatter, if hardly; a single one would tell none."""
    mean = autocorrelated_mean(np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0]), tau_floor_samples=100.0)
    assert mean.n_effective == pytest.approx(2.0)
    assert mean.u == pytest.approx(1.0)


def test_correlation_time_is_never_below_one_sample() -> None:
    assert autocorrelation_samples(np.tile([1.0, -1.0], 50)) == 1.0
    assert autocorrelation_samples(np.full(50, 3.0)) == 1.0
    assert autocorrelation_samples(np.array([1.0, 2.0, 5.0])) == 1.0


def exact_variance_of_mean(r: float, n: int) -> float:
    """Var(mean) of n samples of unit AR(1): (1 + 2·sum((1 - k/n)·r^k))/n; n_eff 200.5, 32.09, 15.90 at n = 600."""
    k = np.arange(1, n)
    return float((1 + 2 * np.sum((1 - k / n) * r**k)) / n)


def test_the_closed_form_here_is_the_published_one() -> None:
    """References, section 5: n = 600 of AR(1) with r = 0.5, 0.9, 0.95."""
    for r, published, half_digit in ((0.5, 200.5, 0.06), (0.9, 32.09, 0.005), (0.95, 15.90, 0.005)):
        assert 1 / exact_variance_of_mean(r, 600) == pytest.approx(published, abs=half_digit)


@pytest.mark.parametrize("r", [0.0, 0.5, 0.9])
def test_u_of_a_correlated_mean_against_closed_form_and_monte_carlo(r: float) -> None:
    """A window that is summed until it is five times tau leaves a fifth of the variance out at r = 0.9, no more."""
    means = [autocorrelated_mean(series) for series in ar1(r, (600, 600), seed=3)]
    claimed = np.mean([m.u**2 for m in means])
    assert claimed == pytest.approx(exact_variance_of_mean(r, 600), rel=0.25)
    assert claimed == pytest.approx(np.var([m.value for m in means]), rel=0.3)
    n_effective = np.median([m.n_effective for m in means])
    assert n_effective == pytest.approx(600 * (1 - r) / (1 + r), rel=0.5)


@pytest.mark.parametrize(("r", "n"), [(0.9, 600), (0.95, 200), (0.9, 60)])
def test_with_the_correlation_known_the_interval_covers_also_in_a_short_series(r: float, n: int) -> None:
    """95 % nominal; 800 series know the coverage to ±0.8 %. Without the floor u is too small."""
    tau = (1 + r) / (1 - r)
    series = ar1(r, (800, n), seed=4)
    known, blind = ([autocorrelated_mean(s, floor) for s in series] for floor in (tau, 1.0))
    inside = [abs(m.value) < coverage_factor(max(m.n_effective - 1, 1.0)) * m.u for m in known]
    assert np.mean(inside) > 0.92
    exact = exact_variance_of_mean(r, n)
    assert np.mean([m.u**2 for m in known]) == pytest.approx(exact, rel=0.3)
    assert np.mean([m.u**2 for m in blind]) < np.mean([m.u**2 for m in known])


def test_a_mean_leaves_nan_out_and_is_nan_of_nothing() -> None:
    series = np.array([1.0, np.nan, 2.0, 4.0, np.nan, 3.0, 2.0])
    with_gaps, without = autocorrelated_mean(series), autocorrelated_mean(series[np.isfinite(series)])
    assert with_gaps == without
    assert with_gaps.value == pytest.approx(2.4)
    nothing = autocorrelated_mean(np.full(3, np.nan))
    assert np.isnan(nothing.value)
    assert np.isnan(nothing.u)
    assert nothing.n_effective == 0.0


def test_an_independent_series_has_the_textbook_mean() -> None:
    """JCGM 100:2008, 4.2.3: u = s/√n with s from n - 1; here tau is 1 by the series' own sign changes."""
    series = np.array([1.0, -1.0, 2.0, -2.0, 1.5, -1.5, 1.0, -1.0])
    mean = autocorrelated_mean(series)
    assert mean.n_effective == 8.0
    assert mean.u == pytest.approx(np.std(series, ddof=1) / np.sqrt(8), rel=1e-12)


@given(st.floats(-1000, 1000), st.floats(0.1, 100))
def test_shifting_and_scaling_a_series_shifts_and_scales_its_mean(shift: float, scale: float) -> None:
    series = ar1(0.8, (1, 50), seed=5)[0]
    plain, moved = autocorrelated_mean(series), autocorrelated_mean(shift + scale * series)
    assert moved.value == pytest.approx(shift + scale * plain.value, rel=1e-9, abs=1e-9)
    assert moved.u == pytest.approx(scale * plain.u, rel=1e-6)
    assert moved.n_effective == pytest.approx(plain.n_effective, rel=1e-6)
