"""Uncertainty of measurement after JCGM 100:2008 (the GUM), and means of samples that are not independent.

References
----------
[1] JCGM 100:2008, Evaluation of measurement data: guide to the expression of uncertainty in measurement.
[2] Box, Luceño, Paniagua-Quiñones, Statistics for Environmental Engineers, p. 292: the variance of the mean of an
    autocorrelated series is s²·tau/n with tau = 1 + 2·sum(rho_k).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special  # scipy.stats has the same functions and takes a quarter of a second to import

from analysis.result import BudgetLine

FloatArray = npt.NDArray[np.float64]

RECTANGULAR = "rectangular"
NORMAL = "normal"
STUDENT = "t"


def coverage_factor(degrees_of_freedom: float, coverage: float = 0.95) -> float:
    """Two-sided t quantile: k such that ±k·u covers `coverage` (table G.2 in [1]). Infinite degrees give 1.96.

    >>> round(coverage_factor(19), 2)
    2.09
    """
    if not np.isfinite(degrees_of_freedom):
        return float(special.ndtri(0.5 + coverage / 2))
    return float(special.stdtrit(max(degrees_of_freedom, 1.0), 0.5 + coverage / 2))


def budget_line(
    source: str,
    u: float,
    *,
    unit: str = "°C",
    distribution: str = NORMAL,
    degrees_of_freedom: float = np.inf,
    sensitivity: float = 1.0,
) -> BudgetLine:
    """One input of a budget: standard uncertainty `u` [unit] and its sensitivity coefficient (5.1.3 in [1])."""
    return BudgetLine(source, u, unit, distribution, degrees_of_freedom, sensitivity, abs(sensitivity) * u)


def rectangular_line(
    source: str, half_width: float, *, unit: str = "°C", sensitivity: float = 1.0
) -> BudgetLine:
    """An input known only to lie within ±`half_width`: u = a/√3 (4.3.7 in [1])."""
    return budget_line(
        source, half_width / np.sqrt(3.0), unit=unit, distribution=RECTANGULAR, sensitivity=sensitivity
    )


def combined_u(lines: Sequence[BudgetLine]) -> float:
    """Combined standard uncertainty of independent inputs (Eq. 10 in [1]).

    >>> probe, noise = rectangular_line("probe of class 2 at 800 °C", 6.0), budget_line("noise", 2.0)
    >>> round(combined_u([probe, noise]), 3)
    4.0
    """
    return float(np.sqrt(sum(line.contribution**2 for line in lines)))


def effective_degrees_of_freedom(lines: Sequence[BudgetLine]) -> float:
    """Welch–Satterthwaite (Eq. G.2b in [1]); infinite where every input is exact in its own uncertainty.

    The example of G.4.2 in [1], three means of 10, 5 and 15 readings:

    >>> means = [("p", 0.25, 10), ("q", 0.57, 5), ("r", 0.82, 15)]
    >>> lines = [budget_line(name, u, unit="%", degrees_of_freedom=n - 1) for name, u, n in means]
    >>> round(effective_degrees_of_freedom(lines)), round(expanded_u95(lines), 1)
    (19, 2.2)
    """
    below = sum(
        line.contribution**4 / line.degrees_of_freedom
        for line in lines
        if np.isfinite(line.degrees_of_freedom) and line.contribution > 0
    )
    return combined_u(lines) ** 4 / below if below > 0 else float(np.inf)


def expanded_u95(lines: Sequence[BudgetLine]) -> float:
    """Expanded uncertainty at about 95 % coverage, k from the effective degrees of freedom (G.6.4 in [1])."""
    return coverage_factor(effective_degrees_of_freedom(lines)) * combined_u(lines)


def autocorrelation_samples(values: FloatArray) -> float:
    """tau = 1 + 2·sum(rho_k) in samples [2], summed until it exceeds a fifth of its own window (Sokal's rule).

    values: (n,) without NaN, detrended by the caller. Never below 1.

    >>> autocorrelation_samples(np.array([1.0, -1.0] * 50))  # neighbours that cancel are not counted as more
    1.0
    """
    n = len(values)
    centred = values - values.mean()
    if n < 4 or not np.any(centred):
        return 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n]
    rho = covariance / covariance[0]
    tau = 2.0 * np.cumsum(rho) - 1.0
    enough = np.flatnonzero(np.arange(n) >= 5.0 * tau)
    return float(max(tau[enough[0]] if len(enough) else tau[-1], 1.0))


@dataclass(frozen=True)
class Mean:
    """A mean with its standard uncertainty and the effective number of independent samples behind it."""

    value: float
    u: float
    n_effective: float


def autocorrelated_mean(values: FloatArray, tau_floor_samples: float = 1.0) -> Mean:
    """Mean of a series whose neighbours are alike: u² = s²·tau/n [2].

    values: (n,), NaN are left out. tau_floor_samples: correlation known from elsewhere, used where a short series
    cannot show it itself. Returns NaN where nothing is left.

    >>> mean = autocorrelated_mean(np.array([1.0, 3.0] * 50), tau_floor_samples=4.0)
    >>> mean.value, mean.n_effective, round(mean.u, 3)  # a hundred samples that count as 25
    (2.0, 25.0, 0.204)
    """
    clean = values[np.isfinite(values)]
    n = len(clean)
    if n == 0:
        return Mean(float("nan"), float("nan"), 0.0)
    tau = max(autocorrelation_samples(clean), min(tau_floor_samples, n / 2))
    n_effective = max(n / tau, 1.0)
    # the scatter about a correlated series' own mean is too small by the mean's own variance
    variance = float(np.var(clean)) * n_effective / max(n_effective - 1.0, 0.5)
    return Mean(float(clean.mean()), float(np.sqrt(variance / n_effective)), n_effective)


@dataclass(frozen=True)
class Line:
    """Straight line y = intercept + slope·(x - x0) with the covariance of its two coefficients (H.3 in [1])."""

    x0: float
    intercept: float
    slope: float
    covariance: FloatArray
    residual_sd: float
    degrees_of_freedom: int

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty of the line at `x` (Eq. H.15 in [1])."""
        vector = np.array([1.0, x - self.x0])
        return self.intercept + self.slope * (x - self.x0), float(np.sqrt(vector @ self.covariance @ vector))


def fit_line(x: FloatArray, y: FloatArray, x0: float = 0.0) -> Line:
    """Ordinary least-squares line through (n,) points, n > 2 (H.3 in [1]).

    >>> line = fit_line(np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.0, 3.1, 4.9, 7.0]))
    >>> round(line.slope, 2), round(line.at(10.0)[0], 1)
    (1.98, 20.8)
    """
    design = np.stack([np.ones_like(x), x - x0], axis=1)
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    residual = y - design @ coefficients
    freedom = len(x) - 2
    variance = float(residual @ residual) / freedom
    covariance: FloatArray = np.asarray(variance * np.linalg.inv(design.T @ design), dtype=np.float64)
    return Line(
        x0, float(coefficients[0]), float(coefficients[1]), covariance, float(np.sqrt(variance)), freedom
    )
