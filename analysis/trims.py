"""One trim step: bounded least squares that evens out a bank's mixture and leaves its mean fuel unchanged.

Small steps, because the offsets are known only so well and because a mistake on the lean side holes a piston: a
cylinder is leaned by at most a share of what it may be enriched by, and a cylinder whose finding is not certain is
touched only as far as keeping the bank's mean needs it, never away from even.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import lsq_linear

from analysis.result import (
    FAULTS,
    Balance,
    BankBalance,
    CylinderBalance,
    CylinderTrim,
    RegionTrim,
    Trims,
)
from daq.setupfile import TrimLimits

FloatArray = npt.NDArray[np.float64]

KEEP_MEAN_WEIGHT = 1e3  # stiff enough that the bank's mean moves by less than 0.001 %
SMALLEST_TRIM = 0.05  # %: below what an injector's fuel can be set to

CAUTIONS = (
    "A trim is a proposal from measured temperatures, not a setting proved safe. Whoever sets it answers for it; local "
    "codes and qualified practice come first.",
    "Enrich the lean cylinders first. Apply one step, log again at moderate load, and compare before the next step.",
    "Never lean a cylinder at full load on the strength of a moderate-load sweep alone; watch knock and temperature "
    "limits. This program is no engine protection.",
    "The exhaust, the probes and the dyno cell are hot and the engine turns: keep clear, ventilate, fire extinguisher "
    "at hand.",
)


def propose_trims(balance: Balance, limits: TrimLimits) -> Trims:
    """One step for every cylinder of `balance` within `limits` (the setup's own are `table.setup.trims`)."""
    steps: list[CylinderTrim] = []
    before: dict[str, float | None] = {}
    after: dict[str, float | None] = {}
    after_u95: dict[str, float | None] = {}
    for bank in balance.banks:
        entries = [c for c in balance.cylinders if c.bank == bank.bank]
        proposed = _moved_to_target(_bank_step(entries, limits), entries, bank, limits)
        # what all cylinders get is the bank's own move, and no deviation or offset within it
        shared = mean_fuel_step_percent(proposed, entries)
        trims = [_cylinder_trim(e, t, shared, bank, limits) for e, t in zip(entries, proposed, strict=True)]
        steps += trims
        before[bank.bank] = bank.spread_C
        after[bank.bank], after_u95[bank.bank] = _predicted_spread(trims)
    return Trims(
        balance=balance,
        cylinders=tuple(steps),
        step_percent=limits.step_percent,
        leaning_share=limits.leaning_share,
        threshold_percent=limits.threshold_percent,
        spread_before_C=before,
        spread_after_C=after,
        spread_after_u95_C=after_u95,
        cautions=(*_cautions_of_change(balance), *CAUTIONS),
        regions=_region_trims(balance, limits),
        lambda_target=limits.lambda_target,
    )


def _cautions_of_change(balance: Balance) -> tuple[str, ...]:
    return tuple(
        f"Cylinder {c.cylinder}'s mixture changed within the session: a trim for how it ended is wrong for how it "
        "began. Find the cause first."
        for c in balance.cylinders
        if c.changed_in_session
    )


def solve_step(
    offset_percent: FloatArray, certain: npt.NDArray[np.bool_], limits: TrimLimits, keep_mean: bool = True
) -> FloatArray:
    """Trims [%] for one bank's cylinders with known offsets.

    Least squares: certain cylinders are to end even, uncertain ones to stay untouched, and the bank's mean fuel
    stays (its row weighs KEEP_MEAN_WEIGHT). Bounds: [-step·leaning_share, step], and only towards even,
    never beyond it. offset_percent, certain: (n,). Returns (n,).

    >>> offsets, certain = np.array([-4.0, 2.0, 1.5, 0.5]), np.array([True, True, True, False])
    >>> solve_step(offsets, certain, TrimLimits(step_percent=3.0, leaning_share=0.5)).round(1)
    array([ 3. , -1.5, -1.3,  0. ])
    """
    # after the trim a cylinder's fuel is (1 + offset)·(1 + trim)
    fuel = 1.0 + offset_percent / 100.0
    even = -offset_percent / fuel
    low = np.clip(even, -limits.step_percent * limits.leaning_share, 0.0)
    high = np.clip(even, 0.0, limits.step_percent)
    rows = np.diag(np.where(certain, fuel, 1.0))
    target = np.where(certain, -offset_percent, 0.0)
    if keep_mean:
        rows, target = np.vstack([rows, KEEP_MEAN_WEIGHT * fuel]), np.append(target, 0.0)
    solution = lsq_linear(rows, target, bounds=(low - 1e-9, high + 1e-9))
    return np.asarray(np.clip(solution.x, low, high), dtype=np.float64)


def _bank_step(entries: list[CylinderBalance], limits: TrimLimits) -> list[float | None]:
    """Trims of one bank, None for a cylinder that gets none because it cannot be judged."""
    judged = [
        e for e in entries if e.finding in ("even", "lean", "rich") and e.fuel_offset_percent is not None
    ]
    known = {e.cylinder: i for i, e in enumerate(judged)}
    result: list[float | None] = [0.0 if e.cylinder in known else None for e in entries]
    certain = np.array([_certain(e, limits) for e in judged], dtype=bool)
    if not certain.any():
        return result
    # even means even with all that burn as they should, also with those whose own offset is not certain
    sound = [e for e in entries if e.finding not in FAULTS and e.fuel_offset_percent is not None]
    offset = np.array([_flow_offset(e) for e in judged]) - np.mean([_flow_offset(e) for e in sound])
    step = solve_step(offset, certain, limits)
    lean = certain & (offset < 0)
    short = step < np.clip(-offset, None, limits.step_percent) - limits.threshold_percent
    nobody_gives = bool(lean.any()) and bool(np.all(step[lean] < SMALLEST_TRIM))
    if nobody_gives or (len(sound) > len(judged) and np.any(lean & short)):
        # those who could give fuel up cannot be judged: a lean cylinder is still enriched, the bank's mean rises
        lean_only = solve_step(offset, certain, limits, keep_mean=False)
        step = np.where(lean, lean_only, step)
    step = np.where(np.abs(step) < SMALLEST_TRIM, 0.0, step)
    return [float(step[known[e.cylinder]]) if e.cylinder in known else None for e in entries]


def _moved_to_target(
    steps: list[float | None], entries: list[CylinderBalance], bank: BankBalance, limits: TrimLimits
) -> list[float | None]:
    """The whole bank's fuel moved towards the lambda target, as far as one step may go; a fault stays untouched."""
    if limits.lambda_target is None or bank.lambda_mean is None:
        return steps
    leaned = -limits.step_percent * limits.leaning_share
    move = float(
        np.clip(100.0 * (bank.lambda_mean / limits.lambda_target - 1.0), leaned, limits.step_percent)
    )
    moved: list[float | None] = []
    for step, entry in zip(steps, entries, strict=True):
        both = 100.0 * ((1.0 + (step or 0.0) / 100.0) * (1.0 + move / 100.0) - 1.0)
        moved.append(None if entry.finding in FAULTS else float(np.clip(both, leaned, limits.step_percent)))
    return moved


def _region_trims(balance: Balance, limits: TrimLimits) -> tuple[RegionTrim, ...]:
    """Steps by region for the cylinders whose offset changes with the operating point."""
    changing = {c.cylinder for c in balance.cylinders if c.depends_on_region and c.finding not in FAULTS}
    found = []
    for r in balance.regions:
        offset, u95 = r.fuel_offset_percent, r.fuel_offset_u95_percent
        if r.cylinder not in changing or offset is None or u95 is None:
            continue
        certain = abs(offset) > u95 and abs(offset) >= limits.threshold_percent
        step = float(np.clip(-offset, -limits.step_percent * limits.leaning_share, limits.step_percent))
        found.append(RegionTrim(r.region, r.rpm, r.load, r.cylinder, offset, u95, step if certain else 0.0))
    return tuple(found)


def mean_fuel_step_percent(steps: Sequence[float | None], entries: Sequence[CylinderBalance]) -> float:
    """What a bank's steps [%] change in its mean fuel: their mean, each weighted by the fuel it acts on.

    steps, entries: one per cylinder in the same order; None where there is no step.
    """
    known = [
        (s, 1.0 + (e.fuel_offset_percent or 0.0) / 100.0)
        for s, e in zip(steps, entries, strict=True)
        if s is not None
    ]
    fuel = sum(f for _, f in known)
    return sum(s * f for s, f in known) / fuel if fuel else 0.0


def _flow_offset(entry: CylinderBalance) -> float:
    """The part of the offset that a factor on the fuel mends; what a dead time makes is mended in milliseconds."""
    own = entry.fuel_offset_percent if entry.flow_offset_percent is None else entry.flow_offset_percent
    return float(own or 0.0)


def _certain(entry: CylinderBalance, limits: TrimLimits) -> bool:
    offset = abs(entry.fuel_offset_percent or 0.0)
    return entry.finding in ("lean", "rich") and offset >= limits.threshold_percent


def _cylinder_trim(
    entry: CylinderBalance, trim: float | None, shared: float, bank: BankBalance, limits: TrimLimits
) -> CylinderTrim:
    offset = entry.fuel_offset_percent
    left = None
    if trim is not None and offset is not None:
        left = 100.0 * ((1.0 + offset / 100.0) * (1.0 + trim / 100.0) / (1.0 + shared / 100.0) - 1.0)
    deviation, u95 = _predicted_deviation(entry, None if trim is None else trim - shared, bank)
    return CylinderTrim(
        cylinder=entry.cylinder,
        bank=entry.bank,
        trim_percent=trim,
        trim_ms=None if trim is None else entry.dead_time_ms,
        predicted_offset_percent=left,
        predicted_deviation_C=deviation,
        predicted_deviation_u95_C=u95,
        reason=_reason(entry, trim, left, limits),
    )


def _predicted_deviation(
    entry: CylinderBalance, trim: float | None, bank: BankBalance
) -> tuple[float | None, float | None]:
    """More fuel than its bank (`trim` [%]) moves EGT by -slope per %, on the side of the peak where the bank ran."""
    if trim is None or entry.egt_deviation_C is None:
        return None, None
    if abs(trim) < SMALLEST_TRIM:
        return entry.egt_deviation_C, entry.egt_deviation_u95_C
    if bank.slope_C_per_percent is None:
        return None, None
    moved = entry.egt_deviation_C - bank.slope_C_per_percent * trim
    slope_u95 = bank.slope_u95_C_per_percent or 0.0
    return moved, float(np.hypot(entry.egt_deviation_u95_C or 0.0, slope_u95 * trim))


def _predicted_spread(trims: list[CylinderTrim]) -> tuple[float | None, float | None]:
    known = [
        (t.predicted_deviation_C, t.predicted_deviation_u95_C or 0.0)
        for t in trims
        if t.predicted_deviation_C is not None
    ]
    if len(known) < 2:
        return None, None
    hottest, coldest = max(known), min(known)
    return hottest[0] - coldest[0], float(np.hypot(hottest[1], coldest[1]))


def _reason(entry: CylinderBalance, trim: float | None, left: float | None, limits: TrimLimits) -> str:
    if entry.finding in FAULTS:
        return "no trim: mend the fault first"
    if trim is None:
        return "no trim: its mixture cannot be told from this session"
    if limits.lambda_target is not None:
        target = f"lambda {limits.lambda_target:.2f}"
        return f"evened out and moved with its bank towards {target}, as far as one step may go"
    if trim == 0.0:
        return "no trim: even, or not different enough to be worth one"
    if not _certain(entry, limits):
        return "takes its share of what keeps the bank's mean fuel unchanged"
    assert left is not None
    leaned = limits.step_percent * limits.leaning_share
    stopped = trim >= limits.step_percent - SMALLEST_TRIM or trim <= -leaned + SMALLEST_TRIM
    if abs(left) <= (SMALLEST_TRIM if stopped else max(entry.fuel_offset_u95_percent or 0.0, SMALLEST_TRIM)):
        return "brings it to its bank's mean"
    if trim >= limits.step_percent - SMALLEST_TRIM:
        return f"first step of at most {limits.step_percent:.1f} %; {left:+.1f} % remain for the next"
    if not stopped:
        return f"as far as the other cylinders' limits let the bank's mean stay; {left:+.1f} % remain for the next"
    return f"leaned by at most {leaned:.1f} % in one step; {left:+.1f} % remain for the next"
