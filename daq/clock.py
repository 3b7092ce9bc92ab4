"""When samples were taken: an instrument's own counter brought to the clock of the recording.

Transport only ever delays, so the truth lies along the earliest arrivals: host minus instrument time is
fitted from below, with drift, in overlapping windows (`daq.epochs` has followed wraps and restarts before).
A straight line through all arrivals would be biased by stalls. The smallest delay itself cannot be seen from
here and stays in the result: some 0.1 ms to some ms on a serial port.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.epochs import split_epochs
from daq.line_stream import TICK_S
from daq.session_reader import InstrumentTable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

OWN_TIME = "host_time_is_the_instruments_own"
"""A key of the start mark of a session whose `host_s` was not taken from arrivals."""
WINDOW_S = 180.0
_BIN_S = 1.0
_BEFORE_SENT_S = 0.005  # a sample this much earlier than the envelope arrived before it was sent


@dataclass(frozen=True)
class SampleTimes:
    """When samples were taken: time_s (n_kept,) s since the recording began, strictly increasing.

    kept: (n_kept,) which samples of the table these are. epochs: in how many pieces the counter ran.
    problems: what was left out and why, one sentence each.
    """

    time_s: FloatArray
    kept: IntArray
    epochs: int = 1
    problems: tuple[str, ...] = ()


def arrival_times(table: InstrumentTable) -> SampleTimes:
    """The times of arrival as those of the samples, for a table whose host time is the instrument's own."""
    return _increasing(table.instrument, table.host_s, np.arange(table.host_s.size), 1, 0)


def sample_times(table: InstrumentTable) -> SampleTimes:
    """When the samples of `table` were taken; by arrival where there is no counter."""
    counters = [name for name in TICK_S if name in table.columns]
    if not counters:
        return arrival_times(table)
    times = np.full(table.host_s.size, np.nan)
    epochs = 0
    for name in counters:
        counter = table.column(name)
        stamped = np.flatnonzero(~np.isnan(counter))
        for members, device_s in split_epochs(table.host_s[stamped], counter[stamped], TICK_S[name]):
            rows = stamped[members]
            sent_s = device_s + earliest_delay_s(device_s, table.host_s[rows])
            sent_s[sent_s > table.host_s[rows] + _BEFORE_SENT_S] = np.nan
            times[rows] = (
                sent_s + 0.5 * TICK_S[name]
            )  # the counter shows whole ticks, so half a tick has passed
            epochs += 1
    kept = np.flatnonzero(~np.isnan(times))
    return _increasing(table.instrument, times, kept, epochs, table.host_s.size - kept.size)


def _increasing(instrument: str, times: FloatArray, kept: IntArray, epochs: int, bad: int) -> SampleTimes:
    """`times` of the samples `kept` less those that are not later than all before; `bad`: already left out."""
    times = np.round(times, 6)  # as fine as a session's file, so that a copy of a session analyses the same
    earlier = np.maximum.accumulate(np.concatenate([[-np.inf], times[kept]]))[:-1]
    later = times[kept] > earlier
    dropped = int(np.count_nonzero(~later))
    problems = []
    if bad:
        problems.append(f"{instrument}: left out, with a missing or impossible time stamp: {bad} samples")
    if dropped:
        problems.append(f"{instrument}: left out, not later than the one before: {dropped} samples")
    return SampleTimes(times[kept[later]], kept[later], epochs, tuple(problems))


def earliest_delay_s(device_s: FloatArray, host_s: FloatArray) -> FloatArray:
    """(n_samples,) delay [s] of the fastest transport at each sample: host clock minus instrument clock.

    device_s: (n_samples,) s of one epoch; host_s: (n_samples,) s of arrival. In windows of `WINDOW_S` that
    overlap by half, the line under the smallest delay of each second that lies nearest to them on average;
    between the windows' middles from one line to the next.
    """
    x, y = _smallest_delays(device_s, host_s - device_s)
    n_windows = max(1, int(np.ceil((x[-1] - x[0]) / (WINDOW_S / 2))) - 1)
    middles = x[0] + (WINDOW_S / 2) * np.arange(1, n_windows + 1)
    if n_windows == 1:
        height, slope = _line_below(x, y)
        line: FloatArray = height + slope * device_s
        return line
    edges = (
        np.searchsorted(x, middles - WINDOW_S / 2),
        np.searchsorted(x, middles + WINDOW_S / 2, side="right"),
    )
    lines = [_line_below(x[a:b], y[a:b]) if b > a else (np.nan, np.nan) for a, b in zip(*edges, strict=True)]
    heights, slopes = np.array(lines).T
    known = ~np.isnan(heights)
    middles, heights, slopes = middles[known], heights[known], slopes[known]
    before: IntArray = np.searchsorted(middles, device_s).clip(1, max(middles.size - 1, 1)) - 1
    after = np.minimum(before + 1, middles.size - 1)
    span = np.where(after > before, middles[after] - middles[before], 1.0)
    share = ((device_s - middles[before]) / span).clip(0.0, 1.0)
    at_before: FloatArray = heights[before] + slopes[before] * device_s
    at_after: FloatArray = heights[after] + slopes[after] * device_s
    blended: FloatArray = at_before + share * (at_after - at_before)
    return blended


def _smallest_delays(device_s: FloatArray, delay_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(device time, delay) [s] of the smallest delay in each second, in order of time.

    Where the instrument samples regularly, stamps beside an irregular step are passed over: one may be
    wrong, and a stamp that runs ahead would look like a fast transport.
    """
    trusted = _regular(device_s)
    x, y = device_s[trusted], delay_s[trusted]
    if np.any(np.diff(x) < 0):
        order = np.argsort(x, kind="stable")
        x, y = x[order], y[order]
    bins = np.floor((x - x[0]) / _BIN_S)
    starts = np.flatnonzero(np.diff(bins, prepend=-1.0) > 0)
    smallest = np.repeat(np.minimum.reduceat(y, starts), np.diff(starts, append=x.size))
    candidates = np.flatnonzero(y == smallest)
    first = candidates[np.diff(bins[candidates], prepend=-1.0) > 0]
    return x[first], y[first]


def _regular(device_s: FloatArray) -> npt.NDArray[np.bool_]:
    """(n_samples,) whether the steps before and after a sample are the usual one; all where few are."""
    step_s = np.diff(device_s)
    if step_s.size < 3:
        return np.ones(device_s.size, dtype=bool)
    usual_s = float(np.median(step_s))
    regular_step = np.abs(step_s - usual_s) <= np.maximum(0.1 * usual_s, 0.002)
    regular = np.concatenate([[True], regular_step]) & np.concatenate([regular_step, [True]])
    return regular if np.mean(regular) > 0.5 else np.ones(device_s.size, dtype=bool)


def _line_below(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """(height at x = 0, slope) of the line under all points that leaves the least sum of distances.

    It is the edge of the lower convex hull below the mean of `x` (a linear programme in two unknowns has its
    optimum there). x: (n_points,) increasing, n_points ≥ 1.
    """
    hull: list[tuple[float, float]] = []
    for point in zip(x.tolist(), y.tolist(), strict=True):
        while len(hull) > 1 and _turns_right(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    if len(hull) == 1:
        return hull[0][1], 0.0
    mean = float(np.mean(x))
    right = next((i for i in range(1, len(hull)) if hull[i][0] >= mean), len(hull) - 1)
    (x0, y0), (x1, y1) = hull[right - 1], hull[right]
    slope = (y1 - y0) / (x1 - x0)
    return y0 - slope * x0, slope


def _turns_right(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Whether `b` lies on or above the line from `a` to `c`."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])
