"""Probes that cannot be believed: open, reversed, dead, frozen, loose, drifting, slow.

Each check looks at one cylinder beside its neighbours, because whatever the engine did, it did to all of them. The
limits are common practice, no published source, unless one is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.blocks import Blocks
from analysis.conditions import RUNNING_RPM
from analysis.fault import Fault
from analysis.lag import Lags
from analysis.uncertainty import fit_line
from daq.physical import PhysicalTable, Status

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MISSING_SHARE = 0.2
OPEN_SHARE = 0.01
HOT_C = 200.0  # the bank's median is above this while the engine runs
DEAD_BELOW_C = 60.0
FROZEN_S = 30.0
LOOSE_JUMP_C = 15.0
LOOSE_SHARE = 0.01
DRIFT_C_PER_MIN = 6.0
# From holds alone a lean cylinder, which moves with every change of mixture, must not pass for a drifting probe; and a
# port that is hot without a shift has drifted there when it is seen to drift at all.
DRIFT_CERTAIN, DRIFT_CERTAIN_BY_HOLDS, DRIFT_CERTAIN_WHEN_HOT = 2.6, 3.6, 1.9
# ten-second means of a deviation that keeps its sign for 8 to 19 s (references section 11) are not independent
HOLD_EFFECT_C, HOLD_EFFECT_SHARE, DEVIATION_WANDER_C = 12.0, 0.5, 2.0
SLOW_FACTOR, SLOW_S = 2.3, 5.2


def silent_probes(table: PhysicalTable) -> dict[int, Fault]:
    """Open circuits, reversed wires, probes without readings, short circuits and frozen values.

    These are seen in the samples themselves, before anything is averaged.
    """
    on = _running_samples(table)
    if on.sum() < 10:
        return {}
    faults: dict[int, Fault] = {}
    status, egt = table.egt_status[on], table.egt_C[on]
    middle = median_of_ports(np.where(status == Status.GOOD, egt, np.nan))
    for column, cylinder in enumerate(table.cylinders):
        found = _silent(table, cylinder, column, status[:, column], egt[:, column], middle)
        if found:
            faults[cylinder] = Fault(cylinder, "probe-fault", *found)
    return faults


def median_of_ports(values: FloatArray) -> FloatArray:
    """(n_samples,) median of each row's numbers, NaN where it has none; numpy's own takes thrice as long here."""
    ordered = np.sort(values, axis=1)  # NaN come last
    count = np.isfinite(ordered).sum(axis=1)
    row = np.arange(len(ordered))
    middle: FloatArray = 0.5 * (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2])
    return middle


def _running_samples(table: PhysicalTable) -> BoolArray:
    if table.rpm is not None:
        return np.nan_to_num(table.rpm) > RUNNING_RPM
    finite = np.where(np.isfinite(table.egt_C), table.egt_C, -np.inf)
    return np.asarray(finite.max(axis=1, initial=-np.inf) > HOT_C)


def _silent(
    table: PhysicalTable,
    cylinder: int,
    column: int,
    status: npt.NDArray[np.uint8],
    egt: FloatArray,
    middle: FloatArray,
) -> tuple[str, str] | None:
    shares = {s: float((status == s).mean()) for s in Status}
    if shares[Status.OUT_OF_RANGE] > MISSING_SHARE or _fell_when_heated(egt, middle):
        if _fell_when_heated(egt, middle) or _started_downwards(table, column):
            return "reversed", (
                f"the reading of cylinder {cylinder}'s probe falls when the port gets hot: its wires are reversed"
            )
        return "out of range", (
            f"{100 * shares[Status.OUT_OF_RANGE]:.0f} % of cylinder {cylinder}'s readings are outside what a type K "
            "thermocouple can give: check wiring, column and input range"
        )
    if shares[Status.OPEN_CIRCUIT] > OPEN_SHARE:
        how = (
            "is open"
            if shares[Status.OPEN_CIRCUIT] > 0.9
            else "comes and goes: a broken wire or a loose connection"
        )
        return "open", (
            f"cylinder {cylinder}'s probe {how} (open circuit in {100 * shares[Status.OPEN_CIRCUIT]:.0f} % of the "
            "samples)"
        )
    if shares[Status.NO_READING] > MISSING_SHARE:
        return (
            "silent",
            f"cylinder {cylinder}'s probe gave no reading in {100 * shares[Status.NO_READING]:.0f} % of the samples",
        )
    hot = np.isfinite(middle) & (middle > HOT_C)
    values = egt[hot & np.isfinite(egt)]
    if hot.sum() > 20 and len(values) and np.median(values) < DEAD_BELOW_C:
        return "dead", (
            f"cylinder {cylinder}'s probe reads {np.median(values):.0f} °C beside ports at "
            f"{np.median(middle[hot]):.0f} °C: a short circuit before the port, or not fitted"
        )
    return _frozen(table, cylinder, values)


def _fell_when_heated(egt: FloatArray, middle: FloatArray) -> bool:
    """Whether the reading goes down while the others go up: slope against their median clearly negative."""
    good = np.isfinite(egt) & np.isfinite(middle)
    if good.sum() < 20 or np.ptp(middle[good]) < 50.0 or float(np.median(egt[good])) >= HOT_C:
        return False
    return fit_line(middle[good], egt[good]).slope < -0.3


def _started_downwards(table: PhysicalTable, column: int) -> bool:
    """Whether the last good readings before the column left its range lay below where the record began."""
    gone = np.flatnonzero(table.egt_status[:, column] == Status.OUT_OF_RANGE)
    good = np.flatnonzero(table.egt_status[:, column] == Status.GOOD)
    if not len(gone) or not len(good):
        return bool(len(gone))  # hot from the first sample on: a reversed pair is far below the range at once
    before = good[good < gone[0]]
    last = table.egt_C[before[-3:], column] if len(before) else table.egt_C[good, column]
    return (
        bool(np.median(last) < np.nanmedian(table.egt_C[before[: max(len(before) // 2, 1)], column]) - 2.0)
        if len(before)
        else bool(np.median(last) < 0.0)
    )


def _frozen(table: PhysicalTable, cylinder: int, values: FloatArray) -> tuple[str, str] | None:
    period_s = float(np.median(np.diff(table.time_s[:10_000]))) if len(table.time_s) > 1 else 1.0
    if len(values) * period_s > FROZEN_S and np.ptp(values) == 0.0:
        return (
            "frozen",
            f"cylinder {cylinder}'s reading never changes ({values[0]:.1f} °C): its channel is stuck",
        )
    return None


def loose_probes(table: PhysicalTable) -> dict[int, Fault]:
    """Readings that jump faster than any junction can: a loose connection or a chafed cable."""
    faults: dict[int, Fault] = {}
    on = _running_samples(table)
    if on.sum() < 50:
        return faults
    shares = np.zeros(len(table.cylinders))
    for column in range(len(table.cylinders)):
        values = table.egt_C[on, column]
        values = values[np.isfinite(values)]
        if len(values) >= 50:
            away = np.abs(values - median_filter(values, size=5, mode="nearest"))
            shares[column] = float((away > LOOSE_JUMP_C).mean())
    for column, cylinder in enumerate(table.cylinders):
        others = float(np.median(np.delete(shares, column))) if len(shares) > 1 else 0.0
        if shares[column] > LOOSE_SHARE and shares[column] > 5.0 * others:
            faults[cylinder] = Fault(
                cylinder,
                "probe-fault",
                "loose",
                f"cylinder {cylinder}'s reading jumps by more than {LOOSE_JUMP_C:.0f} °C from sample to sample "
                f"({100 * shares[column]:.1f} % of them): a loose connection or a chafed cable",
            )
    return faults


def slow_probes(lags: Lags) -> dict[int, Fault]:
    """Probes whose time constant is far above their neighbours'."""
    faults: dict[int, Fault] = {}
    if lags.n_transients == 0:
        return faults
    for i, cylinder in enumerate(lags.cylinders):
        usual = float(np.median(np.delete(lags.time_constant_s, i)))
        own = float(lags.time_constant_s[i])
        if own > SLOW_S and own > SLOW_FACTOR * usual:
            faults[cylinder] = Fault(
                cylinder,
                "probe-fault",
                "slow",
                f"cylinder {cylinder}'s probe takes {own:.0f} s to answer where the others take {usual:.1f} s: "
                "thicker, sooted, or not as deep in the gas; fit a like probe before its mixture is judged",
            )
    return faults


