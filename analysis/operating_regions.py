"""How a cylinder's offset changes with the operating point: uneven air, or an injector's dead time.

A probe's error and a port's own heat are the same in every region, so they cancel between regions. Where a sweep told
the offsets at one region, what is left of each deviation there is the cylinder's own heat, and the other regions'
offsets follow from theirs. An injector with a longer dead time loses the same milliseconds of every pulse:

    offset(w) = flow - 100·dead_time / w                                                                  (1)

with w the pulse width; uneven air follows speed or load instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.result import RegionOffset
from analysis.uncertainty import coverage_factor

FloatArray = npt.NDArray[np.float64]

HEAT_CHANGE_U_C = (
    4.0  # a port's own heat from one operating point to another; common practice, no published source
)
CERTAIN = 2.6  # standard deviations: one in a hundred by chance
WIDTH_RANGE = 1.3  # longest over shortest pulse below which flow and dead time look alike
WORTH_PERCENT = 1.5
# Between injectors of one set; beyond that Eq. (1) has fitted something else. Common practice, no published source.
LARGEST_DEAD_MS, LARGEST_FLOW_PERCENT = 0.4, 10.0


@dataclass(frozen=True)
class RegionDependence:
    """What changes with the operating point for one cylinder.

    sentence: in plain words. flow_percent, dead_time_ms and its expanded uncertainty: of Eq. (1), where pulse width
    explains the change, else None.
    """

    cylinder: int
    sentence: str
    flow_percent: float | None = None
    dead_time_ms: float | None = None
    dead_time_u95_ms: float | None = None


def region_dependence(cylinder: int, offsets: Sequence[RegionOffset]) -> RegionDependence | None:
    """Whether `offsets` (one cylinder, several regions, each against the same region) differ beyond doubt."""
    known = [o for o in offsets if o.fuel_offset_percent is not None and o.fuel_offset_u95_percent]
    if len(known) < 2:
        return None
    value = np.array([o.fuel_offset_percent for o in known], dtype=float)
    u = np.array([o.fuel_offset_u95_percent for o in known], dtype=float) / 2.0
    low, high = int(np.argmin(value)), int(np.argmax(value))
    difference = value[high] - value[low]
    if difference < WORTH_PERCENT or difference < CERTAIN * float(np.hypot(u[high], u[low])):
        return None
    by_width = _by_pulse_width(cylinder, known, value, u)
    if by_width is not None:
        return by_width
    return RegionDependence(
        cylinder,
        f"cylinder {cylinder}'s mixture changes with the operating point: {value[low]:+.1f} % at {known[low].region}, "
        f"{value[high]:+.1f} % at {known[high].region}: uneven air, so trim it per region",
    )


def _by_pulse_width(
    cylinder: int, known: Sequence[RegionOffset], value: FloatArray, u: FloatArray
) -> RegionDependence | None:
    """Fit Eq. (1) by weighted least squares; None where it does not explain the change."""
    widths = [o.injector_ms for o in known]
    if any(w is None or not w > 0 for w in widths) or len(known) < 3:
        return None
    width = np.array(widths, dtype=float)
    if width.max() < WIDTH_RANGE * width.min():
        return None
    design = np.stack([np.ones_like(width), -100.0 / width], axis=1) / u[:, None]
    covariance = np.linalg.inv(design.T @ design)
    flow, dead_ms = covariance @ design.T @ (value / u)
    left = value / u - design @ np.array([flow, dead_ms])
    if abs(dead_ms) < CERTAIN * np.sqrt(covariance[1, 1]) or float(left @ left) > 6.0 * (len(known) - 2):
        return None
    if abs(dead_ms) > LARGEST_DEAD_MS or abs(flow) > LARGEST_FLOW_PERCENT:
        return None
    u95 = coverage_factor(np.inf) * float(np.sqrt(covariance[1, 1]))
    return RegionDependence(
        cylinder,
        f"cylinder {cylinder}'s offset follows the injector's pulse width as a dead time of {dead_ms:+.3f} ± {u95:.3f} "
        f"ms would make it, beside {flow:+.1f} % of flow",
        float(flow),
        float(dead_ms),
        u95,
    )
