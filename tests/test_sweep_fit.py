"""The fit of a bank's sweep: exact where nothing is noisy, unmoved by what must not matter, honest about its noise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats
from test_noise import dense_covariance

from analysis.noise import TYPICAL, TYPICAL_LOG_WIDTH, Scales
from analysis.noise_likelihood import NoiseLikelihood
from analysis.sweep_fit import SweepFit, fit_sweep
from analysis.sweep_model import MAX_SHIFT, SweepData, SweepModel

FloatArray = np.ndarray

SHIFT = np.log(1 + np.array([2.0, -3.1, 0.4, 0.7]) / 100)
SHIFT -= SHIFT.mean()
HEIGHT_C = np.array([10.0, -5.0, 3.0, -8.0])
GAIN = np.array([1.05, 0.95, 1.02, 0.98])


def peak(x: FloatArray) -> FloatArray:
    """A rounded peak between straight flanks of 9 °C/%, °C below its top."""
    return -900.0 * (np.hypot(x, 0.05) - 0.05)


def made(
    shift: FloatArray = SHIFT,
    n: int = 48,
    *,
    height_C: FloatArray | float = 0.0,
    gain: FloatArray | float = 1.0,
    lag_s: FloatArray | float = 0.0,
    drift_C_per_min: FloatArray | float = 0.0,
    noise_C: FloatArray | float = 0.0,
    **given: Any,
) -> SweepData:
    """A bank swept from 25 % rich to 10 % lean and back in 200 s, by the formula in the module's text."""
    time_s, x_time_s = np.linspace(0, 200, n), np.arange(-30, 230, 0.5)
    x = np.interp(x_time_s, [0, 100, 200], [0.25, -0.10, 0.25])
    late = time_s[:, None] - lag_s * np.ones(len(shift))
    egt_C = 750 + height_C + gain * peak(np.interp(late, x_time_s, x) + shift) + noise_C
    egt_C = egt_C + drift_C_per_min * ((time_s - time_s.mean()) / 60)[:, None]
    k = len(shift)
    data = SweepData(
        cylinders=tuple(range(1, k + 1)),
        time_s=time_s,
        x_time_s=x_time_s,
        x=x,
        x_rate=np.gradient(x, x_time_s),
        egt_C=egt_C,
        conditions=np.zeros((n, 0)),
        lag_s=np.zeros(k),
        lag_u_s=np.full(k, 0.2),
        height_u_C=15.0,
    )
    return replace(data, **given)


def error_percent(fit: SweepFit, shift: FloatArray = SHIFT) -> FloatArray:
    return 100 * np.abs(fit.shift - shift)


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"height_C": HEIGHT_C, "gain": GAIN},
        {"drift_C_per_min": np.array([2.0, 0.0, -1.0, -1.0])},
        {"lag_s": 1.5},
        {"lag_s": np.array([0.1, -0.1, 0.2, -0.2])},
    ],
    ids=["shift alone", "own heights and gains", "drift", "lambda delay", "own lags"],
)
def test_without_noise_a_known_shift_is_recovered_to_a_hundredth_of_a_per_cent(more: dict[str, Any]) -> None:
    fit = fit_sweep(made(**more))
    assert error_percent(fit).max() < 0.01
    assert fit.shift.sum() == pytest.approx(0.0, abs=1e-12)
    # the curve is a spline of 3 % between knots, the peak's rounding is 5 % wide
    assert np.abs(fit.residual_C).max() < 0.5


