"""The structured covariance of a bank against the same covariance written out in full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analysis.noise import TYPICAL, TYPICAL_LOG_WIDTH, Scales, Whitener, contrast_rotation

FloatArray = np.ndarray
TIMES_S = np.array([3.0, 3.5, 5.0, 9.0, 20.0, 21.0])
SCALES = Scales(0.5, 1.3, 7.0, 0.2, 2.1, 0.4, 5.0)


def dense_covariance(time_s: FloatArray, n_cylinders: int, scales: Scales) -> FloatArray:
    """(n·c, n·c), cylinders fastest: own white, Ornstein-Uhlenbeck and walk, plus a wander and a walk shared by all."""
    n = len(time_s)
    full = np.zeros((n, n_cylinders, n, n_cylinders))
    for i, t in enumerate(time_s):
        for j, s in enumerate(time_s):
            wander = np.exp(-abs(t - s) / scales.wander_s)
            walked = min(t, s) - time_s[0]
            shared = scales.shared_wander_C**2 * wander + scales.shared_drift_C_per_sqrt_s**2 * walked
            own = scales.wander_C**2 * wander + scales.drift_C_per_sqrt_s**2 * walked
            own += scales.white_C**2 * (i == j)
            for a in range(n_cylinders):
                for b in range(n_cylinders):
                    full[i, a, j, b] = shared + own * (a == b)
    return full.reshape(n * n_cylinders, n * n_cylinders)


def log_determinant(whitener: Whitener, n_cylinders: int) -> float:
    """Of the whole covariance: the mean once, a contrast as often as there are contrasts."""
    mean, own = (2 * np.log(np.diag(factor)).sum() for factor in (whitener.mean, whitener.own))
    return float(mean + (n_cylinders - 1) * own)


@pytest.mark.parametrize("n_cylinders", [1, 2, 3, 4])
def test_whitened_noise_has_the_unit_matrix_for_covariance(n_cylinders: int) -> None:
    size = len(TIMES_S) * n_cylinders
    whitener = Whitener.make(TIMES_S, n_cylinders, SCALES)
    matrix = whitener.apply(np.eye(size).reshape(len(TIMES_S), n_cylinders, size))
    full = dense_covariance(TIMES_S, n_cylinders, SCALES)
    np.testing.assert_allclose(matrix @ full @ matrix.T, np.eye(size), rtol=0, atol=1e-9)
    assert log_determinant(whitener, n_cylinders) == pytest.approx(np.linalg.slogdet(full)[1], rel=1e-9)


def test_likelihood_of_residuals_is_that_of_the_full_normal_distribution() -> None:
    """Against scipy.stats.multivariate_normal."""
    residual = np.random.default_rng(1).normal(0, 2, (len(TIMES_S), 3))
    whitener = Whitener.make(TIMES_S, 3, SCALES)
    squares = float((whitener.apply(residual[..., None]) ** 2).sum())
    minus_two_log = squares + log_determinant(whitener, 3) + residual.size * np.log(2 * np.pi)
    full = stats.multivariate_normal(cov=dense_covariance(TIMES_S, 3, SCALES))
    assert minus_two_log == pytest.approx(-2 * full.logpdf(residual.ravel()), rel=1e-9)


def test_what_all_cylinders_do_together_weighs_nothing_in_their_contrasts() -> None:
    """The mean comes first, n values; the contrasts after it do not see a shared movement at all."""
    together = np.sin(TIMES_S)[:, None] * np.ones(4)
    whitened = Whitener.make(TIMES_S, 4, SCALES).apply(together[..., None])[:, 0]
    assert np.abs(whitened[: len(TIMES_S)]).max() > 0.1
    np.testing.assert_allclose(whitened[len(TIMES_S) :], 0.0, rtol=0, atol=1e-12)


def test_only_white_noise_is_divided_by_its_deviation() -> None:
    white = replace(
        SCALES, wander_C=1e-9, drift_C_per_sqrt_s=1e-9, shared_wander_C=1e-9, shared_drift_C_per_sqrt_s=1e-9
    )
    values = np.random.default_rng(2).normal(size=(len(TIMES_S), 3, 1))
    whitened = Whitener.make(TIMES_S, 3, white).apply(values)
    assert (whitened**2).sum() == pytest.approx((values**2).sum() / 0.5**2, rel=1e-9)


@pytest.mark.parametrize("n", [1, 2, 3, 6])
def test_the_rotation_keeps_lengths_and_begins_with_the_mean(n: int) -> None:
    rotation = contrast_rotation(n)
    np.testing.assert_allclose(rotation.T @ rotation, np.eye(n), rtol=0, atol=1e-12)
    np.testing.assert_allclose(rotation[:, 0], 1 / np.sqrt(n), rtol=1e-12, atol=0)


def test_scales_survive_their_logarithms_and_every_one_has_a_width() -> None:
    assert np.allclose(Scales.from_logs(SCALES.logs()).logs(), SCALES.logs(), rtol=0, atol=1e-12)
    assert Scales.from_logs(SCALES.logs()).wander_s == pytest.approx(7.0)
    assert len(TYPICAL_LOG_WIDTH) == len(TYPICAL.logs())
    assert np.all(TYPICAL_LOG_WIDTH > 0)


def test_typical_wander_is_the_one_measured_on_real_engines() -> None:
    """References, section 11: sd 0.9 to 1.8 °C, tau = 1 + 2·sum(rho) 8 to 19 s, twice the time constant."""
    assert 0.9 <= TYPICAL.wander_C <= 1.8
    spread = np.exp(TYPICAL_LOG_WIDTH[2])
    assert TYPICAL.wander_s / spread <= 19 / 2
    assert TYPICAL.wander_s * spread >= 8 / 2
