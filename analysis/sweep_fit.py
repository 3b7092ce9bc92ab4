"""Fitting a bank's sweep: penalised generalised least squares with the noise's scales of the largest likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.curve import CurveBasis
from analysis.noise import TYPICAL, Scales, Whitener
from analysis.noise_likelihood import NoiseLikelihood
from analysis.shift_uncertainty import drift_told, inverse_of, shift_parts, without_false_slopes
from analysis.sweep_model import SweepData, SweepModel

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SweepFit:
    """The fitted bank.

    shift: (n_cylinders,) in ln(fuel), sums to zero; shift_covariance: its covariance; shift_parts: what adds to its
    uncertainty, as (source, (n_cylinders,) standard uncertainty, degrees of freedom). height_C, gain, lag_s:
    (n_cylinders,). drift_C_per_min, drift_u_C_per_min: each one's steady drift against the bank as the sweep alone
    tells it, without what is expected of a sound probe. delay_s, delay_u_s: how much later than lambda the probes
    answer. curve: F's coefficients on `basis`. residual_C: (n, n_cylinders) measured minus fitted; standardised: the
    same made independent, first the mean's (n,), then the contrasts' (n·(n_cylinders-1),).
    """

    data: SweepData
    basis: CurveBasis
    curve: FloatArray
    curve_covariance: FloatArray
    shift: FloatArray
    shift_covariance: FloatArray
    shift_parts: tuple[tuple[str, FloatArray, float], ...]
    height_C: FloatArray
    gain: FloatArray
    lag_s: FloatArray
    drift_C_per_min: FloatArray
    drift_u_C_per_min: FloatArray
    delay_s: float
    delay_u_s: float
    scales: Scales
    residual_C: FloatArray
    standardised: FloatArray

    def slope_at(self, ln_phi: float) -> tuple[float, float]:
        """dEGT/d(fuel) of the shared curve [°C per % fuel] and its standard uncertainty."""
        return self._by_curve(self.basis.slopes(np.array([ln_phi]))[0])

    def bend(self) -> tuple[float, float]:
        """How much that slope differs between the richest and the leanest twentieth, with its standard uncertainty."""
        late = self.data.time_s - self.delay_s
        ends = np.percentile(np.interp(late, self.data.x_time_s, self.data.x), [5, 95])
        leanest, richest = self.basis.slopes(ends)
        return self._by_curve(richest - leanest)

    def _by_curve(self, derivative: FloatArray) -> tuple[float, float]:
        row = derivative / 100.0
        return float(row @ self.curve), float(np.sqrt(row @ self.curve_covariance @ row))


def fit_sweep(data: SweepData) -> SweepFit:
    """Fit one bank (equation in the text of `analysis.sweep_model`) by penalised generalised least squares.

    The noise's scales are those of the largest marginal likelihood at the linearised model, with TYPICAL as prior.
    Raises ValueError where fewer than twelve points are left.
    """
    if len(data.time_s) < 12:
        raise ValueError("a sweep needs at least twelve points")
    model = SweepModel(data)
    scales = TYPICAL
    theta = _gauss_newton(model, model.start(), scales)
    for _ in range(2):
        scales = NoiseLikelihood(model, theta).likeliest(scales)
        theta = _gauss_newton(model, theta, scales)
    return _finish(model, theta, scales)


def _augmented(
    model: SweepModel, theta: FloatArray, whitener: Whitener, scales: Scales
) -> tuple[FloatArray, FloatArray]:
    """Whitened Jacobian and residual with the priors appended as further observations."""
    fitted, jacobian = model.predict(theta)
    stacked = np.concatenate([jacobian, (model.data.egt_C - fitted)[..., None]], axis=2)
    whitened = whitener.apply(stacked)
    known, values = model.priors(scales)
    rows = np.vstack([whitened[:, :-1], known])
    residual = np.concatenate([whitened[:, -1], values - known @ theta])
    return rows, residual


def _gauss_newton(model: SweepModel, theta: FloatArray, scales: Scales) -> FloatArray:
    """Least squares by Gauss-Newton with step halving: the problem is smooth and starts near its end."""
    whitener = Whitener.make(model.data.time_s, len(model.data.cylinders), scales)
    rows, residual = _augmented(model, theta, whitener, scales)
    cost = float(residual @ residual)
    for _ in range(40):
        step = inverse_of(rows.T @ rows) @ (rows.T @ residual)
        for _halving in range(8):
            rows_new, residual_new = _augmented(model, theta + step, whitener, scales)
            cost_new = float(residual_new @ residual_new)
            if cost_new < cost:
                break
            step = step / 2.0
        else:
            return theta
        gained = cost - cost_new
        theta, rows, residual, cost = theta + step, rows_new, residual_new, cost_new
        if gained < 1e-6 * cost + 1e-9:
            break
    return theta


def _finish(model: SweepModel, theta: FloatArray, scales: Scales) -> SweepFit:
    whitener = Whitener.make(model.data.time_s, len(model.data.cylinders), scales)
    rows, _ = _augmented(model, theta, whitener, scales)
    normal = rows.T @ rows
    covariance = inverse_of(normal)
    curve_covariance = covariance[model.curve, model.curve]
    delay_u_s = float(covariance[model.delay, model.delay][0, 0] ** 0.5)
    drift, drift_u = drift_told(model, theta, normal)
    normal = without_false_slopes(model, theta, whitener, normal, curve_covariance)
    fitted, _ = model.predict(theta)
    residual = model.data.egt_C - fitted
    shift_covariance = inverse_of(normal)[model.shift, model.shift]
    return SweepFit(
        data=model.data,
        basis=model.basis,
        curve=theta[model.curve],
        curve_covariance=curve_covariance,
        shift=model.contrasts @ theta[model.shift],
        shift_covariance=model.contrasts @ shift_covariance @ model.contrasts.T,
        shift_parts=shift_parts(model, normal, scales),
        height_C=theta[model.height],
        gain=1.0 + theta[model.gain],
        lag_s=theta[model.lag],
        drift_C_per_min=drift,
        drift_u_C_per_min=drift_u,
        delay_s=float(theta[model.delay][0]),
        delay_u_s=delay_u_s,
        scales=scales,
        residual_C=residual,
        standardised=whitener.apply(residual[..., None])[:, 0],
    )