def test_what_else_was_put_in_comes_out_beside_the_shift() -> None:
    """What all have in common (a mean height, gain or drift) belongs to the curve or cannot be told."""
    apart = fit_sweep(made(height_C=HEIGHT_C, gain=GAIN))
    np.testing.assert_allclose(apart.gain / apart.gain.mean(), GAIN, rtol=0, atol=0.002)
    # a height is told at the curve's level, which gains move: compare at the level the fit names
    away = apart.height_C - apart.height_C.mean()
    level = apart.curve.mean() - 750
    np.testing.assert_allclose(away, HEIGHT_C + (GAIN - 1) * level, rtol=0, atol=0.5)
    drift = fit_sweep(made(drift_C_per_min=np.array([2.0, 0.0, -1.0, -1.0])))
    np.testing.assert_allclose(drift.drift_C_per_min, [2, 0, -1, -1], rtol=0, atol=0.15)
    assert fit_sweep(made(lag_s=1.5)).delay_s == pytest.approx(1.5, abs=0.02)
    lags = fit_sweep(made(lag_s=np.array([0.1, -0.1, 0.2, -0.2])))
    np.testing.assert_allclose(lags.lag_s, [0.1, -0.1, 0.2, -0.2], rtol=0, atol=0.01)


def test_slope_is_that_of_the_curve_per_per_cent_of_fuel() -> None:
    """Hyperbola: dF/dx = -900·x/hypot(x, 0.05), and 1 % of fuel is 0.01 of x."""
    fit = fit_sweep(made(shift=np.zeros(4)))
    for x in (0.15, 0.10, 0.0):
        value, u = fit.slope_at(x)
        assert value == pytest.approx(-9.0 * x / np.hypot(x, 0.05), abs=0.25)
        assert 0 < u < 0.5


def noise(seed: int, n: int = 40, scales: Scales = TYPICAL) -> FloatArray:
    """Noise of exactly the assumed kind for four cylinders over `made`'s times."""
    covariance = dense_covariance(np.linspace(0, 200, n), 4, scales)
    kicks = np.random.default_rng(seed).normal(size=4 * n)
    return (np.linalg.cholesky(covariance) @ kicks).reshape(n, 4)


@pytest.fixture(scope="module")
def noisy() -> tuple[SweepData, SweepFit]:
    data = made(n=40, noise_C=noise(1))
    return data, fit_sweep(data)


def test_the_order_of_the_cylinders_does_not_matter(noisy: tuple[SweepData, SweepFit]) -> None:
    data, fit = noisy
    order = [2, 0, 3, 1]
    other = fit_sweep(replace(data, egt_C=data.egt_C[:, order]))
    np.testing.assert_allclose(other.shift, fit.shift[order], rtol=0, atol=2e-5)
    u, other_u = (np.sqrt(np.diag(f.shift_covariance)) for f in (fit, other))
    np.testing.assert_allclose(other_u, u[order], rtol=0.02, atol=0)


def test_a_probe_s_constant_error_moves_its_height_and_not_its_shift(
    noisy: tuple[SweepData, SweepFit],
) -> None:
    """With the probes' heights left free: a wide prior, so that 6 °C, a class 2 limit, costs nothing."""
    data = replace(noisy[0], height_u_C=1000.0)
    fit, moved = fit_sweep(data), fit_sweep(replace(data, egt_C=data.egt_C + np.array([6.0, 0, 0, 0])))
    np.testing.assert_allclose(moved.shift, fit.shift, rtol=0, atol=1e-4)
    change = moved.height_C - fit.height_C
    np.testing.assert_allclose(change - change[1], [6, 0, 0, 0], rtol=0, atol=0.1)


def test_a_cylinder_s_own_gain_scales_its_curve_and_hardly_its_shift(
    noisy: tuple[SweepData, SweepFit],
) -> None:
    """5 % of gain is inside its prior of 8 %, which pulls a little: the shift moves by less than its uncertainty."""
    data, fit = noisy
    level = data.egt_C[:, 1].mean()
    egt_C = data.egt_C.copy()
    egt_C[:, 1] = level + 1.05 * (egt_C[:, 1] - level)
    scaled = fit_sweep(replace(data, egt_C=egt_C))
    u = np.sqrt(np.diag(fit.shift_covariance))
    assert np.all(np.abs(scaled.shift - fit.shift) < 0.5 * u)
    assert (scaled.gain[1] / scaled.gain[0]) / (fit.gain[1] / fit.gain[0]) == pytest.approx(1.05, abs=0.01)


