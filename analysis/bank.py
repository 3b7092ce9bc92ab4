"""One bank's judgement: its sweep if the mixture moved, its holds if not, and what cannot be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis import findings
from analysis.combustion_faults import CombustionFault, hot_without_shift
from analysis.deviation import deviation_budget, heat_line
from analysis.holds import Hold, best_hold, find_holds, region_offsets
from analysis.operating_regions import region_dependence
from analysis.probe_faults import (
    DRIFT_CERTAIN,
    DRIFT_CERTAIN_BY_HOLDS,
    DRIFT_CERTAIN_WHEN_HOT,
    UNKNOWN_DRIFT,
    DriftRate,
    ProbeFault,
    drifting,
)
from analysis.result import BankBalance, CylinderBalance, Finding, Method, RegionOffset, Side, SweepCurves
from analysis.session_view import SessionView
from analysis.sweep import (
    RANGE_MIN,
    SweepEstimate,
    curves,
    estimate_sweep,
    mixture_range,
    sweep_data,
    usable_points,
)
from analysis.uncertainty import budget_line, combined_u, expanded_u95

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class BankJudgement:
    """Everything the result holds of one bank; used: runs of blocks [start, stop) that it rests on."""

    bank: BankBalance
    cylinders: tuple[CylinderBalance, ...]
    method: Method | None
    sweeps: tuple[SweepCurves, ...]
    regions: tuple[RegionOffset, ...]
    next_steps: tuple[str, ...]
    used: tuple[tuple[int, int], ...]


def judge_bank(view: SessionView, name: str) -> BankJudgement:
    """Judge the bank `name`."""
    bank = next(b for b in view.table.setup.bank if b.name == name)
    broken: dict[int, ProbeFault | CombustionFault] = {**view.misfires, **view.probe_faults}
    sweep, drifted = _sweep_of_sound_probes(view, name, broken)
    broken.update(drifted)
    healthy = tuple(c for c in bank.cylinders if c in view.table.cylinders and c not in broken)
    hot = hot_without_shift(sweep) if sweep is not None else {}
    steady = tuple(c for c in healthy if c not in hot)
    holds = find_holds(view, name, steady if len(steady) > 1 else healthy, sweep)
    best = best_hold(holds)
    region_table = region_offsets(view, holds, sweep)
    entries = tuple(
        _with_regions(_cylinder(view, name, c, broken, hot, sweep, best, len(healthy)), region_table, sweep)
        for c in bank.cylinders
    )
    return BankJudgement(
        bank=_bank_balance(name, bank.cylinders, best, sweep),
        cylinders=entries,
        method=_method(sweep, best),
        sweeps=() if sweep is None else (curves(sweep),),
        regions=region_table,
        next_steps=_next_steps(view, name, entries, sweep, best),
        used=_used(view, sweep, best),
    )


def _method(sweep: SweepEstimate | None, best: Hold | None) -> Method | None:
    if sweep is not None:
        return "sweep"
    if best is None:
        return None
    return "steady" if best.region else "pull"


def _sweep_of_sound_probes(
    view: SessionView, name: str, broken: Mapping[int, object]
) -> tuple[SweepEstimate | None, dict[int, ProbeFault]]:
    """The best sweep, with the worst drifting probe taken out and the rest fitted again until none drifts."""
    drifted: dict[int, ProbeFault] = {}
    while True:
        sound = tuple(c for c in view.lags[name].cylinders if c not in broken and c not in drifted)
        sweep = _best_sweep(view, name, sound) if len(sound) > 1 else None
        rates = {c: view.drifts.get(c, UNKNOWN_DRIFT) for c in sound}
        if sweep is not None:
            for i, c in enumerate(sweep.cylinders):
                rates[c] = rates[c].and_also(
                    DriftRate(float(sweep.fit.drift_C_per_min[i]), float(sweep.fit.drift_u_C_per_min[i]))
                )
        hot = hot_without_shift(sweep) if sweep is not None else {}
        found = {}
        for c in sound:
            certain = DRIFT_CERTAIN_BY_HOLDS if sweep is None else DRIFT_CERTAIN
            fault = drifting(c, rates[c], DRIFT_CERTAIN_WHEN_HOT if c in hot else certain)
            if fault is not None:
                found[c] = fault
        if not found:
            return sweep, drifted
        worst = max(found, key=lambda c: abs(rates[c].C_per_min) / rates[c].u_C_per_min)
        drifted[worst] = found[worst]


def _best_sweep(view: SessionView, name: str, healthy: tuple[int, ...]) -> SweepEstimate | None:
    """The region whose mixture range tells the offsets of `healthy` best; None where none was wide enough."""
    found = []
    lags = view.lags[name]
    for region in view.regions:
        points = usable_points(view.blocks, list(region), name, view.settle_s)
        if mixture_range(view.blocks, points, name) < RANGE_MIN:
            continue
        setup = view.table.setup
        level = float(np.nanmean(view.blocks.egt_C[points]))
        tolerance = 0.0075 * level / np.sqrt(3.0)
        height_u_C = float(np.hypot(1.5 * setup.assumptions.heat_u_C, tolerance))
        data = sweep_data(view.blocks, points, name, lags.of(healthy), height_u_C)
        estimate = None if data is None or len(healthy) < 2 else estimate_sweep(data, name)
        if estimate is not None:
            found.append(estimate)
    return min(found, key=lambda e: float(np.mean(e.u95_percent)), default=None)


def _cylinder(
    view: SessionView,
    name: str,
    cylinder: int,
    broken: Mapping[int, ProbeFault | CombustionFault],
    hot: Mapping[int, CombustionFault],
    sweep: SweepEstimate | None,
    hold: Hold | None,
    n_healthy: int,
) -> CylinderBalance:
    if cylinder in broken or cylinder in hot:
        return _faulty(name, cylinder, broken, hot, sweep)
    deviation_C, deviation_u95_C = _deviation_of(view, cylinder, hold)
    nothing = _nothing_to_say(view, cylinder, sweep, hold, n_healthy)
    if nothing:
        return CylinderBalance(
            cylinder, name, deviation_C, deviation_u95_C, None, None, "undetermined", nothing
        )
    if sweep is not None and cylinder in sweep.cylinders:
        return _by_sweep(view, name, cylinder, sweep, deviation_C, deviation_u95_C)
    assert hold is not None
    return _by_hold(view, name, cylinder, hold)


def _with_regions(
    entry: CylinderBalance, offsets: tuple[RegionOffset, ...], sweep: SweepEstimate | None
) -> CylinderBalance:
    """Add what changes with the operating point; only a sweep makes regions comparable beyond the ports' own heat."""
    if sweep is None or entry.finding in ("probe-fault", "combustion-fault"):
        return entry
    found = region_dependence(entry.cylinder, [o for o in offsets if o.cylinder == entry.cylinder])
    if found is None:
        return entry
    return replace(
        entry,
        reasons=(*entry.reasons, found.sentence),
        flow_offset_percent=found.flow_percent,
        dead_time_ms=found.dead_time_ms,
        dead_time_u95_ms=found.dead_time_u95_ms,
        depends_on_region=found.dead_time_ms is None,
    )


