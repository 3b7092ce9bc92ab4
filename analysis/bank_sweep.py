"""One bank's sweep: at the region that tells its offsets best, without probes that drift, one sweep against another."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.combustion_faults import hot_without_shift
from analysis.deviation import probe_half_width_C
from analysis.fault import Fault
from analysis.probe_faults import (
    DRIFT_CERTAIN,
    DRIFT_CERTAIN_BY_HOLDS,
    DRIFT_CERTAIN_WHEN_HOT,
    UNKNOWN_DRIFT,
    DriftRate,
    drifting,
)
from analysis.session_view import SessionView
from analysis.sweep import RANGE_MIN, SweepEstimate, estimate_sweep, mixture_range, sweep_data, usable_points
from daq.tolerance import rectangular_standard_uncertainty

IntArray = npt.NDArray[np.int64]

BEND_CERTAIN = 6.0  # standard deviations: below it the bends of the noise pass for the curve's own
PASSES_APART_S = 60.0  # a sweep back follows at once, another sweep of the session later
MOVING_S = 30.0
MOVING = 0.01  # ln(fuel) within MOVING_S: more than any hold wanders, a seventh of a usual sweep's pace
CHANGE_CERTAIN = 3.0  # standard deviations: eight cylinders are compared
NEARLY_WIDEST = 0.7  # of the widest sweep's mixture range: a narrower one bends less and tells less
MOST_TRIES = 3  # where none of so many bends, more of the same would only take longer


@dataclass(frozen=True)
class BankSweep:
    """What a bank's sweeps say.

    estimate: the best one whose curve bends, None without any; where a cylinder's mixture changed between two sweeps
    the last of them, since a mean would be true of neither. flank: the best one without a bend, if there is no other:
    it tells how steep the curve is, not who is shifted. changed: cylinder -> sentence, whose mixture changed from
    one sweep to another. drifted: probes that were taken out because they drift.
    """

    estimate: SweepEstimate | None = None
    flank: SweepEstimate | None = None
    changed: dict[int, str] = field(default_factory=dict)
    drifted: dict[int, Fault] = field(default_factory=dict)

    @property
    def curve(self) -> SweepEstimate | None:
        """The sweep that tells this engine's slope."""
        return self.estimate or self.flank


def bank_sweep(view: SessionView, name: str, broken: Mapping[int, object]) -> BankSweep:
    """The best sweep, with the worst drifting probe taken out and the rest fitted again until none drifts."""
    points = [usable_points(view.blocks, list(region), name, view.settle_s) for region in view.regions]
    swept = [passes(view.blocks, p, name) for p in points if len(p)]
    drifted: dict[int, Fault] = {}
    while True:
        sound = tuple(c for c in view.lags[name].cylinders if c not in broken and c not in drifted)
        bent, flank = _sweeps(view, name, points, sound)
        best = min(bent, key=_mean_u95, default=None)
        changed, last = ({}, None) if best is None else _changed(view, name, swept, sound)
        # a cylinder that loses its fuel within minutes moves as a failing probe does, but its curve shifts too
        rates = {
            c: rate for c, rate in _drift_rates(view, name, sound, best or flank).items() if c not in changed
        }
        worst = _worst_drift(rates, best or flank)
        if worst is None:
            return BankSweep(last or best, None if bent else flank, changed, drifted)
        drifted[worst.cylinder] = worst


def _mean_u95(estimate: SweepEstimate) -> float:
    return float(np.mean(estimate.u95_percent))


def _sweeps(
    view: SessionView, name: str, points: Sequence[IntArray], cylinders: tuple[int, ...]
) -> tuple[list[SweepEstimate], SweepEstimate | None]:
    """The sweeps whose curves bend, one per operating region at most; and the best of those that do not.

    points: of each region, block numbers.
    """
    found = [e for p in points if (e := _estimate(view, name, p, cylinders)) is not None]
    bent = [e for e in found if _bends(e)]
    return bent, min((e for e in found if not _bends(e)), key=_mean_u95, default=None)


def _bends(estimate: SweepEstimate) -> bool:
    """Whether the curve's slope changes beyond doubt within the sweep: a straight line's shift looks like height."""
    bend, u = estimate.fit.bend()
    return abs(bend) > BEND_CERTAIN * u


def _estimate(
    view: SessionView, name: str, points: IntArray, cylinders: tuple[int, ...]
) -> SweepEstimate | None:
    """The offsets of `cylinders` from the blocks `points`; None where their mixture range is too narrow."""
    if len(cylinders) < 2 or mixture_range(view.blocks, points, name) < RANGE_MIN:
        return None
    setup = view.table.setup
    level_C = float(np.nanmean(view.blocks.egt_C[points]))
    half_width_C = max(probe_half_width_C(setup, c, level_C) for c in cylinders)
    height_u_C = float(
        np.hypot(1.5 * setup.assumptions.heat_u_C, rectangular_standard_uncertainty(half_width_C))
    )
    data = sweep_data(view.blocks, points, name, view.lags[name].of(cylinders), height_u_C)
    return None if data is None else estimate_sweep(data, name)