def test_a_later_record_is_the_same_record(noisy: tuple[SweepData, SweepFit]) -> None:
    data, fit = noisy
    later = fit_sweep(replace(data, time_s=data.time_s + 7200, x_time_s=data.x_time_s + 7200))
    np.testing.assert_allclose(later.shift, fit.shift, rtol=0, atol=2e-5)


def test_what_all_cylinders_do_together_does_not_move_the_shifts(noisy: tuple[SweepData, SweepFit]) -> None:
    """A warm-up of 15 °C common to the bank is the shared wander's, not anybody's mixture."""
    data, fit = noisy
    together = fit_sweep(replace(data, egt_C=data.egt_C - 15 * np.exp(-data.time_s / 60)[:, None]))
    u = np.sqrt(np.diag(fit.shift_covariance))
    assert np.all(np.abs(together.shift - fit.shift) < 0.5 * u)


def test_a_disturbance_of_speed_is_taken_off_where_it_was_recorded() -> None:
    speed = np.random.default_rng(3).normal(size=(48, 1))
    speed = (speed - speed.mean()) / speed.std()
    fit = fit_sweep(replace(made(), egt_C=made().egt_C + 6.0 * speed, conditions=speed))
    assert error_percent(fit).max() < 0.02
    assert np.abs(fit.residual_C).max() < 1.0


def test_the_parts_of_the_uncertainty_add_up_to_it(noisy: tuple[SweepData, SweepFit]) -> None:
    fit = noisy[1]
    total = np.sqrt(sum(u**2 for _, u, _ in fit.shift_parts))
    np.testing.assert_allclose(total, np.sqrt(np.diag(fit.shift_covariance)), rtol=1e-6, atol=0)
    names = [name for name, *_ in fit.shift_parts]
    assert len(set(names)) == len(names) >= 5
    assert all(freedom > 1 for *_, freedom in fit.shift_parts)
    np.testing.assert_allclose(fit.shift_covariance.sum(axis=0), 0.0, rtol=0, atol=1e-12)


def test_a_temperature_that_does_not_depend_on_mixture_tells_no_shift() -> None:
    """The fitted curve has slopes of its noise's making; they must not pass for a sweep's."""
    for seed in (1, 2):
        data = made(n=40)
        fit = fit_sweep(replace(data, egt_C=750 + HEIGHT_C + noise(seed)))
        u = np.sqrt(np.diag(fit.shift_covariance))
        assert np.all(u > 0.05)
        assert np.all(np.abs(fit.shift) < 2.5 * u)


def test_a_drift_is_told_by_the_sweep_alone_without_what_is_expected_of_a_sound_probe() -> None:
    """6 °C a minute is six times what a sound probe does: the expectation would halve it, and does not here."""
    fits = [
        fit_sweep(made(n=40, noise_C=noise(s), drift_C_per_min=np.array([6.0, 0, 0, 0]))) for s in range(3)
    ]
    assert np.mean([fit.drift_C_per_min[0] for fit in fits]) == pytest.approx(6.0, abs=1.5)
    for fit in fits:
        assert abs(fit.drift_C_per_min[0] - 6.0) < 2 * fit.drift_u_C_per_min[0]
        assert fit.drift_u_C_per_min[0] > 0.5, "with a wander of 1.2 °C over 200 s"


