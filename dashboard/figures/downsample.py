"""Fewer points with the same look: the least and the greatest value of each bin, so that no spike is lost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler

FloatArray = npt.NDArray[np.float64]
POINTS = 800


def visible(time_s: FloatArray, start_s: float, end_s: float) -> slice:
    """The samples within [start_s, end_s] and one more at each side, so that lines reach the edge."""
    first = int(np.searchsorted(time_s, start_s, side="left"))
    last = int(np.searchsorted(time_s, end_s, side="right"))
    return slice(max(0, first - 1), min(time_s.size, last + 1))


def thin_out(
    time_s: FloatArray,
    values: FloatArray,
    start_s: float,
    end_s: float,
    gaps_s: Sequence[tuple[float, float]] = (),
    points: int = POINTS,
) -> tuple[FloatArray, FloatArray]:
    """Time [s] and values of about `points` samples between start and end; both (n,).

    Missing readings stay missing where a whole bin has none; a line is broken at every gap of `gaps_s`.
    """
    shown = visible(time_s, start_s, end_s)
    time_s, values = time_s[shown], np.ascontiguousarray(values[shown])
    if values.size > points:
        kept = MinMaxDownsampler().downsample(values, n_out=points - points % 2)
        time_s, values = time_s[kept], values[kept]
    inside = [gap for gap in gaps_s if gap[1] > start_s and gap[0] < end_s]
    if not inside:
        return time_s, values
    middle_s = np.array([(a + b) / 2 for a, b in inside])
    place = np.searchsorted(time_s, middle_s)
    return np.insert(time_s, place, middle_s), np.insert(values, place, np.nan)
