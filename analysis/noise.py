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


@dataclass(frozen=True)
class Whitener:
    """Turns residuals of a bank into independent standard normal numbers.

    own, shared: lower Cholesky factors (n_times, n_times) of a contrast's and of the mean's covariance.
    """

    own: FloatArray
    mean: FloatArray
    rotation: FloatArray

    @staticmethod
    def make(time_s: FloatArray, n_cylinders: int, scales: Scales) -> Whitener:
        """For (n_times,) `time_s` [s], increasing."""
        apart = np.abs(time_s[:, None] - time_s[None, :])
        since = np.minimum(time_s[:, None], time_s[None, :]) - time_s[0]
        # a pole's correlation decays with distance; a random walk's grows with the time both have walked
        wander = np.exp(-apart / scales.wander_s)
        own = scales.wander_C**2 * wander + scales.drift_C_per_sqrt_s**2 * since
        own[np.diag_indices_from(own)] += scales.white_C**2
        shared = scales.shared_wander_C**2 * wander + scales.shared_drift_C_per_sqrt_s**2 * since
        return Whitener(
            linalg.cholesky(own, lower=True, check_finite=False),
            linalg.cholesky(own + n_cylinders * shared, lower=True, check_finite=False),
            contrast_rotation(n_cylinders),
        )

    def apply(self, values: FloatArray) -> FloatArray:
        """(n_times, n_cylinders, k) -> (n_times·n_cylinders, k) whitened."""
        n_times, _, k = values.shape
        rotated = np.einsum("tck,cd->dtk", values, self.rotation, optimize=True)
        mean = linalg.solve_triangular(self.mean, rotated[0], lower=True, check_finite=False)
        contrasts = rotated[1:].transpose(1, 0, 2).reshape(n_times, -1)
        own = linalg.solve_triangular(self.own, contrasts, lower=True, check_finite=False)
        return np.concatenate([mean, own.reshape(-1, k)])

    @property
    def log_determinant(self) -> float:
        """Logarithm of the covariance's determinant."""
        contrasts = self.rotation.shape[0] - 1
        return 2.0 * float(np.log(np.diag(self.mean)).sum() + contrasts * np.log(np.diag(self.own)).sum())
