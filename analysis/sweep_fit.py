"""The heart: one bank's temperatures during a mixture sweep are one curve, shifted by each cylinder's own mixture.

    egt_i(t) = height_i + gain_i · F(x(t - delay - lag_i) + shift_i) + conditions(t) + noise_i(t)

x = ln(relative fuel) of the bank. A cylinder that gets 2 % less fuel than its bank reaches the curve's peak when the
bank is still 2 % richer: its whole curve is shifted, whatever its probe's error (height), heat (height, gain) or
lag. So the shift tells the mixture. Everything else is fitted beside it with as much freedom as real engines take,
and the interval grows where the sweep cannot tell shift from drift, lag or gain.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from analysis.curve import CurveBasis
from analysis.noise import TYPICAL, TYPICAL_LOG_WIDTH, Scales, Whitener, contrast_rotation

FloatArray = npt.NDArray[np.float64]

MAX_SHIFT = 0.2  # ln(fuel): a cylinder 20 % off does not run
GAIN_WIDTH = 0.08  # cylinders' curves differ in height by some per cent; common practice, no published source
DRIFT_C_PER_MIN = 1.0  # steady drift of a sound probe; common practice, no published source
DELAY_WIDTH_S = 2.0  # lambda against temperature, after what is known of both is taken off
LEAST_KEPT = 0.1  # of the information on a shift, however noisy the curve
OWN_CONDITION_WIDTH_C = 1.0  # and what one cylinder does more than its bank
CONDITION_WIDTH_C = 10.0  # effect of one standard deviation of speed or load within a steady hold


@dataclass(frozen=True)
class SweepData:
    """A bank at one operating point while its mixture varies.

    time_s: (n,) increasing. x_time_s, x: (m,) the finer series of ln(relative fuel) that `x(t - delay)` reads;
    x_rate its rate of change [1/s], smoothed enough that the sensor's noise does not pass for mixture.
    egt_C: (n, n_cylinders) without NaN. conditions: (n, k) standardised disturbances (speed, load), maybe k = 0.
    lag_s, lag_u_s: (n_cylinders,) each probe's lag against the bank's mean and its standard uncertainty.
    height_u_C: standard uncertainty of a cylinder's own height (probe tolerance and heat that is not mixture).
    """

    cylinders: tuple[int, ...]
    time_s: FloatArray
    x_time_s: FloatArray
    x: FloatArray
    x_rate: FloatArray
    egt_C: FloatArray
    conditions: FloatArray
    lag_s: FloatArray
    lag_u_s: FloatArray
    height_u_C: float


@dataclass(frozen=True)
class SweepFit:
    """The fitted bank.

    shift: (n_cylinders,) in ln(fuel), sums to zero; shift_covariance: its covariance; shift_parts: what adds to its
    uncertainty, as (source, (n_cylinders,) standard uncertainty, degrees of freedom). height_C, gain, lag_s:
    (n_cylinders,). drift_C_per_min, drift_u_C_per_min: each one's steady drift against the bank as the sweep alone
    tells it, without what is expected of a sound probe. curve: F's coefficients on `basis`.
    residual_C: (n, n_cylinders) measured minus fitted;
    standardised: the same made independent, first the mean's (n,), then the contrasts' (n·(n_cylinders-1),).
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
    scales: Scales
    residual_C: FloatArray
    standardised: FloatArray

    def slope_at(self, ln_phi: float) -> tuple[float, float]:
        """dEGT/d(fuel) of the shared curve [°C per % fuel] and its standard uncertainty."""
        row = self.basis.slopes(np.array([ln_phi]))[0] / 100.0
        return float(row @ self.curve), float(np.sqrt(row @ self.curve_covariance @ row))