@dataclass(frozen=True)
class DriftRate:
    """How fast a probe leaves its neighbours [°C a minute], with its standard uncertainty."""

    C_per_min: float
    u_C_per_min: float

    def and_also(self, other: DriftRate) -> DriftRate:
        """Both together, weighted by their uncertainties."""
        a, b = self.u_C_per_min**-2, other.u_C_per_min**-2
        if a + b == 0.0:
            return self
        return DriftRate((a * self.C_per_min + b * other.C_per_min) / (a + b), (a + b) ** -0.5)


UNKNOWN_DRIFT = DriftRate(0.0, np.inf)


def drift_rates(blocks: Blocks, holds: list[tuple[int, int]]) -> dict[int, DriftRate]:
    """Each probe's drift through the holds of a session.

    holds: (start, stop) blocks of steady stretches. Within a hold and from hold to hold the deviation from the
    neighbours' median must move at one rate; a hold's own conditions may shift it by HOLD_EFFECT_C besides.
    """
    rates: dict[int, DriftRate] = {}
    if len(blocks.cylinders) < 3:
        return rates
    minutes, hold, away = _hold_points(blocks, holds)
    if len(minutes) < 4 or np.ptp(minutes) < 0.5:
        return rates
    for column, cylinder in enumerate(blocks.cylinders):
        good = np.isfinite(away[:, column])
        if good.sum() >= 4:
            rates[cylinder] = _rate_through_holds(minutes[good], hold[good], away[good, column])
    return rates


