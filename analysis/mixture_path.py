"""How a bank's mixture moved: held, swept, or jumped, and from when on the probes have followed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.conditions import Span, bridge, runs, smooth

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SWEEP_WINDOW_S = 16.0
JUMP_WINDOW_S = 3.0
JUMP_PER_S = 0.015  # faster than 1.5 % a second a probe's lag hides which mixture it saw
SWEEP_PER_S = 0.0003
SWEEP_MIN = 0.04  # ln(fuel): a slower drift of the mixture is a hold
HOLD_WIDTH = 0.02  # ln(fuel): within ±1 % it is one mixture


@dataclass(frozen=True)
class Part:
    """Blocks [start, stop) of a span in which the mixture was held ('steady') or moved one way ('sweep')."""

    kind: str
    start: int
    stop: int


def engine_ln_phi(blocks: Blocks, start: int = 0, stop: int | None = None) -> FloatArray:
    """(n_blocks,) mean of the banks' ln(relative fuel) in blocks [start, stop); NaN where no bank has one."""
    if not blocks.ln_phi:
        return np.full(len(blocks.time_s[start:stop]), np.nan)
    stacked = np.stack([x[start:stop] for x in blocks.ln_phi.values()])
    known = np.isfinite(stacked)
    count = known.sum(axis=0)
    total = np.where(known, stacked, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def settled(blocks: Blocks, span: Span, settle_s: float) -> BoolArray:
    """(stop-start,) blocks of `span` by which the probes have followed its start and every jump of the mixture."""
    n = span.stop - span.start
    wait = int(np.ceil(settle_s / blocks.length_s))
    ready = np.ones(n, dtype=bool)
    ready[: min(wait, n)] = span.start == 0
    x = engine_ln_phi(blocks, span.start, span.stop)
    if np.isfinite(x).sum() >= 3:
        window = max(int(JUMP_WINDOW_S / blocks.length_s), 3)
        rate = smooth(x, window, derivative=1, step_s=blocks.length_s)
        for start, stop in runs(np.nan_to_num(np.abs(rate)) > JUMP_PER_S):
            ready[max(start - window, 0) : stop + wait] = False
    return ready


def parts(blocks: Blocks, span: Span, ready: BoolArray) -> list[Part]:
    """The span's settled blocks as holds and sweeps, in time order."""
    x = engine_ln_phi(blocks, span.start, span.stop)
    swept = np.zeros(len(x), dtype=bool)
    if np.isfinite(x).sum() >= 3:
        window = max(int(SWEEP_WINDOW_S / blocks.length_s), 3)
        level = bridge(smooth(x, window))
        rate = np.nan_to_num(smooth(x, window, derivative=1, step_s=blocks.length_s))
        for direction in (1.0, -1.0):
            for start, stop in runs((direction * rate > SWEEP_PER_S) & ready):
                if abs(level[stop - 1] - level[start]) >= SWEEP_MIN:
                    swept[start:stop] = True
    found = [Part("sweep", span.start + a, span.start + b) for a, b in runs(swept)]
    shortest = max(int(4.0 / blocks.length_s), 2)
    for start, stop in runs(ready & ~swept):
        for a, b in _holds(bridge(x[start:stop]), shortest):
            found.append(Part("steady", span.start + start + a, span.start + start + b))
    return sorted(found, key=lambda part: part.start)


def _holds(x: FloatArray, shortest: int) -> list[tuple[int, int]]:
    """Cut a settled run into pieces whose mixture stays within HOLD_WIDTH of the piece's own start."""
    if len(x) < shortest:
        return []
    if not np.isfinite(x).all():
        return [(0, len(x))]
    level = smooth(x, shortest)
    pieces, begin = [], 0
    while len(level) - begin >= shortest:
        away = np.abs(level[begin:] - level[begin : begin + shortest].mean()) > HOLD_WIDTH
        length = int(np.argmax(away)) if away.any() else len(away)
        if length >= shortest:
            pieces.append((begin, begin + length))
        begin += max(length, 1)
    return pieces
