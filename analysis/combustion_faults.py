"""Cylinders whose exhaust is hot or cold for another reason than mixture.

The limits are common practice, no published source, unless one is named.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.fault import Fault
from analysis.sweep import SweepEstimate

FloatArray = npt.NDArray[np.float64]

ERRATIC_FACTOR, ERRATIC_C = 3.0, 4.0
COLD_C = 15.0
HOT_WITHOUT_SHIFT_C = 30.0  # three times the heat that healthy cylinders differ by


def misfires(blocks: Blocks, holds: list[tuple[int, int]], cylinders: tuple[int, ...]) -> dict[int, Fault]:
    """Cylinders that are colder than the others and wander far more than they do, while conditions are held."""
    faults: dict[int, Fault] = {}
    columns = blocks.columns(cylinders)
    scatters, levels, sizes = [], [], []
    for start, stop in holds:
        egt = blocks.egt_C[start:stop, columns]
        egt = egt[np.isfinite(egt).all(axis=1)]
        if len(egt) < 12 or len(columns) < 3:
            continue
        away = egt - np.median(egt, axis=1, keepdims=True)
        time = np.linspace(-1.0, 1.0, len(away))
        basis, _ = np.linalg.qr(np.stack([np.ones_like(time), time], axis=1))
        scatters.append((away - basis @ (basis.T @ away)).std(axis=0))
        levels.append(away.mean(axis=0))
        sizes.append(len(egt))
    if not sizes:
        return faults
    scatter = np.average(np.array(scatters), axis=0, weights=sizes)
    level = np.average(np.array(levels), axis=0, weights=sizes)
    for i, cylinder in enumerate(cylinders):
        usual = float(np.median(np.delete(scatter, i)))
        if scatter[i] > max(ERRATIC_FACTOR * usual, ERRATIC_C) and level[i] < -COLD_C:
            faults[cylinder] = Fault(
                cylinder,
                "combustion-fault",
                "misfire",
                f"cylinder {cylinder} is {-level[i]:.0f} °C colder than its neighbours and wanders by "
                f"±{scatter[i]:.0f} °C where they wander by ±{usual:.0f} °C: it misfires; its unburnt oxygen makes the "
                "bank's lambda read lean",
            )
    return faults


def hot_without_shift(estimate: SweepEstimate) -> dict[int, Fault]:
    """Cylinders far hotter or colder than their neighbours although the sweep shows like mixture."""
    faults: dict[int, Fault] = {}
    height = estimate.fit.height_C
    for i, cylinder in enumerate(estimate.cylinders):
        above = float(height[i] - np.median(np.delete(height, i))) if len(height) > 2 else 0.0
        if abs(above) <= HOT_WITHOUT_SHIFT_C:
            continue
        what = (
            f"cylinder {cylinder} is {above:.0f} °C hotter than its neighbours at the same mixture (its curve is "
            "higher, not shifted): late ignition, a leaking exhaust valve, or a probe that sits nearer to the port"
            if above > 0
            else f"cylinder {cylinder} is {-above:.0f} °C colder than its neighbours at the same mixture (its curve is "
            "lower, not shifted): weak or incomplete combustion, an air leak before the probe, or a probe that sits "
            "less deep"
        )
        faults[cylinder] = Fault(cylinder, "combustion-fault", "hot" if above > 0 else "cold", what)
    return faults
