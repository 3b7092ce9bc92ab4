"""Bringing readings of several instruments to one time base, without inventing any."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
SHORTEST_GAP_S = 0.5
GAP_PERIODS = 3.0


def gap_limit_s(time_s: FloatArray) -> float:
    """How far apart [s] two samples may be and still say what was between them: max(3 periods, 0.5 s).

    Three periods forgive two lost lines in a row at slow rates; half a second is short against the response
    of an exhaust probe (0.5 to 16 s for wires of 0.5 to 5 mm), so a straight line across it hides nothing.
    Common practice, no published source. time_s: (n_samples,) increasing.

    >>> gap_limit_s(np.arange(0.0, 10.0, 0.05)), gap_limit_s(np.arange(0.0, 10.0, 1.0))
    (0.5, 3.0)
    """
    period_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    return max(GAP_PERIODS * period_s, SHORTEST_GAP_S)


def find_gaps(time_s: FloatArray) -> tuple[tuple[float, float], ...]:
    """(last sample before, first after) [s] of each gap in `time_s`, (n_samples,) increasing.

    >>> find_gaps(np.array([0.0, 0.1, 0.2, 1.4, 1.5]))
    ((0.2, 1.4),)
    """
    starts = np.flatnonzero(np.diff(time_s) > gap_limit_s(time_s))
    return tuple((float(time_s[i]), float(time_s[i + 1])) for i in starts)


def interpolate(at_s: FloatArray, time_s: FloatArray, values: FloatArray, limit_s: float) -> FloatArray:
    """Values at the times `at_s` by straight lines between neighbouring readings.

    at_s: (n_out,) s. time_s: (n_in,) s, increasing; values: (n_in,), NaN for no reading. NaN before the
    first and after the last reading, and between readings more than `limit_s` [s] apart.

    >>> readings_s, readings_C = np.array([0.0, 1.0, 5.0]), np.array([700.0, 710.0, 750.0])
    >>> interpolate(np.array([-1.0, 0.5, 3.0, 5.0]), readings_s, readings_C, limit_s=2.0)
    array([ nan, 705.,  nan, 750.])
    """
    present = ~np.isnan(values)
    time_s, values = time_s[present], values[present]
    if time_s.size == 0:
        return np.full(at_s.shape, np.nan)
    result = np.interp(at_s, time_s, values, left=np.nan, right=np.nan)
    after = np.searchsorted(time_s, at_s, side="left").clip(0, time_s.size - 1)
    before = (after - 1).clip(0)
    between = (time_s[after] - time_s[before] > limit_s) & (at_s != time_s[after])
    result[between] = np.nan
    return result


def nearest(at_s: FloatArray, time_s: FloatArray) -> npt.NDArray[np.intp]:
    """(n_out,) index of the nearest sample of `time_s`, (n_in,) increasing and not empty, to each time.

    >>> nearest(np.array([-1.0, 0.4, 0.6, 9.0]), np.array([0.0, 1.0, 2.0]))
    array([0, 0, 1, 2])
    """
    after = np.searchsorted(time_s, at_s).clip(0, time_s.size - 1)
    before = (after - 1).clip(0)
    return np.where(at_s - time_s[before] <= time_s[after] - at_s, before, after)
