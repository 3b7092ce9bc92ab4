"""A bank in its steady holds: deviation, side of the peak and slope at each operating region."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.conditions import Span
from analysis.deviation import Deviation, deviation_budget, deviations, heat_line
from analysis.mixture_path import Part
from analysis.operating_regions import HEAT_CHANGE_U_C
from analysis.pulls import pull_deviation
from analysis.result import RegionOffset, Side
from analysis.session_view import SessionView
from analysis.slope import Slope, combined, prior_slope, side_by_slope, side_of, slope_from_holds
from analysis.sweep import SweepEstimate
from analysis.uncertainty import combined_u, expanded_u95

FloatArray = npt.NDArray[np.float64]

OTHER_POINT_SLOPE_U = 0.3  # a slope measured at one speed and load, used at another


@dataclass(frozen=True)
class Hold:
    """A bank's deviation at one operating region with the slope that holds there."""

    region: tuple[Span, ...]
    deviation: Deviation
    side: Side | None
    slope: Slope | None

    @property
    def telling(self) -> bool:
        """Whether a deviation here can be read as an offset."""
        return self.slope is not None and self.slope.telling


def find_holds(
    view: SessionView, name: str, cylinders: tuple[int, ...], sweep: SweepEstimate | None
) -> list[Hold]:
    """The bank's holds, one per operating region with a steady part; where none tells, its pulls too (region ())."""
    holds = []
    for region in view.regions:
        steady = [part for part in view.parts_of(region) if part.kind == "steady"]
        if not steady:
            continue
        points = np.concatenate([np.arange(p.start, p.stop) for p in steady])
        deviation = deviations(view.blocks, points, name, cylinders)
        if deviation is not None:
            several = _slope_of_parts(view, steady, name, cylinders)
            side, slope = _side_and_slope(deviation, sweep, several)
            holds.append(Hold(region, deviation, side, slope))
    if sweep is None and not any(hold.telling for hold in holds):
        deviation = pull_deviation(view.blocks, name, view.lags[name].of(cylinders))
        if deviation is not None:
            holds.append(Hold((), deviation, *_side_and_slope(deviation, None, None)))
    return holds


def best_hold(holds: list[Hold]) -> Hold | None:
    """The longest hold whose slope tells; else the longest one."""
    telling = [h for h in holds if h.telling]
    return max(telling or holds, key=lambda h: h.deviation.duration_s, default=None)


def _slope_of_parts(
    view: SessionView, steady: list[Part], name: str, cylinders: tuple[int, ...]
) -> Slope | None:
    """The slope that one region's holds at several mixtures show by themselves."""
    x, egt = view.blocks.ln_phi.get(name), view.blocks.egt_C[:, view.blocks.columns(cylinders)]
    if x is None:
        return None
    mixtures = np.array([x[p.start : p.stop].mean() for p in steady])
    levels = np.array([egt[p.start : p.stop].mean() for p in steady])
    known = np.isfinite(mixtures) & np.isfinite(levels)
    return slope_from_holds(mixtures[known], levels[known])


def _side_and_slope(
    deviation: Deviation, sweep: SweepEstimate | None, several: Slope | None
) -> tuple[Side | None, Slope | None]:
    """From this engine's own sweep where it covers that mixture, else by lambda, several holds and the prior."""
    if not np.isfinite(deviation.lambda_mean):
        return None, None
    if sweep is not None:
        x = -float(np.log(deviation.lambda_mean))
        seen = sweep.fit.data.x
        if seen.min() <= x <= seen.max():
            value, u = sweep.fit.slope_at(x)
            slope = Slope(
                -value, float(np.hypot(u, OTHER_POINT_SLOPE_U * value)), "measured in this session's sweep"
            )
            return side_by_slope(slope), slope
    side = side_of(deviation.lambda_mean)
    if several is None:
        return side, prior_slope(side)
    slope = combined(several, prior_slope(side))
    return side_by_slope(slope), slope


def region_offsets(
    view: SessionView, holds: list[Hold], sweep: SweepEstimate | None
) -> tuple[RegionOffset, ...]:
    """Every cylinder at every region: its deviation, and the offset it means there."""
    found = []
    for hold in holds:
        if not hold.region:
            continue
        for i, cylinder in enumerate(hold.deviation.cylinders):
            offset, u95 = _offset_here(view, hold, i, sweep)
            found.append(
                RegionOffset(
                    region=_name(hold.region[0], view.table.setup.conditions.load_unit),
                    rpm=hold.region[0].rpm,
                    load=hold.region[0].load,
                    injector_ms=_pulse_width_ms(view, hold),
                    cylinder=cylinder,
                    egt_deviation_C=float(hold.deviation.deviation_C[i]),
                    egt_deviation_u95_C=expanded_u95(deviation_budget(hold.deviation, view.table.setup, i)),
                    fuel_offset_percent=offset,
                    fuel_offset_u95_percent=u95,
                    noise_u_C=float(hold.deviation.noise_u_C[i]),
                    lambda_mean=hold.deviation.lambda_mean
                    if np.isfinite(hold.deviation.lambda_mean)
                    else None,
                )
            )
    return tuple(found)


def _name(span: Span, load_unit: str) -> str:
    parts = [
        "" if span.rpm is None else f"{span.rpm:.0f} rpm",
        "" if span.load is None else f"load {span.load:.0f} {load_unit}".rstrip(),
    ]
    return " · ".join(part for part in parts if part) or "all of the session"


def _pulse_width_ms(view: SessionView, hold: Hold) -> float | None:
    width = view.blocks.injector_ms
    if width is None:
        return None
    values = np.concatenate([width[span.start : span.stop] for span in hold.region])
    return float(np.nanmean(values)) if np.isfinite(values).any() else None


def _offset_here(
    view: SessionView, hold: Hold, index: int, sweep: SweepEstimate | None
) -> tuple[float | None, float | None]:
    """Offset and expanded uncertainty [%] at a hold: a sweep takes the cylinder's own heat and probe off first."""
    if hold.slope is None or not hold.telling:
        return None, None
    cylinder = hold.deviation.cylinders[index]
    value = float(hold.deviation.deviation_C[index])
    if sweep is not None and cylinder in sweep.cylinders:
        own = _own_heat_C(sweep, hold)
        value -= own[cylinder] - float(np.mean([own.get(c, 0.0) for c in hold.deviation.cylinders]))
        u_C = float(np.hypot(hold.deviation.noise_u_C[index], HEAT_CHANGE_U_C))
    else:
        lines = deviation_budget(hold.deviation, view.table.setup, index)
        u_C = combined_u((*lines, heat_line(hold.deviation, view.table.setup)))
    slope = hold.slope
    offset = -value / slope.C_per_percent
    return offset, 2.0 * float(np.hypot(u_C, offset * slope.u_C_per_percent) / abs(slope.C_per_percent))


def _own_heat_C(sweep: SweepEstimate, hold: Hold) -> dict[int, float]:
    """What each cylinder's curve lies above the bank's at the hold's mixture without being shifted [°C]."""
    fit = sweep.fit
    seen = fit.data.x
    x = float(np.clip(-np.log(hold.deviation.lambda_mean), seen.min(), seen.max()))
    shape = float((fit.basis.values(np.array([x])) @ fit.curve)[0] - fit.curve.mean())
    return {c: float(fit.height_C[i] + (fit.gain[i] - 1.0) * shape) for i, c in enumerate(sweep.cylinders)}
