"""Curves of exhaust temperature against lambda that the estimator has never seen, °C below their peak."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator
from scipy.special import erf

FloatArray = npt.NDArray[np.float64]
GRID = np.round(np.arange(0.40, 2.4001, 0.0005), 4)
# The slope of a curve is its mean between these two mixtures, both on the rich side.
RICH_SPAN = (0.82, 0.90)
# Iso-octane by chemical equilibrium, compression 10, 25 % heat loss, mean of frozen and shifting expansion
# (references, section 9), °C against lambda 1.
HANDBOOK_LAMBDA = np.array([0.80, 0.85, 0.90, 0.95, 1.00, 1.05, 1.10, 1.20])
HANDBOOK_C = np.array([-54.0, -33.0, -20.0, -13.0, 0.0, -21.0, -39.0, -76.0])


@dataclass(frozen=True)
class Curve:
    """A cylinder's temperature against its own lambda.

    peak_lambda: where it is hottest; slope_C_per_percent: mean rise per 1 % less fuel over `RICH_SPAN`;
    grid_C: values on `GRID`, zero at the peak.
    """

    shape: str
    peak_lambda: float
    slope_C_per_percent: float
    grid_C: FloatArray

    def __call__(self, lambda_: npt.ArrayLike) -> FloatArray:
        """°C below the peak (zero or negative) at `lambda_`, any shape of array."""
        return np.interp(np.asarray(lambda_, dtype=np.float64), GRID, self.grid_C)


def _rounded(x: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Parabolic flanks, lean one a little steeper or flatter."""
    return -(x**2) * np.where(x < 0, 1.0, rng.uniform(0.7, 1.4))


def _steep_lean(x: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Hyperbolic rounding between straight flanks, the lean one about twice as steep."""
    width, ratio = rng.uniform(3.0, 7.0), rng.uniform(1.6, 2.4)
    return -(np.hypot(x, width) - width) * np.where(x < 0, 1.0, ratio)


def _kinked(x: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The ideal triangle seen through cycle-to-cycle scatter: E[-max(-x-sz, 0) - r max(x+sz, 0)]."""
    scatter, ratio = rng.uniform(1.5, 4.0), rng.uniform(0.7, 1.1)
    density = np.exp(-0.5 * (x / scatter) ** 2) / np.sqrt(2 * np.pi)
    below = 0.5 * (1 - erf(x / scatter / np.sqrt(2)))
    rich_part = -x * below + scatter * density
    return -rich_part - ratio * (rich_part + x)


def _flat_topped(x: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A plateau of several per cent with straight flanks beyond."""
    half_width, knee = rng.uniform(1.5, 4.0), rng.uniform(2.0, 4.0)
    beyond = np.maximum(np.abs(x) - half_width, 0.0)
    return -(np.hypot(beyond, knee) - knee) * np.where(x < 0, 1.0, rng.uniform(0.8, 1.5))


def _shouldered(x: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A rich flank that eases off below a knee, as where combustion becomes slow and late."""
    width, knee, share = rng.uniform(3.0, 6.0), rng.uniform(-17.0, -12.0), rng.uniform(0.3, 0.55)
    eased = 3.0 * np.logaddexp(0.0, (knee - x) / 3.0)
    return -(np.hypot(x, width) - width) * np.where(x < 0, 1.0, rng.uniform(0.8, 1.3)) + share * eased


def _from_table(lambda_: FloatArray, value_C: FloatArray) -> FloatArray:
    """A smooth curve through a table on `GRID`, straight beyond its ends."""
    log_grid, log_table = np.log(GRID), np.log(lambda_)
    smooth = PchipInterpolator(log_table, value_C)
    inside = smooth(np.clip(log_grid, log_table[0], log_table[-1]))
    slope = smooth.derivative()
    left = np.minimum(log_grid - log_table[0], 0.0) * slope(log_table[0])
    right = np.maximum(log_grid - log_table[-1], 0.0) * slope(log_table[-1])
    return np.asarray(inside + left + right)


def equilibrium_table() -> tuple[FloatArray, FloatArray]:
    """(lambda, exhaust °C) as computed once by make_cantera_curve.py."""
    path = Path(__file__).with_name("equilibrium_curve.csv")
    with path.open(encoding="utf-8") as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    table = np.array(rows, dtype=np.float64)
    return table[:, 0], table[:, 1]


_ANALYTIC: dict[str, Callable[[FloatArray, np.random.Generator], FloatArray]] = {
    "rounded": _rounded,
    "steep-lean": _steep_lean,
    "kinked": _kinked,
    "flat-topped": _flat_topped,
    "shouldered": _shouldered,
}
SHAPES = (*_ANALYTIC, "equilibrium", "handbook")
SLOPE_RANGE = (3.5, 9.0)


def make_curve(shape: str, rng: np.random.Generator) -> Curve:
    """A curve of `shape`, its peak, slope and details drawn from `rng`. Raises ValueError if unknown."""
    slope = rng.uniform(*SLOPE_RANGE)
    if shape in _ANALYTIC:
        peak = rng.uniform(0.96, 1.04)
        raw = _ANALYTIC[shape](100 * np.log(GRID / peak), rng)
    elif shape == "equilibrium":
        raw = _from_table(*equilibrium_table())
    elif shape == "handbook":
        raw = _from_table(HANDBOOK_LAMBDA, HANDBOOK_C)
    else:
        raise ValueError(f"unknown shape {shape!r}; known: {', '.join(SHAPES)}")
    rise = np.diff(np.interp(RICH_SPAN, GRID, raw))[0] / (100 * np.log(RICH_SPAN[1] / RICH_SPAN[0]))
    scaled = raw * slope / rise
    top = int(np.argmax(scaled))
    return Curve(shape, float(GRID[top]), float(slope), scaled - scaled[top])