def test_lags_that_are_known_are_taken_off_in_a_sweep_that_cannot_tell_them() -> None:
    """One way at one rate, 0.13 % of mixture a second: unknown, ±2 s would be ±0.27 % of fuel."""
    lag_s = np.array([2.0, -2.0, 1.0, -1.0])
    x_time_s = np.arange(-30, 230, 0.5)
    x = np.interp(x_time_s, [-30, 230], [0.25, -0.10])
    data = replace(made(n=40), x=x, x_rate=np.gradient(x, x_time_s))
    seen = np.interp(data.time_s[:, None] - lag_s, x_time_s, x) + SHIFT
    known = fit_sweep(replace(data, egt_C=750 + peak(seen), lag_s=lag_s, lag_u_s=np.full(4, 0.1)))
    assert error_percent(known).max() < 0.03
    np.testing.assert_allclose(known.lag_s, lag_s, rtol=0, atol=0.1)


def test_less_certain_lags_make_less_certain_shifts() -> None:
    """One way at one rate: a second of lag is 0.13 % of mixture, and nothing in such a sweep tells them apart."""
    x_time_s = np.arange(-30, 230, 0.5)
    x = np.interp(x_time_s, [-30, 230], [0.25, -0.10])
    one_way = replace(made(n=40), x=x, x_rate=np.gradient(x, x_time_s))
    late = np.interp(one_way.time_s, x_time_s, x)[:, None] + SHIFT
    one_way = replace(one_way, egt_C=750 + peak(late) + noise(2))
    part = {u_s: fit_sweep(replace(one_way, lag_u_s=np.full(4, u_s))).shift_parts for u_s in (0.1, 0.8)}
    lag = {u_s: next(u for name, u, _ in parts if name == "probe lag") for u_s, parts in part.items()}
    # a lag against the mean of four, times 0.35 of ln(fuel) in 260 s
    np.testing.assert_allclose(lag[0.8], 0.8 * np.sqrt(3 / 4) * 0.35 / 260, rtol=0.15, atol=0)
    assert np.all(lag[0.1] < 0.3 * lag[0.8])


def test_estimates_scatter_as_their_uncertainty_says() -> None:
    """Chi-square over 12 records of the assumed noise, three contrasts each: within its 0.1 and 99.9 % points."""
    total = 0.0
    contrasts = np.linalg.svd(np.ones((1, 4)))[2][1:]
    for seed in range(12):
        fit = fit_sweep(made(n=40, noise_C=noise(100 + seed)))
        away = contrasts @ (fit.shift - SHIFT)
        total += float(away @ np.linalg.solve(contrasts @ fit.shift_covariance @ contrasts.T, away))
    low, high = stats.chi2(36).ppf([0.001, 0.999])
    assert low < total < high


def test_standardised_residuals_of_the_assumed_noise_are_standard(noisy: tuple[SweepData, SweepFit]) -> None:
    """The mean's come first, then the contrasts'; a smooth curve takes some of the mean's scatter away."""
    standardised = noisy[1].standardised
    assert standardised.shape == (160,)
    assert standardised[40:].std() == pytest.approx(1.0, abs=0.25)
    assert np.abs(standardised).max() < 5


def test_the_jacobian_is_the_derivative_of_the_prediction() -> None:
    data = made(n=20, gain=GAIN, conditions=np.random.default_rng(4).normal(size=(20, 2)))
    model = SweepModel(data)
    rng = np.random.default_rng(5)
    theta = model.start()
    theta[model.curve] += 750 + peak(np.linspace(-0.3, 0.45, model.basis.size)) - theta[model.curve]
    for where, size in (
        (model.height, 5.0),
        (model.gain, 0.05),
        (model.shift, 0.02),
        (model.lag, 0.3),
        (model.drift, 1.0),
        (model.delay, 0.4),
        (model.condition, 3.0),
    ):
        theta[where] = rng.normal(0, size, where.stop - where.start)
    jacobian = model.predict(theta)[1]
    inside = np.abs(data.time_s % 100 - 50) < 45  # where the mixture turns its rate jumps
    for k in range(model.n_parameters):
        step = np.zeros(model.n_parameters)
        # the series of mixture bends at its samples: steps in time stay between two of them
        step[k] = 1e-6 if k >= model.shift.start else 1e-4
        difference = (model.predict(theta + step)[0] - model.predict(theta - step)[0]) / (2 * step[k])
        np.testing.assert_allclose(
            jacobian[inside][..., k], difference[inside], rtol=1e-4, atol=1e-4, err_msg=str(k)
        )


