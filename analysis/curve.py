"""A smooth curve of temperature against mixture: cubic B-splines on ln(relative fuel)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

FloatArray = npt.NDArray[np.float64]

KNOT_SPACING = 0.03  # in ln(fuel): fine enough for a peak rounded over 5 % of mixture


@dataclass(frozen=True)
class CurveBasis:
    """Cubic B-splines over [low, high] of ln(relative fuel)."""

    knots: FloatArray

    @staticmethod
    def over(low: float, high: float) -> CurveBasis:
        """A basis whose knots are KNOT_SPACING apart and cover [low, high]."""
        pieces = max(int(np.ceil((high - low) / KNOT_SPACING)), 1)
        inner = low + (high - low) * np.arange(-3, pieces + 4) / pieces
        return CurveBasis(inner)

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return len(self.knots) - 4

    def values(self, x: FloatArray) -> FloatArray:
        """(...,) points -> (..., size) basis functions; points outside are taken at the nearer end."""
        return self._evaluate(x, 0)

    def slopes(self, x: FloatArray) -> FloatArray:
        """(...,) points -> (..., size) first derivatives by ln(fuel)."""
        return self._evaluate(x, 1)

    def _evaluate(self, x: FloatArray, derivative: int) -> FloatArray:
        inside = np.clip(x, self.knots[3], self.knots[-4])
        spline = BSpline(self.knots, np.eye(self.size), 3)
        return np.asarray(spline(inside, nu=derivative))

    def curvature_rows(self) -> FloatArray:
        """(size-2, size) second differences of the coefficients [°C per spacing squared]."""
        return np.diff(np.eye(self.size), n=2, axis=0)
