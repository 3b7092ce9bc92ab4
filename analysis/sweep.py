"""From blocks at one operating point to each cylinder's fuel offset by the shift of its curve."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.conditions import Span, bridge, smooth
from analysis.lag import Lags, exhaust_flow
from analysis.mixture_path import settled
from analysis.result import BudgetLine, SweepCurves
from analysis.sweep_fit import SweepFit, fit_sweep
from analysis.sweep_model import SweepData
from analysis.uncertainty import budget_line, expanded_u95

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

RANGE_MIN = 0.06  # ln(fuel): below this there is no curve to shift, only a level
MAX_POINTS = 140  # per cylinder; the wander keeps neighbours alike, so more points would add little
LONGEST_POINT_S = 2.5  # a longer mean would smear a sweep's curve
MIN_POINTS = 24
SHORTEST_SMOOTHING_S, LONGEST_SMOOTHING_S, RATE_FURTHER_S = 6.0, 10.0, 6.0
MIXTURE_NOISE = 0.001  # ln(fuel): the sensor's noise is smoothed down to this where that bends no corner
CONDITION_SMOOTHING_S = 3.0
OUTLIER = 5.0  # standard deviations of an innovation: one in a million by chance
OUTLIERS_MAX_SHARE = 0.3
LAMBDA_SCALE_U = 0.02  # a wideband sensor's slope; common practice, no published source
SHAPE_U_PERCENT = 0.08  # cylinders' curves are alike only so far; common practice, no published source


@dataclass(frozen=True)
class SweepEstimate:
    """A bank's offsets from its sweep at one operating point.

    offset_percent, u95_percent: (n_cylinders,); budgets: one tuple of lines per cylinder [%]; fit: the curves behind.
    """

    bank: str
    fit: SweepFit
    offset_percent: FloatArray
    u95_percent: FloatArray
    budgets: tuple[tuple[BudgetLine, ...], ...]
    left_out_points: int

    @property
    def cylinders(self) -> tuple[int, ...]:
        """The bank's cylinders that took part."""
        return self.fit.data.cylinders


def usable_points(blocks: Blocks, region: list[Span], bank: str, settle_s: float) -> IntArray:
    """Block numbers of the region at which the probes had followed and the bank's mixture was known."""
    x = blocks.ln_phi.get(bank)
    if x is None:
        return np.zeros(0, np.int64)
    found = [span.start + np.flatnonzero(settled(blocks, span, settle_s)) for span in region]
    points = np.concatenate(found) if found else np.zeros(0, np.int64)
    return points[np.isfinite(x[points])]


def mixture_range(blocks: Blocks, points: IntArray, bank: str) -> float:
    """Width of the bank's ln(relative fuel) over `points`, without the outermost twentieth at either end."""
    if len(points) == 0:
        return 0.0
    low, high = np.percentile(blocks.ln_phi[bank][points], [5, 95])
    return float(high - low)


def sweep_data(
    blocks: Blocks, points: IntArray, bank: str, lags: Lags, height_u_C: float
) -> SweepData | None:
    """The sweep's points averaged and thinned to at most MAX_POINTS; None where fewer than MIN_POINTS are complete."""
    egt = blocks.egt_C[:, blocks.columns(lags.cylinders)]
    points = points[np.isfinite(egt[points]).all(axis=1)]
    if len(points) < MIN_POINTS:
        return None
    points, group = _thinned(points, blocks.length_s)
    first, last = int(points[0]), int(points[-1]) + 1
    margin = int(30.0 / blocks.length_s)
    lag_s, lag_u_s = lags.against_mean_s(float(exhaust_flow(blocks)[points].mean()))
    around = slice(max(first - margin, 0), min(last + margin, len(blocks.time_s)))
    x = bridge(blocks.ln_phi[bank][around])
    smoothing_s = _smoothing_s(x, blocks.length_s)
    return SweepData(
        cylinders=lags.cylinders,
        time_s=_mean_by(group, blocks.time_s[points]),
        x_time_s=blocks.time_s[around],
        x=smooth(x, max(int(smoothing_s / blocks.length_s), 3)),
        x_rate=smooth(
            x,
            max(int((smoothing_s + RATE_FURTHER_S) / blocks.length_s), 3),
            derivative=1,
            step_s=blocks.length_s,
        ),
        egt_C=_mean_by(group, egt[points]),
        conditions=_conditions(blocks, points, group),
        lag_s=lag_s,
        lag_u_s=lag_u_s,
        height_u_C=height_u_C,
    )


def _smoothing_s(x: FloatArray, step_s: float) -> float:
    """How long a straight line through ln(fuel) must be for its value's noise to fall to MIXTURE_NOISE."""
    noise = 1.4826 * float(np.median(np.abs(np.diff(x)))) / np.sqrt(2.0) if len(x) > 1 else 0.0
    return float(np.clip(step_s * (noise / MIXTURE_NOISE) ** 2, SHORTEST_SMOOTHING_S, LONGEST_SMOOTHING_S))


def _thinned(points: IntArray, step_s: float) -> tuple[IntArray, IntArray]:
    """Block numbers and the point each belongs to: means of neighbours, and of a long record every so many points."""
    size = int(np.clip(np.ceil(len(points) / MAX_POINTS), 1, max(LONGEST_POINT_S / step_s, 1)))
    group = _groups(points, size)
    every = int(np.ceil((group[-1] + 1) / MAX_POINTS))
    keep = group % every == 0
    return points[keep], group[keep] // every