def test_the_scales_likelihood_is_the_marginal_one_of_the_full_normal_distribution() -> None:
    """Against scipy.stats.multivariate_normal with the parameters integrated over their priors (Rasmussen, 2.7).

    The curve's level and slope have no prior; here they get one of ±10^4, which is the same to 10^-3.
    """
    data = made(n=14, noise_C=noise(6, 14))
    model, theta = SweepModel(data), SweepModel(data).start()
    likelihood = NoiseLikelihood(model, theta)
    fitted, jacobian = model.predict(theta)
    design = jacobian.reshape(-1, model.n_parameters)
    target = (data.egt_C - fitted).ravel() + design @ theta

    def expected(scales: Scales) -> float:
        rows, values = model.priors(scales)
        precision = rows.T @ rows
        size = model.basis.size
        open_ends = np.stack([np.ones(size), np.linspace(-1, 1, size)])
        open_ends /= np.linalg.norm(open_ends, axis=1, keepdims=True)
        precision[model.curve, model.curve] += open_ends.T @ open_ends / 1e8
        covariance = np.linalg.inv(precision)
        mean = covariance @ (rows.T @ values)
        full = dense_covariance(data.time_s, 4, scales) + design @ covariance @ design.T
        away = (scales.logs() - TYPICAL.logs()) / TYPICAL_LOG_WIDTH
        return float(-2 * stats.multivariate_normal(design @ mean, full).logpdf(target) + away @ away)

    others = [Scales(0.8, 0.7, 5.0, 0.2, 3.0, 0.1, 2.0), Scales(0.3, 2.0, 15.0, 0.05, 1.0, 0.6, 20.0)]
    for other in others:
        found = likelihood.minus_two_log(other.logs())[0] - likelihood.minus_two_log(TYPICAL.logs())[0]
        assert found == pytest.approx(expected(other) - expected(TYPICAL), abs=0.05)


@pytest.mark.parametrize("n_cylinders", [1, 2, 4])
def test_the_scales_gradient_is_that_of_differences(n_cylinders: int) -> None:
    data = made(SHIFT[:n_cylinders], n=40, noise_C=noise(6, 40)[:, :n_cylinders])
    model = SweepModel(data)
    likelihood = NoiseLikelihood(model, model.start())
    rng = np.random.default_rng(9)
    for _ in range(5):
        logs = TYPICAL.logs() + rng.normal(0, 1, 7) * TYPICAL_LOG_WIDTH
        gradient = likelihood.minus_two_log(logs)[1]
        differences = [
            (likelihood.minus_two_log(logs + step)[0] - likelihood.minus_two_log(logs - step)[0]) / 2e-4
            for step in 1e-4 * np.eye(7)
        ]
        np.testing.assert_allclose(gradient, differences, rtol=1e-4, atol=1e-3)


def test_fewer_than_twelve_points_are_refused() -> None:
    with pytest.raises(ValueError, match="twelve"):
        fit_sweep(made(n=11))


def test_two_cylinders_and_one() -> None:
    two = fit_sweep(made(shift=np.array([0.01, -0.01])))
    np.testing.assert_allclose(two.shift, [0.01, -0.01], rtol=0, atol=1e-4)
    one = fit_sweep(made(shift=np.zeros(1)))
    assert one.shift.tolist() == [0.0]


def test_a_shift_beyond_what_runs_is_held_back() -> None:
    """The prior is wide, not absent: 8 % is a fraction of it and comes out whole."""
    shift = np.array([0.06, -0.02, -0.02, -0.02])
    assert error_percent(fit_sweep(made(shift=shift)), shift).max() < 0.02
    assert MAX_SHIFT >= 0.15
