"""What is left of a cylinder's temperature when mixture and conditions are accounted for, as a covariance.

Exhaust temperatures wander: on real engines a deviation keeps its sign for 8 to 19 s, and probes drift over minutes.
Treating that as white noise would promise intervals that are far too narrow. Each cylinder has its own wander
(Ornstein-Uhlenbeck), drift (random walk) and white part; all cylinders of a bank share a further wander and drift.
An orthonormal rotation separates the bank's mean from the contrasts between cylinders, so the covariance needs two
factors of the size of the time axis only.

References
----------
[1] Rasmussen, Williams, Gaussian Processes for Machine Learning, MIT Press 2006, sections 2.7 and 5.4: marginal
    likelihood with explicit basis functions.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Scales:
    """Standard deviations and times of the noise, and how strongly the curve bends.

    The shared ones describe what all cylinders of a bank do together.
    white_C: °C in one point. wander_C, wander_s: own wander and its correlation time. drift_C_per_sqrt_s: own random
    walk. shared_wander_C, shared_drift_C_per_sqrt_s: the same, common to the bank. bend_C: second difference of the
    curve over one knot spacing.
    """

    white_C: float
    wander_C: float
    wander_s: float
    drift_C_per_sqrt_s: float
    shared_wander_C: float
    shared_drift_C_per_sqrt_s: float
    bend_C: float

    def logs(self) -> FloatArray:
        """Natural logarithms of all, in the order of the fields."""
        return np.log(astuple(self))

    @staticmethod
    def from_logs(logs: FloatArray) -> Scales:
        """The inverse of `logs`."""
        return Scales(*np.exp(logs).tolist())


# Where a short session is silent: wander of 0.9 to 1.8 °C for 8 to 19 s measured on real engines (references section
# 11), type K drift of a few °C over minutes (common practice, no published source); a flank bends by about 1 °C
# over a knot spacing, a kink of ±6 °C/% rounded over 5 % by 21 °C. Widths are of the logarithm.
TYPICAL = Scales(0.4, 1.2, 10.0, 0.08, 2.0, 0.3, 1.0)
TYPICAL_LOG_WIDTH = np.array([1.0, 0.7, 0.5, 0.8, 1.0, 1.0, 1.5])


def contrast_rotation(n_cylinders: int) -> FloatArray:
    """(n, n) orthonormal matrix whose first column is the mean and whose others are contrasts (Helmert).

    >>> rotation = contrast_rotation(4)
    >>> all_alike = np.array([700.0, 700.0, 700.0, 700.0]) @ rotation
    >>> float(round(all_alike[0], 9)), bool(abs(all_alike[1:]).max() < 1e-9)  # the mean times √4, and no contrast
    (1400.0, True)
    """
    if n_cylinders == 1:
        return np.ones((1, 1))
    return np.column_stack([np.full(n_cylinders, n_cylinders**-0.5), linalg.helmert(n_cylinders).T])


def rotated(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n_times, n_cylinders, k) -> the bank's mean (n_times, k) and its contrasts (n_times, (n_cylinders-1)·k)."""
    turned = np.tensordot(values, contrast_rotation(values.shape[1]), axes=(1, 0)).transpose(0, 2, 1)
    return turned[:, 0], turned[:, 1:].reshape(len(values), -1)


@dataclass(frozen=True)
class Kernels:
    """What the covariances over some times are made of, whatever the scales.

    apart_s: (n_times, n_times) distance of two times: a wander's correlation decays with it. since_s: the same, how
    long both have walked: a random walk's covariance grows with it.
    """

    apart_s: FloatArray
    since_s: FloatArray

    @staticmethod
    def over(time_s: FloatArray) -> Kernels:
        """For (n_times,) `time_s` [s], increasing."""
        return Kernels(
            np.abs(time_s[:, None] - time_s[None, :]),
            np.minimum(time_s[:, None], time_s[None, :]) - time_s[0],
        )

    def covariances(self, n_cylinders: int, scales: Scales) -> tuple[FloatArray, FloatArray]:
        """(n_times, n_times) [°C²] of a contrast between cylinders and of the bank's mean times √n_cylinders."""
        wander = np.exp(self.apart_s / -scales.wander_s)
        own = scales.wander_C**2 * wander + scales.drift_C_per_sqrt_s**2 * self.since_s
        own[np.diag_indices_from(own)] += scales.white_C**2
        shared = scales.shared_wander_C**2 * wander + scales.shared_drift_C_per_sqrt_s**2 * self.since_s
        return own, own + n_cylinders * shared

    def slopes(self, n_cylinders: int, scales: Scales, own: FloatArray, mean: FloatArray) -> FloatArray:
        """(n_scales,) derivative by the logarithm of each scale of what changes with the covariances.

        own, mean: (n_times, n_times) derivatives by the elements of the two `covariances`.
        """
        both = own + mean
        wander = np.exp(self.apart_s / -scales.wander_s)
        decay = wander * self.apart_s / scales.wander_s
        shared = n_cylinders * scales.shared_wander_C**2
        return np.array(
            [
                2.0 * scales.white_C**2 * np.trace(both),
                2.0 * scales.wander_C**2 * np.vdot(both, wander),
                scales.wander_C**2 * np.vdot(both, decay) + shared * np.vdot(mean, decay),
                2.0 * scales.drift_C_per_sqrt_s**2 * np.vdot(both, self.since_s),
                2.0 * shared * np.vdot(mean, wander),
                2.0 * n_cylinders * scales.shared_drift_C_per_sqrt_s**2 * np.vdot(mean, self.since_s),
                0.0,
            ]
        )


@dataclass(frozen=True)
class Whitener:
    """Turns residuals of a bank into independent standard normal numbers.

    own, mean: lower Cholesky factors (n_times, n_times) of a contrast's and of the mean's covariance.
    """

    own: FloatArray
    mean: FloatArray

    @staticmethod
    def make(time_s: FloatArray, n_cylinders: int, scales: Scales) -> Whitener:
        """For (n_times,) `time_s` [s], increasing."""
        return Whitener.of(Kernels.over(time_s), n_cylinders, scales)

    @staticmethod
    def of(kernels: Kernels, n_cylinders: int, scales: Scales) -> Whitener:
        """For the times of `kernels`."""
        own, mean = kernels.covariances(n_cylinders, scales)
        return Whitener(
            linalg.cholesky(own, lower=True, check_finite=False),
            linalg.cholesky(mean, lower=True, check_finite=False),
        )

    def apply(self, values: FloatArray) -> FloatArray:
        """(n_times, n_cylinders, k) -> (n_times·n_cylinders, k) whitened."""
        return self.rows(*rotated(values))

    def rows(self, mean: FloatArray, contrasts: FloatArray) -> FloatArray:
        """The same of values that are `rotated` already."""
        whitened_mean = linalg.solve_triangular(self.mean, mean, lower=True, check_finite=False)
        whitened_own = linalg.solve_triangular(self.own, contrasts, lower=True, check_finite=False)
        return np.concatenate([whitened_mean, whitened_own.reshape(-1, mean.shape[1])])
