"""Where speed and load stand still: spans of one operating point, found by statistics of the record itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

RATE_WINDOW_S = 8.0  # rates are those of a straight line over this long
SPAN_MIN_S = 6.0
RUNNING_RPM = 300.0
RUNNING_EGT_C = 150.0  # without a speed column: a probe in a running engine's port is hotter than this
# A quantity moves when its rate would carry it over this share of its level within RATE_WINDOW_S, or over more than
# its usual wander if that is larger; and two spans are one operating point when their levels differ by less.
# Common practice, no published source.
HEAT_JUMP_C_PER_S = 3.0  # a sweep of 0.2 % a second moves a port by 1 to 2 °C a second
MOVING_SHARE = {"rpm": 0.025, "load": 0.04}
SAME_SHARE = {"rpm": 0.025, "load": 0.05}


@dataclass(frozen=True)
class Span:
    """Blocks [start, stop) at one operating point; rpm and load are its means (None without such a column)."""

    start: int
    stop: int
    rpm: float | None
    load: float | None


def smooth(values: FloatArray, window: int, derivative: int = 0, step_s: float = 1.0) -> FloatArray:
    """Local straight line over `window` blocks (made odd): its value, or its slope per second.

    values: (n,), NaN where nothing was measured: bridged for the fit and NaN again in the result.
    """
    window = min(window, len(values)) | 1
    if window > len(values):
        window -= 2
    missing = ~np.isfinite(values)
    if missing.all() or window < 3:
        return np.full(len(values), np.nan) if missing.all() or derivative else values.copy()
    filled, weights, half = bridge(values), _line_weights(window, derivative), window // 2
    inside = np.correlate(filled, weights[half], mode="valid")
    result = np.concatenate(
        [weights[:half] @ filled[:window], inside, weights[half + 1 :] @ filled[-window:]]
    )
    return np.where(missing, np.nan, result / step_s**derivative)


@lru_cache(maxsize=64)
def _line_weights(window: int, derivative: int) -> FloatArray:
    """(window, window): row i gives the least-squares line's value, or slope per step, at point i of the window."""
    x = np.arange(window) - window // 2
    slope = x / np.sum(x * x)
    return np.tile(slope, (window, 1)) if derivative else 1.0 / window + np.outer(x, slope)


