"""Is the cold junction believable? An error of it appears almost one to one in every temperature.

Limits are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from analysis.check_item import CheckItem
from daq.physical import PhysicalTable

FloatArray = npt.NDArray[np.float64]

LOWEST_C, HIGHEST_C = -25.0, 70.0  # where an instrument beside an engine may be
USUAL_LOWEST_C, USUAL_HIGHEST_C = -5.0, 50.0
JUMP_C = 1.0
RATE_C_PER_MIN, RATE_OVER_S = 2.0, 30.0
MISSING_SHARE = 0.01
APART_C = 6.0
STUCK_S = 600.0


def check_cold_junctions(table: PhysicalTable) -> Iterator[CheckItem]:
    """Each cold-junction column: present, plausible, steady, not stuck; several beside each other."""
    columns: dict[str, FloatArray] = {}
    for probe in table.setup.probe:
        if probe.cold_junction is not None:
            column = table.cold_junction_C[:, table.cylinders.index(probe.cylinder)]
            columns.setdefault(probe.cold_junction, column)
    for name, values in columns.items():
        yield _one(name, values, table.time_s)
    middles = {
        name: float(np.nanmedian(values)) for name, values in columns.items() if np.isfinite(values).any()
    }
    if len(middles) > 1:
        low, high = min(middles, key=middles.__getitem__), max(middles, key=middles.__getitem__)
        if middles[high] - middles[low] > APART_C:
            text = f"{high} reads {middles[high] - middles[low]:.1f} °C more than {low}."
            action = "Unless one instrument sits in a warmer place, one of the two sensors is wrong."
            yield CheckItem(high, "cold junction", "warning", text, action)


def _one(name: str, values: FloatArray, time_s: FloatArray) -> CheckItem:
    present = np.isfinite(values)
    missing = 1.0 - float(np.mean(present)) if values.size else 1.0
    sensor = (
        "Check the sensor, its wires and its unit in the setup; without it no voltage becomes a temperature."
    )
    if missing > MISSING_SHARE:
        text = f"{name} gives no temperature in {100 * missing:.1f} % of the samples."
        return CheckItem(name, "cold junction", "fault", text, sensor)
    known, times = values[present], time_s[present]
    middle = float(np.median(known))
    if not LOWEST_C <= middle <= HIGHEST_C:
        text = f"{name} reads {middle:.0f} °C, which no place for an instrument is."
        return CheckItem(name, "cold junction", "fault", text, sensor)
    jumps = int(np.count_nonzero(np.abs(np.diff(known)) > JUMP_C))
    if jumps > max(2, 0.001 * known.size):
        text = f"{name} jumps by more than {JUMP_C:.0f} °C from one sample to the next, {jumps} times."
        return CheckItem(name, "cold junction", "warning", text, "Look for a loose wire at the sensor.")
    rate = _fastest_C_per_min(known, times)
    if rate > RATE_C_PER_MIN:
        text = f"{name} changes by up to {rate:.1f} °C a minute, so the terminals are not at one temperature."
        action = "Keep the instrument and its terminals from exhaust heat, sun and draught."
        return CheckItem(name, "cold junction", "warning", text, action)
    if times[-1] - times[0] > STUCK_S and np.ptp(known) == 0.0:
        text = f"{name} has not moved from {middle:.2f} °C in {(times[-1] - times[0]) / 60:.0f} minutes."
        return CheckItem(
            name, "cold junction", "warning", text, "Warm the sensor with a hand: does it follow?"
        )
    if not USUAL_LOWEST_C <= middle <= USUAL_HIGHEST_C:
        text = f"{name} reads {middle:.0f} °C."
        return CheckItem(
            name, "cold junction", "warning", text, "Compare it with a thermometer at the terminals."
        )
    return CheckItem(name, "cold junction", "good", f"{name} reads {middle:.1f} °C and is steady.")


def _fastest_C_per_min(values: FloatArray, time_s: FloatArray) -> float:
    """The largest change over `RATE_OVER_S` [°C/min], from means of 5 s."""
    block = np.floor((time_s - time_s[0]) / 5.0)
    starts = np.flatnonzero(np.diff(block, prepend=-1.0) > 0)
    counts = np.diff(starts, append=values.size)
    means = np.add.reduceat(values, starts) / counts
    times = np.add.reduceat(time_s, starts) / counts
    later = np.searchsorted(times, times + RATE_OVER_S - 1e-6)
    inside = later < means.size
    if not inside.any():
        return 0.0
    change = means[later[inside]] - means[inside]
    minutes = (times[later[inside]] - times[inside]) / 60.0
    return float(np.max(np.abs(change) / minutes))