def _faulty(
    name: str,
    cylinder: int,
    broken: Mapping[int, ProbeFault | CombustionFault],
    hot: Mapping[int, CombustionFault],
    sweep: SweepEstimate | None,
) -> CylinderBalance:
    fault = broken[cylinder] if cylinder in broken else hot[cylinder]
    finding: Finding = "probe-fault" if isinstance(fault, ProbeFault) else "combustion-fault"
    offset = u95 = None
    reason = fault.reason
    if cylinder in hot and sweep is not None:
        i = sweep.cylinders.index(cylinder)
        offset, u95 = float(sweep.offset_percent[i]), float(sweep.u95_percent[i])
        reason += f"; its mixture is {offset:+.1f} ± {u95:.1f} % of its bank's mean, so fuel is not the cure"
    return CylinderBalance(
        cylinder, name, None, None, offset, u95, finding, (reason, "no trim until this is mended")
    )


def _deviation_of(view: SessionView, cylinder: int, hold: Hold | None) -> tuple[float | None, float | None]:
    if hold is None or cylinder not in hold.deviation.cylinders:
        return None, None
    i = hold.deviation.cylinders.index(cylinder)
    lines = deviation_budget(hold.deviation, view.table.setup, i)
    return float(hold.deviation.deviation_C[i]), expanded_u95(lines)


def _nothing_to_say(
    view: SessionView, cylinder: int, sweep: SweepEstimate | None, hold: Hold | None, n_healthy: int
) -> tuple[str, ...]:
    if cylinder not in view.table.cylinders:
        return (f"cylinder {cylinder} has no probe in the setup",)
    if n_healthy < 2:
        return (findings.ALONE,)
    if sweep is not None:
        return ()
    if hold is None:
        return (findings.NOTHING_STEADY,)
    if hold.side is None:
        return (findings.NO_MIXTURE,)
    return () if hold.slope is not None and hold.slope.telling else (findings.NEAR_PEAK,)