def _drift_rates(
    view: SessionView, name: str, cylinders: tuple[int, ...], sweep: SweepEstimate | None
) -> dict[int, DriftRate]:
    """Each probe's drift by its holds and, where there is one, its sweep.

    Without lambda nobody knows whether the mixture was held: uneven cylinders move apart when it is not.
    """
    if name not in view.blocks.ln_phi:
        return {}
    rates = {c: view.drifts.get(c, UNKNOWN_DRIFT) for c in cylinders}
    if sweep is not None:
        for i, c in enumerate(sweep.cylinders):
            rates[c] = rates[c].and_also(
                DriftRate(float(sweep.fit.drift_C_per_min[i]), float(sweep.fit.drift_u_C_per_min[i]))
            )
    return rates


def _worst_drift(rates: Mapping[int, DriftRate], sweep: SweepEstimate | None) -> Fault | None:
    """The most certain of the drifting probes, None where none drifts."""
    hot = hot_without_shift(sweep) if sweep is not None else {}
    usual = DRIFT_CERTAIN_BY_HOLDS if sweep is None else DRIFT_CERTAIN
    found = {
        c: fault
        for c, rate in rates.items()
        if (fault := drifting(c, rate, DRIFT_CERTAIN_WHEN_HOT if c in hot else usual)) is not None
    }
    worst = max(found, key=lambda c: abs(rates[c].C_per_min) / rates[c].u_C_per_min, default=None)
    return None if worst is None else found[worst]


def _changed(
    view: SessionView, name: str, swept: Sequence[Sequence[IntArray]], cylinders: tuple[int, ...]
) -> tuple[dict[int, str], SweepEstimate | None]:
    """Whose mixture changed between a region's first sweep and its last, and that last one; ({}, None) if nobody's.

    swept: of each region, its sweeps in order. Only the first and the last wide ones that bend are fitted, for a fit
    is most of an analysis. What both sweeps share (the sensor's slope, the probes' lags) cancels in part, so their
    difference is known rather better than is assumed here.
    """
    for sweeps in swept:
        ranges = [mixture_range(view.blocks, points, name) for points in sweeps]
        wide = [p for p, r in zip(sweeps, ranges, strict=True) if r >= NEARLY_WIDEST * max(ranges)]
        if len(wide) < 2:
            continue
        first = _first_bent(view, name, wide[:MOST_TRIES], cylinders)
        if first is None:
            continue
        last = _first_bent(view, name, wide[: -MOST_TRIES - 1 : -1], cylinders)
        if last is not None and (sentences := changes(first, last, view.table.setup.trims.threshold_percent)):
            return sentences, last
    return {}, None


def _first_bent(
    view: SessionView, name: str, sweeps: Sequence[IntArray], cylinders: tuple[int, ...]
) -> SweepEstimate | None:
    """The first of `sweeps` whose curve bends, None if none does."""
    found = (_estimate(view, name, points, cylinders) for points in sweeps)
    return next((e for e in found if e is not None and _bends(e)), None)


def passes(blocks: Blocks, points: IntArray, name: str) -> list[IntArray]:
    """The sweeps among `points` (block numbers of one operating region), in order: what lies PASSES_APART_S apart.

    A block belongs to a sweep where the mixture's mean of MOVING_S after it differs from that before it. Pieces whose
    mixture hardly varied are no sweeps and left out.
    """
    x, half = blocks.ln_phi[name][points], round(MOVING_S / blocks.length_s)
    total = np.concatenate([[0.0], np.cumsum(x)])
    at = np.arange(len(x))
    before, after = np.maximum(at - half, 0), np.minimum(at + half, len(x))
    with np.errstate(invalid="ignore"):
        change = (total[after] - total[at]) / (after - at) - (total[at] - total[before]) / (at - before)
    moving = points[np.abs(np.nan_to_num(change)) >= MOVING]
    cuts = np.flatnonzero(np.diff(moving) * blocks.length_s > PASSES_APART_S) + 1
    edges = [0, *cuts.tolist(), len(moving)]
    pieces = [moving[a:b] for a, b in itertools.pairwise(edges)]
    return [piece for piece in pieces if mixture_range(blocks, piece, name) >= RANGE_MIN]


def changes(first: SweepEstimate, last: SweepEstimate, threshold_percent: float) -> dict[int, str]:
    """Cylinder -> plain sentence, for those whose offset differs between two sweeps beyond doubt.

    One that changes moves its bank's mean and so all the others' offsets: each is compared with the bank's median.
    threshold_percent: the smallest difference worth speaking of [% fuel per air]. Both must be of the same cylinders.
    """
    moved = last.offset_percent - first.offset_percent
    moved = moved - np.median(moved)
    sentences = {}
    for i, cylinder in enumerate(last.cylinders):
        early, late = float(first.offset_percent[i]), float(last.offset_percent[i])
        early_u95, late_u95 = float(first.u95_percent[i]), float(last.u95_percent[i])
        doubt = CHANGE_CERTAIN * float(np.hypot(early_u95, late_u95)) / 2.0
        if abs(moved[i]) < max(threshold_percent, doubt):
            continue
        sentences[cylinder] = (
            f"cylinder {cylinder}'s mixture changed within the session: {early:+.1f} ± {early_u95:.1f} % in the sweep "
            f"at {_minute(first):.0f} min, {late:+.1f} ± {late_u95:.1f} % in the one at {_minute(last):.0f} min (the "
            "finding is of the last one): heat at its fuel line or rail, an injector that sticks when warm, or "
            "something altered in between"
        )
    return sentences


def _minute(estimate: SweepEstimate) -> float:
    return float(estimate.fit.data.time_s.mean()) / 60.0