def _groups(points: IntArray, size: int) -> IntArray:
    """Group numbers of consecutive points, `size` to a group, never across a break."""
    broken = np.concatenate([[True], np.diff(points) > 1])
    run = np.cumsum(broken) - 1
    within = np.arange(len(points)) - np.flatnonzero(broken)[run]
    key = run * (len(points) + 1) + within // size
    return np.unique(key, return_inverse=True)[1]


def _mean_by(group: IntArray, values: FloatArray) -> FloatArray:
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    sizes = np.diff(np.append(starts, len(group))).astype(float)
    total = np.add.reduceat(values, starts, axis=0)
    return total / (sizes if values.ndim == 1 else sizes[:, None])


def _conditions(blocks: Blocks, points: IntArray, group: IntArray) -> FloatArray:
    """(n_groups, k) what is left of speed and load and their rates, each smoothed and standardised."""
    columns = []
    for values in (blocks.rpm, blocks.load):
        if values is None or not np.isfinite(values[points]).all():
            continue
        window = max(int(CONDITION_SMOOTHING_S / blocks.length_s), 3)
        for derivative in (0, 1):  # a probe follows later than the gas: a rate beside a value is a delay
            course = smooth(values, window, derivative, blocks.length_s)
            mean = _mean_by(group, course[points])
            scatter = float(mean.std())
            if scatter > 1e-6 * max(abs(float(mean.mean())), 1e-3):
                columns.append((mean - mean.mean()) / scatter)
    return np.stack(columns, axis=1) if columns else np.zeros((int(group[-1]) + 1, 0))


def estimate_sweep(data: SweepData, bank: str) -> SweepEstimate | None:
    """Fit, leave out points that no noise explains (a misfire, a dropout), fit again; None if too few remain."""
    whole = len(data.time_s)
    for _ in range(4):
        if len(data.time_s) < MIN_POINTS or len(data.time_s) < (1.0 - OUTLIERS_MAX_SHARE) * whole:
            return None
        fit = fit_sweep(data)
        strange = _strange(fit)
        if not strange.any():
            break
        data = without_points(data, strange)
    return _estimate(fit, bank, whole - len(data.time_s))


def _strange(fit: SweepFit) -> npt.NDArray[np.bool_]:
    """Points whose innovation in any contrast is beyond OUTLIER, and their neighbours."""
    n_times, n_cylinders = fit.residual_C.shape
    contrasts = fit.standardised[n_times:].reshape(n_times, -1)
    wild = (np.abs(contrasts) > OUTLIER).any(axis=1) if n_cylinders > 1 else np.zeros(n_times, dtype=bool)
    return np.convolve(wild, [1, 1, 1], mode="same") > 0


def without_points(data: SweepData, left_out: npt.NDArray[np.bool_]) -> SweepData:
    """`data` without the points where `left_out` is true."""
    keep = ~left_out
    return replace(data, time_s=data.time_s[keep], egt_C=data.egt_C[keep], conditions=data.conditions[keep])


def offsets_from_shift(shift: FloatArray) -> FloatArray:
    """Shifts in ln(fuel) -> % fuel per air against the mean of the bank; sums to zero exactly."""
    fuel = np.exp(shift)
    return np.asarray(100.0 * (fuel / fuel.mean() - 1.0))


def _estimate(fit: SweepFit, bank: str, left_out: int) -> SweepEstimate:
    offset = offsets_from_shift(fit.shift)
    budgets = tuple(
        (
            *(
                budget_line(source, 100.0 * float(u[i]), unit="%", degrees_of_freedom=freedom)
                for source, u, freedom in fit.shift_parts
            ),
            budget_line("slope of the lambda sensor", LAMBDA_SCALE_U, unit="1", sensitivity=float(offset[i])),
            budget_line("curves alike only so far", SHAPE_U_PERCENT, unit="%"),
        )
        for i in range(len(offset))
    )
    u95 = np.array([expanded_u95(lines) for lines in budgets])
    return SweepEstimate(bank, fit, offset, u95, budgets, left_out)


def curves(estimate: SweepEstimate) -> SweepCurves:
    """The picture: measured temperatures and the shared curve, °C below its own highest point."""
    fit, data = estimate.fit, estimate.fit.data
    x_points = np.interp(data.time_s - fit.delay_s, data.x_time_s, data.x)
    x_curve = np.linspace(x_points.min() + fit.shift.min(), x_points.max() + fit.shift.max(), 200)
    values = fit.basis.values(x_curve) @ fit.curve
    peak = float(values.max())
    level = float(fit.curve.mean())
    return SweepCurves(
        bank=estimate.bank,
        cylinders=data.cylinders,
        lambda_=np.exp(-x_points),
        egt_C=data.egt_C,
        offset_percent=estimate.offset_percent,
        # a cylinder's own peak: its height, and its gain on the curve's distance from its level
        height_C=level + fit.height_C + fit.gain * (peak - level),
        gain=fit.gain,
        curve_lambda=np.exp(-x_curve),
        curve_C=values - peak,
    )