class _Model:
    """The parameters in one vector: curve, height, gain-1, shift contrasts, lag, drift, delay, conditions."""

    def __init__(self, data: SweepData) -> None:
        self.data = data
        n = len(data.cylinders)
        spread = MAX_SHIFT if n > 1 else 0.0
        self.basis = CurveBasis.over(float(data.x.min()) - spread, float(data.x.max()) + spread)
        k = data.conditions.shape[1]
        sizes = [self.basis.size, n, n, max(n - 1, 0), n, n, 1, k, n * k]
        ends = np.cumsum([0, *sizes])
        (
            self.curve,
            self.height,
            self.gain,
            self.shift,
            self.lag,
            self.drift,
            self.delay,
            self.condition,
            self.own_condition,
        ) = (slice(int(a), int(b)) for a, b in itertools.pairwise(ends))
        self.n_parameters = int(ends[-1])
        self.contrasts = contrast_rotation(n)[:, 1:]  # (n, n-1): shifts that sum to zero
        self.minutes = (data.time_s - data.time_s.mean()) / 60.0
        self.prior_rows, self.prior_values = self._priors()

    def _priors(self) -> tuple[FloatArray, FloatArray]:
        data, n = self.data, len(self.data.cylinders)
        rows = np.zeros((0, self.n_parameters))
        values: list[FloatArray] = []

        def add(where: slice, matrix: FloatArray, centre: FloatArray) -> None:
            nonlocal rows
            block = np.zeros((len(matrix), self.n_parameters))
            block[:, where] = matrix
            rows = np.vstack([rows, block])
            values.append(centre)

        curvature = self.basis.curvature_rows()
        add(self.curve, curvature, np.zeros(len(curvature)))
        self.n_bends = len(curvature)
        add(self.height, np.eye(n) / data.height_u_C, np.zeros(n))
        add(self.gain, np.eye(n) / GAIN_WIDTH, np.zeros(n))
        add(self.shift, np.eye(max(n - 1, 0)) / MAX_SHIFT, np.zeros(max(n - 1, 0)))
        add(self.lag, np.diag(1.0 / data.lag_u_s), data.lag_s / data.lag_u_s)
        add(self.drift, np.eye(n) / DRIFT_C_PER_MIN, np.zeros(n))
        add(self.delay, np.array([[1.0 / DELAY_WIDTH_S]]), np.zeros(1))
        k = data.conditions.shape[1]
        add(self.condition, np.eye(k) / CONDITION_WIDTH_C, np.zeros(k))
        add(self.own_condition, np.eye(n * k) / OWN_CONDITION_WIDTH_C, np.zeros(n * k))
        return rows, np.concatenate(values)

    def priors(self, scales: Scales) -> tuple[FloatArray, FloatArray]:
        """What is known beforehand, as rows and values of further observations with standard deviation 1."""
        rows = self.prior_rows.copy()
        rows[: self.n_bends] /= scales.bend_C
        return rows, self.prior_values

    def start(self) -> FloatArray:
        theta = np.zeros(self.n_parameters)
        theta[self.curve] = self.data.egt_C.mean()
        theta[self.lag] = self.data.lag_s
        return theta

    def mixture(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(n, n_cylinders) each cylinder's ln(fuel) as its probe saw it, and its rate of change."""
        data = self.data
        late = data.time_s[:, None] - theta[self.delay] - theta[self.lag][None, :]
        x = np.interp(late, data.x_time_s, data.x)
        return x + (self.contrasts @ theta[self.shift])[None, :], np.interp(late, data.x_time_s, data.x_rate)

    def predict(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fitted temperatures (n, n_cylinders) and their Jacobian (n, n_cylinders, n_parameters)."""
        x, rate = self.mixture(theta)
        gain = 1.0 + theta[self.gain]
        basis, curve = self.basis.values(x), theta[self.curve]
        # heights and gains are about the curve's own level, so that a gain does not move the whole temperature
        level = curve.mean()
        shape = basis @ curve - level
        slope = (self.basis.slopes(x) @ curve) * gain
        conditions = self.data.conditions
        own = theta[self.own_condition].reshape(len(gain), -1)
        effect = (conditions @ theta[self.condition])[:, None] + conditions @ own.T
        fitted = level + theta[self.height] + gain * shape + effect
        fitted = fitted + self.minutes[:, None] * theta[self.drift]
        n = len(gain)
        jacobian = np.zeros((*x.shape, self.n_parameters))
        jacobian[..., self.curve] = gain[None, :, None] * basis + (1.0 - gain)[None, :, None] / len(curve)
        diagonal = np.arange(n)
        jacobian[:, diagonal, self.height.start + diagonal] = 1.0
        jacobian[:, diagonal, self.gain.start + diagonal] = shape
        jacobian[..., self.shift] = slope[..., None] * self.contrasts[None]
        jacobian[:, diagonal, self.lag.start + diagonal] = -slope * rate
        jacobian[:, diagonal, self.drift.start + diagonal] = self.minutes[:, None]
        jacobian[..., self.delay.start] = -slope * rate
        jacobian[..., self.condition] = conditions[:, None, :]
        k = conditions.shape[1]
        for i in range(n):
            start = self.own_condition.start + i * k
            jacobian[:, i, start : start + k] = conditions
        return fitted, jacobian


def fit_sweep(data: SweepData) -> SweepFit:
    """Fit one bank (equation in the module's text) by penalised generalised least squares.

    The noise's scales are those of the largest marginal likelihood at the linearised model, with TYPICAL as prior.
    Raises ValueError where fewer than twelve points are left.
    """
    if len(data.time_s) < 12:
        raise ValueError("a sweep needs at least twelve points")
    model = _Model(data)
    scales = TYPICAL
    theta = _gauss_newton(model, model.start(), scales)
    for _ in range(2):
        scales = _likeliest_scales(model, theta, scales)
        theta = _gauss_newton(model, theta, scales)
    return _finish(model, theta, scales)


def _augmented(
    model: _Model, theta: FloatArray, whitener: Whitener, scales: Scales
) -> tuple[FloatArray, FloatArray]:
    """Whitened Jacobian and residual with the priors appended as further observations."""
    fitted, jacobian = model.predict(theta)
    stacked = np.concatenate([jacobian, (model.data.egt_C - fitted)[..., None]], axis=2)
    whitened = whitener.apply(stacked)
    known, values = model.priors(scales)
    rows = np.vstack([whitened[:, :-1], known])
    residual = np.concatenate([whitened[:, -1], values - known @ theta])
    return rows, residual


def _inverse(normal: FloatArray) -> FloatArray:
    """The inverse of a normal matrix whose unknowns differ in size by orders of magnitude (°C, s, ln(fuel))."""
    scale = np.diag(normal) ** -0.5
    scales = np.outer(scale, scale)
    return np.asarray(linalg.inv(normal * scales, check_finite=False) * scales)


def _gauss_newton(model: _Model, theta: FloatArray, scales: Scales) -> FloatArray:
    """Least squares by Gauss-Newton with step halving: the problem is smooth and starts near its end."""
    whitener = Whitener.make(model.data.time_s, len(model.data.cylinders), scales)
    rows, residual = _augmented(model, theta, whitener, scales)
    cost = float(residual @ residual)
    for _ in range(40):
        step = _inverse(rows.T @ rows) @ (rows.T @ residual)
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


def _likeliest_scales(model: _Model, theta: FloatArray, scales: Scales) -> Scales:
    """The scales of the largest marginal likelihood, the model linearised at `theta` and integrated over."""
    fitted, jacobian = model.predict(theta)
    target = model.data.egt_C - fitted + jacobian @ theta
    stacked = np.concatenate([jacobian, target[..., None]], axis=2)
    n_cylinders = len(model.data.cylinders)

    def minus_two_log_likelihood(logs: FloatArray) -> float:
        at = Scales.from_logs(logs)
        whitener = Whitener.make(model.data.time_s, n_cylinders, at)
        prior = np.column_stack(model.priors(at))
        whitened = whitener.apply(stacked)
        normal = whitened.T @ whitened + prior.T @ prior
        factor = linalg.cholesky(normal, lower=True, check_finite=False)
        # the last diagonal element of the factor is the root of the least sum of squares
        diagonal = np.diag(factor)
        departure = (logs - TYPICAL.logs()) / TYPICAL_LOG_WIDTH
        return float(
            whitener.log_determinant
            + 2.0 * model.n_bends * logs[-1]
            + 2.0 * np.log(diagonal[:-1]).sum()
            + diagonal[-1] ** 2
            + departure @ departure
        )

    bounds = [(t - 4.0 * w, t + 4.0 * w) for t, w in zip(TYPICAL.logs(), TYPICAL_LOG_WIDTH, strict=True)]
    found = optimize.minimize(
        minus_two_log_likelihood,
        scales.logs(),
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": 25, "ftol": 1e-5},
    )
    return Scales.from_logs(np.asarray(found.x))


def _finish(model: _Model, theta: FloatArray, scales: Scales) -> SweepFit:
    whitener = Whitener.make(model.data.time_s, len(model.data.cylinders), scales)
    rows, _ = _augmented(model, theta, whitener, scales)
    normal = rows.T @ rows
    curve_covariance = _inverse(normal)[model.curve, model.curve]
    drift, drift_u = _drift_told(model, theta, normal)
    normal = _without_false_slopes(model, theta, whitener, normal, curve_covariance)
    fitted, _ = model.predict(theta)
    residual = model.data.egt_C - fitted
    shift_covariance = _inverse(normal)[model.shift, model.shift]
    return SweepFit(
        data=model.data,
        basis=model.basis,
        curve=theta[model.curve],
        curve_covariance=curve_covariance,
        shift=model.contrasts @ theta[model.shift],
        shift_covariance=model.contrasts @ shift_covariance @ model.contrasts.T,
        shift_parts=_shift_parts(model, normal, scales),
        height_C=theta[model.height],
        gain=1.0 + theta[model.gain],
        lag_s=theta[model.lag],
        drift_C_per_min=drift,
        drift_u_C_per_min=drift_u,
        delay_s=float(theta[model.delay][0]),
        scales=scales,
        residual_C=residual,
        standardised=whitener.apply(residual[..., None])[:, 0],
    )


def _drift_told(model: _Model, theta: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each cylinder's drift against the others and its uncertainty with the prior on its own drift taken back."""
    told = np.zeros(len(model.data.cylinders))
    u = np.full(len(told), np.inf)
    inverse = _inverse(normal)
    for i in range(len(told)):
        at = model.drift.start + i
        information = 1.0 / inverse[at, at] - DRIFT_C_PER_MIN**-2
        if information > 1e-6:
            told[i] = theta[at] / inverse[at, at] / information
            u[i] = information**-0.5
    return told, u


def _without_false_slopes(
    model: _Model, theta: FloatArray, whitener: Whitener, normal: FloatArray, curve_covariance: FloatArray
) -> FloatArray:
    """Take back what the curve's own noise seems to tell of the shifts (errors in variables).

    A shift shows by the curve's slope. Where the sweep held no real bend, the fitted curve still has small slopes of
    its noise's making, which promise a precision that is not there. Their expected share of the information is
    subtracted; the estimate itself is left as the least squares found it.
    """
    n_shifts = model.contrasts.shape[1]
    if n_shifts == 0:
        return normal
    others = np.ones(model.n_parameters, dtype=bool)
    others[model.shift] = False
    inverse = _inverse(normal[np.ix_(others, others)])
    x, _ = model.mixture(theta)
    beside = whitener.apply(model.predict(theta)[1][..., others])
    slopes = model.basis.slopes(x) * (1.0 + theta[model.gain])[None, :, None]
    variances, directions = linalg.eigh(curve_covariance)
    false = np.zeros((n_shifts, n_shifts))
    for variance, direction in zip(variances[variances > 0], directions.T[variances > 0], strict=True):
        moved = (slopes @ direction)[..., None] * model.contrasts[None]
        whitened = whitener.apply(moved) * np.sqrt(variance)
        overlap = beside.T @ whitened
        false += whitened.T @ whitened - overlap.T @ inverse @ overlap
    across = normal[model.shift][:, others]
    told = normal[model.shift, model.shift] - across @ inverse @ across.T
    prior = np.eye(n_shifts) / MAX_SHIFT**2
    kept = told - prior - false
    values, vectors = linalg.eigh((kept + kept.T) / 2.0)
    least = LEAST_KEPT * np.diag(vectors.T @ (told - prior) @ vectors)
    kept = (vectors * np.maximum(values, least)) @ vectors.T + prior
    corrected = normal.copy()
    corrected[model.shift, model.shift] += kept - told
    return corrected


def _shift_parts(
    model: _Model, normal: FloatArray, scales: Scales
) -> tuple[tuple[str, FloatArray, float], ...]:
    """What each unknown adds to the shifts' variance: hold it fixed and see what is left (in this order)."""
    held = np.zeros(model.n_parameters, dtype=bool)
    variance = _shift_variance(model, normal, held)
    parts = []
    for source, where in (
        ("probe lag", model.lag),
        ("own height of the curve (probe, heat)", model.height),
        ("own gain of the curve", model.gain),
        ("steady drift", model.drift),
        ("own answer to speed and load", model.own_condition),
    ):
        held[where] = True
        left = _shift_variance(model, normal, held)
        parts.append((source, np.sqrt(np.maximum(variance - left, 0.0)), np.inf))
        variance = left
    duration_s = float(np.ptp(model.data.time_s))
    # wander makes one independent value in two correlation times; the contrasts share their scales
    independent = max(duration_s / (2.0 * scales.wander_s), 2.0) * max(len(model.data.cylinders) - 1, 1)
    return (("wander and noise", np.sqrt(variance), independent), *parts)


def _shift_variance(model: _Model, normal: FloatArray, held: npt.NDArray[np.bool_]) -> FloatArray:
    free = ~held
    covariance = np.zeros_like(normal)
    covariance[np.ix_(free, free)] = _inverse(normal[np.ix_(free, free)])
    return np.diag(model.contrasts @ covariance[model.shift, model.shift] @ model.contrasts.T)
