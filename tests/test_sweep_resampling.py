"""The interval of a sweep's shifts, checked by resampling: draw what is uncertain again, fit again, count.

A fitted sweep is taken for the truth; heights, gains, lags, drifts and noise are drawn anew from what the fit assumes
of them, and the same estimator looks at each new sweep (parametric bootstrap: Efron, Tibshirani, An Introduction to
the Bootstrap, Chapman & Hall 1993, section 6.5).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from test_noise import dense_covariance
from test_sweep_fit import SHIFT, made

from analysis.noise import Scales
from analysis.sweep_fit import SweepFit, fit_sweep
from analysis.sweep_model import DRIFT_C_PER_MIN, GAIN_WIDTH, SweepData

DRAWS = 30
SCALES = Scales(0.3, 1.2, 10.0, 0.06, 1.5, 0.2, 2.0)


def drawn(rng: np.random.Generator) -> SweepData:
    """A bank of the shifts SHIFT with everything else drawn from what the estimator assumes."""
    n, k = 70, len(SHIFT)
    covariance = dense_covariance(np.linspace(0, 200, n), k, SCALES)
    noise = np.linalg.cholesky(covariance) @ rng.normal(size=n * k)
    return made(
        n=n,
        height_C=rng.normal(0, 15.0, k),
        gain=1 + rng.normal(0, GAIN_WIDTH / 2, k),
        lag_s=rng.normal(0, 0.2, k),
        drift_C_per_min=rng.normal(0, DRIFT_C_PER_MIN, k),
        noise_C=noise.reshape(n, k),
    )


def sigmas(fit: SweepFit) -> np.ndarray:
    return np.asarray((fit.shift - SHIFT) / np.sqrt(np.diag(fit.shift_covariance)))


def test_resampled_shifts_scatter_as_much_as_the_interval_says() -> None:
    rng = np.random.default_rng(20)
    away = np.array([sigmas(fit_sweep(drawn(rng))) for _ in range(DRAWS)])
    # 30 draws of 4 shifts with 3 degrees of freedom each: the rms of 90 standard normals is 1 ± 0.075
    rms = float(np.sqrt((away**2).mean()))
    assert 0.75 < rms < 1.25, "neither boasting nor hiding"
    assert abs(away.mean(axis=0)).max() < 4 / np.sqrt(DRAWS), "and no shift is favoured"


def test_leaving_out_a_sixth_of_the_points_moves_the_shifts_within_their_interval() -> None:
    data = drawn(np.random.default_rng(3))
    whole = fit_sweep(data)
    u = np.sqrt(np.diag(whole.shift_covariance))
    for first in range(6):
        keep = np.arange(len(data.time_s)) // 12 != first
        part = replace(
            data, time_s=data.time_s[keep], egt_C=data.egt_C[keep], conditions=data.conditions[keep]
        )
        assert np.abs(fit_sweep(part).shift - whole.shift).max() < 2.5 * u.max()