def _by_sweep(
    view: SessionView,
    name: str,
    cylinder: int,
    sweep: SweepEstimate,
    deviation_C: float | None,
    deviation_u95_C: float | None,
) -> CylinderBalance:
    i = sweep.cylinders.index(cylinder)
    offset, u95 = float(sweep.offset_percent[i]), float(sweep.u95_percent[i])
    threshold = view.table.setup.trims.threshold_percent
    finding = findings.judge(offset, u95, threshold)
    reasons = [findings.sweep_reason(cylinder, offset, u95, threshold, finding)]
    if sweep.left_out_points:
        share = sweep.left_out_points / (sweep.left_out_points + len(sweep.fit.data.time_s))
        reasons.append(
            f"{100 * share:.0f} % of the sweep was left out: something jumped there that mixture does not explain"
        )
    return CylinderBalance(
        cylinder, name, deviation_C, deviation_u95_C, offset, u95, finding, tuple(reasons), sweep.budgets[i]
    )


def _by_hold(view: SessionView, name: str, cylinder: int, hold: Hold) -> CylinderBalance:
    setup, deviation, slope = view.table.setup, hold.deviation, hold.slope
    assert slope is not None
    i = deviation.cylinders.index(cylinder)
    measured = deviation_budget(deviation, setup, i)
    with_heat = (*measured, heat_line(deviation, setup))
    value = float(deviation.deviation_C[i])
    offset = -value / slope.C_per_percent
    u_C = combined_u(with_heat)
    lines = (
        budget_line("deviation (probe, heat, noise)", u_C, sensitivity=1.0 / slope.C_per_percent),
        budget_line(
            f"slope ({slope.source})",
            slope.u_C_per_percent,
            unit="°C/%",
            sensitivity=offset / slope.C_per_percent,
        ),
    )
    u95, u95_C = expanded_u95(lines), expanded_u95(with_heat)
    finding = findings.steady_finding(value, u95_C, offset, u95, setup.trims.threshold_percent)
    reason = findings.steady_reason(cylinder, value, u95_C, offset, u95, str(hold.side), finding)
    return CylinderBalance(
        cylinder, name, value, expanded_u95(measured), offset, u95, finding, (reason,), (*with_heat, *lines)
    )


def _bank_balance(
    name: str, cylinders: tuple[int, ...], hold: Hold | None, sweep: SweepEstimate | None
) -> BankBalance:
    lead = None if sweep is None else sweep.fit.delay_s
    lead_u95 = None if sweep is None else 2.0 * sweep.fit.delay_u_s
    if hold is None:
        mixture = None if sweep is None else float(np.exp(-sweep.fit.data.x.mean()))
        side: Side | None = None if sweep is None else "mixed"
        return BankBalance(
            name, cylinders, mixture, None, side, lambda_lead_s=lead, lambda_lead_u95_s=lead_u95
        )
    mean = hold.deviation.lambda_mean
    return BankBalance(
        bank=name,
        cylinders=cylinders,
        lambda_mean=mean if np.isfinite(mean) else None,
        spread_C=float(np.ptp(hold.deviation.deviation_C)),
        side=hold.side,
        slope_C_per_percent=None if hold.slope is None else hold.slope.C_per_percent,
        slope_u95_C_per_percent=None if hold.slope is None else 2.0 * hold.slope.u_C_per_percent,
        lambda_lead_s=lead,
        lambda_lead_u95_s=lead_u95,
    )


def _next_steps(
    view: SessionView,
    name: str,
    entries: tuple[CylinderBalance, ...],
    sweep: SweepEstimate | None,
    hold: Hold | None,
) -> tuple[str, ...]:
    steps = [
        f"mend first: {entry.reasons[0]}"
        for entry in entries
        if entry.finding in ("probe-fault", "combustion-fault")
    ]
    open_question = any(entry.finding == "undetermined" for entry in entries)
    if name not in view.blocks.ln_phi:
        steps.append(f"bank {name}: fit a lambda sensor, or name a mixture column under [conditions]")
    elif sweep is None:
        steps.append(findings.SWEEP_ADVICE)
        if hold is not None and hold.side == "near-peak":
            steps.append(findings.RICHER_ADVICE)
    elif open_question:
        steps += [findings.WIDER_ADVICE, findings.RETURN_ADVICE]
    return tuple(steps)


def _used(view: SessionView, sweep: SweepEstimate | None, hold: Hold | None) -> tuple[tuple[int, int], ...]:
    spans: list[tuple[int, int]] = []
    if sweep is not None:
        first, last = sweep.fit.data.time_s[0], sweep.fit.data.time_s[-1]
        where = np.searchsorted(view.blocks.time_s, [first, last])
        spans.append((int(where[0]) - 1, int(where[1]) + 1))
    if hold is not None:
        spans += [(s.start, s.stop) for s in hold.region]
    return tuple(spans)