def bridge(values: FloatArray) -> FloatArray:
    """NaN replaced by straight lines between neighbours, ends held. For filters only, never as data."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    where = np.arange(len(values))
    return np.interp(where, where[good], values[good])


def running(blocks: Blocks) -> BoolArray:
    """(n_blocks,) whether the engine runs: by speed, or by exhaust heat where speed was not recorded."""
    if blocks.rpm is not None:
        return np.nan_to_num(blocks.rpm) > RUNNING_RPM
    hottest = np.nanmax(np.where(np.isfinite(blocks.egt_C), blocks.egt_C, -np.inf), axis=1, initial=-np.inf)
    return np.asarray(hottest > RUNNING_EGT_C)


def runs(mask: BoolArray) -> Iterator[tuple[int, int]]:
    """(start, stop) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    yield from ((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def moving(values: FloatArray, active: BoolArray, share: float, step_s: float) -> BoolArray:
    """(n,) where `values` changes faster than it usually wanders while `active`."""
    window = max(int(RATE_WINDOW_S / step_s), 3)
    rate = smooth(values, window, derivative=1, step_s=step_s)
    known = active & np.isfinite(rate)
    level = float(np.median(np.abs(values[known]))) if known.any() else 0.0
    usual = 1.4826 * float(np.median(np.abs(rate[known]))) if known.any() else 0.0
    # a record that is mostly pulls must not call its own pulls usual
    limit = max(share * level / RATE_WINDOW_S, min(4.0 * usual, 2.5 * share * level / RATE_WINDOW_S))
    return np.asarray(~(np.abs(rate) <= limit))


def operating_spans(blocks: Blocks) -> list[Span]:
    """Runs of blocks with the engine running and speed and load standing still, at least SPAN_MIN_S long."""
    still = running(blocks).copy()
    quantities = {"rpm": blocks.rpm, "load": blocks.load}
    for name, values in quantities.items():
        if values is not None:
            still &= ~moving(values, running(blocks), MOVING_SHARE[name], blocks.length_s)
    if blocks.rpm is None or blocks.load is None:
        still &= ~_heat_jumps(blocks)
    shortest = max(int(SPAN_MIN_S / blocks.length_s), 3)
    spans: list[Span] = []
    for start, stop in runs(still):
        for a, b in _split(start, stop, quantities, shortest):
            if b - a >= shortest:
                spans.append(Span(a, b, _level(blocks.rpm, a, b), _level(blocks.load, a, b)))
    return _joined(sorted(spans, key=lambda span: span.start), blocks)


def _heat_jumps(blocks: Blocks) -> BoolArray:
    """(n_blocks,) where all ports heat or cool faster than a mixture sweep makes them: an unrecorded change of load."""
    middle = np.full(len(blocks.time_s), np.nan)
    known = np.isfinite(blocks.egt_C).any(axis=1)
    middle[known] = np.nanmedian(blocks.egt_C[known], axis=1)
    rate = smooth(
        middle, max(int(RATE_WINDOW_S / 2 / blocks.length_s), 3), derivative=1, step_s=blocks.length_s
    )
    return np.asarray(np.abs(rate) > HEAT_JUMP_C_PER_S)


def _joined(spans: list[Span], blocks: Blocks) -> list[Span]:
    """Neighbouring spans of one point as one, where speed and load only wandered between them and came back."""
    joined: list[Span] = []
    for span in spans:
        before = joined[-1] if joined else None
        if before is not None and same_point(before, span) and _stayed(before, span, blocks):
            a, b = before.start, span.stop
            joined[-1] = Span(a, b, _level(blocks.rpm, a, b), _level(blocks.load, a, b))
        else:
            joined.append(span)
    return joined


def _stayed(before: Span, after: Span, blocks: Blocks) -> bool:
    """Whether speed and load kept near their level in the blocks between two spans."""
    window = max(int(RATE_WINDOW_S / 2 / blocks.length_s), 3)
    if not running(blocks)[before.stop : after.start].all():
        return False
    for name, values, level in (("rpm", blocks.rpm, before.rpm), ("load", blocks.load, before.load)):
        if values is None or level is None:
            continue
        between = smooth(values, window)[before.stop : after.start]
        if not np.all(np.abs(between - level) <= 1.5 * SAME_SHARE[name] * abs(level)):
            return False
    return True


def _level(values: FloatArray | None, start: int, stop: int) -> float | None:
    if values is None or not np.isfinite(values[start:stop]).any():
        return None
    return float(np.nanmean(values[start:stop]))


def _split(
    start: int, stop: int, quantities: dict[str, FloatArray | None], shortest: int
) -> Iterator[tuple[int, int]]:
    """Cut [start, stop) where a level steps slowly: at the best change of mean, while the two sides differ."""
    pending = [(start, stop)]
    while pending:
        a, b = pending.pop()
        cut = None
        for name, values in quantities.items():
            if cut is None and values is not None and b - a >= 2 * shortest:
                cut = _change_of_mean(bridge(values[a:b]), SAME_SHARE[name], shortest)
        if cut is None:
            yield a, b
        else:
            pending += [(a, a + cut), (a + cut, b)]


def _change_of_mean(values: FloatArray, share: float, shortest: int) -> int | None:
    """Index of the split with the largest drop in squares, if the two means differ by more than `share`."""
    if not np.isfinite(values).all():
        return None
    n = len(values)
    total = np.cumsum(values)
    cuts = np.arange(shortest, n - shortest + 1)
    left, right = total[cuts - 1] / cuts, (total[-1] - total[cuts - 1]) / (n - cuts)
    gain = cuts * (n - cuts) * (left - right) ** 2
    best = int(np.argmax(gain))
    level = max(abs(float(values.mean())), 1e-9)
    return int(cuts[best]) if abs(left[best] - right[best]) > share * level else None


def same_point(a: Span, b: Span) -> bool:
    """Whether two spans are the same operating point; not known where neither speed nor load was recorded."""
    if a.rpm is None and a.load is None:
        return False
    pairs = (("rpm", a.rpm, b.rpm), ("load", a.load, b.load))
    for name, first, second in pairs:
        if first is None or second is None:
            continue
        if abs(first - second) > SAME_SHARE[name] * max(abs(first), abs(second)):
            return False
    return True


def regions(spans: list[Span]) -> list[list[Span]]:
    """Spans grouped into operating points, each compared with its group's longest span; longest group first."""
    groups: list[list[Span]] = []
    for span in sorted(spans, key=lambda s: s.start - s.stop):
        for group in groups:
            if same_point(group[0], span):
                group.append(span)
                break
        else:
            groups.append([span])
    ordered = [sorted(group, key=lambda s: s.start) for group in groups]
    return sorted(ordered, key=lambda group: -sum(s.stop - s.start for s in group))
