"""A cold soak: the engine is off and as cold as its surroundings, so every probe sees one temperature.

What then differs is the probe's, the wire's and the input's error at that temperature. Most of an amplifier's
offset and of a gradient across the terminal block stays when the engine is hot; most of a wire's error does not
(a class limit grows with temperature), so a soak does not promise that probes agree at 800 °C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analysis.blocks import Blocks, make_blocks
from analysis.uncertainty import autocorrelated_mean, fit_line
from daq.physical import PhysicalTable

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

# Common practice, no published source, all of these.
TURNING_RPM = 50.0
NEAR_C = 12.0  # of the terminals, which the instrument itself may warm by some °C
BROKEN_C = 15.0  # a probe this far from its neighbours is broken or in a warm port, not offset
STEADY_C_PER_MIN = 1.0
SHORTEST_S = 10.0
EDGE_S = 1.0  # left out at either end: the engine may just have stopped or be about to turn
MOST_MISSING = 0.2
MOVING_C, MOVING_S = 1.5, 5.0  # a probe that leaves its neighbours so fast is in a port that somebody warms …
COOLING_S = 60.0  # … and takes that long to come back
UNEQUAL_SHARE = 0.15  # ports of an engine x °C above its surroundings may differ by ± this share of x
RESOLUTION_C = 0.1


@dataclass(frozen=True)
class SoakOffsets:
    """What each probe reads beside the median of all while the engine is cold.

    offset_C: (n_cylinders,) °C, after the setup's own `offset_C`; NaN for a probe that cannot be judged. u_C:
    (n_cylinders,) standard uncertainty, inf for such a probe. engine_C: the median reading. start_s, end_s [s].
    """

    cylinders: tuple[int, ...]
    offset_C: FloatArray
    u_C: FloatArray
    start_s: float
    end_s: float
    engine_C: float


def soak_offsets(table: PhysicalTable) -> SoakOffsets | None:
    """The offsets of the longest cold soak in `table`, or None where there is none of at least 10 s."""
    blocks = make_blocks(table)
    if len(blocks.time_s) == 0:
        return None
    middle_C, junction_C = _middle(blocks.egt_C), _junction(table, blocks)
    cold = _engine_off(blocks) & (np.abs(middle_C - junction_C) <= NEAR_C)
    run = _longest_run(cold & ~_disturbed(blocks, cold, blocks.egt_C - middle_C[:, np.newaxis]))
    edge = round(EDGE_S / blocks.length_s)
    run = slice(run.start + edge, run.stop - edge)
    if (run.stop - run.start) * blocks.length_s < SHORTEST_S:
        return None
    minutes = blocks.time_s[run] / 60.0
    if abs(fit_line(minutes, middle_C[run], float(minutes[0])).slope) > STEADY_C_PER_MIN:
        return None
    warmth_C = float(np.median(middle_C[run] - junction_C[run]))
    offset_C, u_C = _offsets(blocks.egt_C[run] - middle_C[run, np.newaxis], warmth_C)
    if np.count_nonzero(np.isfinite(offset_C)) < 2:
        return None
    half_s = blocks.length_s / 2
    return SoakOffsets(
        cylinders=table.cylinders,
        offset_C=offset_C,
        u_C=u_C,
        start_s=float(blocks.time_s[run.start] - half_s),
        end_s=float(blocks.time_s[run.stop - 1] + half_s),
        engine_C=float(np.median(middle_C[run])),
    )


def _offsets(away_C: FloatArray, warmth_C: float) -> tuple[FloatArray, FloatArray]:
    """(offset, standard uncertainty) [°C] of each probe from its (n_blocks, n_cylinders) distance to the median."""
    n_cylinders = away_C.shape[1]
    offset_C, u_C = np.full(n_cylinders, np.nan), np.full(n_cylinders, np.inf)
    usable = np.mean(np.isfinite(away_C), axis=0) >= 1.0 - MOST_MISSING
    n_usable = max(int(usable.sum()), 1)
    unequal_C = UNEQUAL_SHARE * abs(warmth_C) / np.sqrt(3.0)
    for column in np.flatnonzero(usable):
        mean = autocorrelated_mean(away_C[:, column])
        if abs(mean.value) <= BROKEN_C:
            variance = mean.u**2 + unequal_C**2 + RESOLUTION_C**2 / 3.0
            offset_C[column] = mean.value
            u_C[column] = np.sqrt(
                variance * (1.0 + 1.0 / n_usable)
            )  # the median of so many is not exact either
    return offset_C, u_C


def _middle(egt_C: FloatArray) -> FloatArray:
    """(n_blocks,) median of the probes, NaN where fewer than two read."""
    middle = np.full(egt_C.shape[0], np.nan)
    enough = np.count_nonzero(np.isfinite(egt_C), axis=1) >= 2
    middle[enough] = np.nanmedian(egt_C[enough], axis=1)
    return middle


def _junction(table: PhysicalTable, blocks: Blocks) -> FloatArray:
    """(n_blocks,) cold junction [°C]; where no probe has one, the coldest that the engine has been."""
    columns = np.flatnonzero(np.isfinite(table.cold_junction_C).any(axis=0))
    if columns.size == 0:
        return np.full(len(blocks.time_s), _coldest(blocks))
    column = table.cold_junction_C[:, columns[0]]
    present = np.isfinite(column)
    return np.interp(blocks.time_s, table.time_s[present], column[present])


def _coldest(blocks: Blocks) -> float:
    middle = _middle(blocks.egt_C)
    return float(np.nanmin(middle)) if np.isfinite(middle).any() else np.nan


def _engine_off(blocks: Blocks) -> BoolArray:
    """(n_blocks,) whether the engine is not known to turn."""
    if blocks.rpm is None:
        return np.ones(len(blocks.time_s), dtype=bool)
    return ~(blocks.rpm > TURNING_RPM)


def _disturbed(blocks: Blocks, cold: BoolArray, away_C: FloatArray) -> BoolArray:
    """(n_blocks,) whether a port is being warmed, or has been and may still be cooling down.

    A probe that is never quiet is broken and disturbs nobody else.
    """
    span = max(1, round(MOVING_S / blocks.length_s))
    moving = np.zeros(away_C.shape, dtype=bool)
    if cold.any() and len(away_C) > 2 * span:
        latest_cold = np.maximum.accumulate(np.where(cold, np.arange(len(cold)), 0))
        mean = uniform_filter1d(np.nan_to_num(away_C[latest_cold]), span, axis=0, mode="nearest")
        moving[span:] = np.abs(mean[span:] - mean[:-span]) > MOVING_C
    moving[:, np.count_nonzero(moving[cold], axis=0) > 0.5 * np.count_nonzero(cold)] = False
    disturbed = np.flatnonzero(moving.any(axis=1) & cold)
    result = np.zeros(len(cold), dtype=bool)
    for index in disturbed:
        result[max(0, index - span) : index + round(COOLING_S / blocks.length_s)] = True
    return result


def _longest_run(wanted: BoolArray) -> slice:
    """The longest stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(np.int8)))
    if edges.size == 0:
        return slice(0, 0)
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return slice(int(starts[longest]), int(stops[longest]))