def drifting(cylinder: int, rate: DriftRate, certain: float = DRIFT_CERTAIN) -> Fault | None:
    """The fault, if `rate` is both beyond DRIFT_C_PER_MIN and beyond `certain` standard uncertainties."""
    if abs(rate.C_per_min) <= max(DRIFT_C_PER_MIN, certain * rate.u_C_per_min):
        return None
    return Fault(
        cylinder,
        "probe-fault",
        "drifting",
        f"cylinder {cylinder}'s reading drifts by {rate.C_per_min:+.1f} ± {2 * rate.u_C_per_min:.1f} °C a minute "
        "against its neighbours at the same conditions: the probe or its connection is failing, or this cylinder's "
        "mixture changes as the engine runs; another sweep later in the session tells the two apart",
    )


def _hold_points(
    blocks: Blocks, holds: list[tuple[int, int]]
) -> tuple[FloatArray, npt.NDArray[np.int64], FloatArray]:
    """Means of about ten seconds of every hold: minutes, number of the hold, deviation from the others' median."""
    size = max(int(10.0 / blocks.length_s), 1)
    starts, number = [], []
    for k, (start, stop) in enumerate(sorted(holds)):
        whole = [a for a in range(start, stop, size) if stop - a >= size / 2]
        starts += [(a, min(a + size, stop)) for a in whole]
        number += [k] * len(whole)
    valid = np.isfinite(blocks.egt_C)
    total = np.cumsum(np.vstack([np.zeros(valid.shape[1]), np.where(valid, blocks.egt_C, 0.0)]), axis=0)
    count = np.cumsum(np.vstack([np.zeros(valid.shape[1]), valid]), axis=0)
    first, last = np.array(starts, dtype=np.int64).reshape(-1, 2).T
    with np.errstate(invalid="ignore", divide="ignore"):
        level = (total[last] - total[first]) / (count[last] - count[first])
    away = np.full(level.shape, np.nan)
    for column in range(level.shape[1]):
        others = np.delete(level, column, axis=1)
        known = np.isfinite(others).any(axis=1)
        away[known, column] = level[known, column] - np.nanmedian(others[known], axis=1)
    return blocks.time_s[first] / 60.0, np.array(number, dtype=np.int64), away


def _rate_through_holds(minutes: FloatArray, hold: npt.NDArray[np.int64], away: FloatArray) -> DriftRate:
    """Slope [°C/min] of a line whose points share a random shift in each hold.

    Least squares after taking from each point the share of its hold's mean that makes the rest independent
    (random-intercept model), so that the work grows with the points and not with their square.
    """
    # a cylinder that is far off moves with every change of mixture
    effect_C = float(np.hypot(HOLD_EFFECT_C, HOLD_EFFECT_SHARE * float(np.median(np.abs(away)))))
    names, group = np.unique(hold, return_inverse=True)
    size = np.bincount(group, minlength=len(names)).astype(float)
    share = 1.0 - np.sqrt(DEVIATION_WANDER_C**2 / (DEVIATION_WANDER_C**2 + size * effect_C**2))

    def freed(values: FloatArray) -> FloatArray:
        means = np.bincount(group, weights=values, minlength=len(names)) / size
        return np.asarray(values - (share * means)[group], dtype=np.float64)

    design = np.stack([freed(np.ones_like(minutes)), freed(minutes - minutes.mean())], axis=1)
    inverse = np.linalg.pinv(design.T @ design)
    rate = float((inverse @ (design.T @ freed(away)))[1])
    return DriftRate(rate, DEVIATION_WANDER_C * float(np.sqrt(inverse[1, 1])))
