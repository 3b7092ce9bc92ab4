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

from analysis.curve import CurveBasis
from analysis.noise import Scales, contrast_rotation

FloatArray = npt.NDArray[np.float64]

MAX_SHIFT = 0.2  # ln(fuel): a cylinder 20 % off does not run
GAIN_WIDTH = 0.08  # cylinders' curves differ in height by some per cent; common practice, no published source
# Steady drift of a sound probe and its port: 40 °C in an hour would be a broken one. Common practice, no published
# source.
DRIFT_C_PER_MIN = 0.7
DELAY_WIDTH_S = 2.0  # lambda against temperature, after what is known of both is taken off
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


class SweepModel:
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
        """(n_parameters,) where the fit begins: a flat curve at the mean temperature, the lags as measured."""
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
