"""One bank's judgement: its sweep if the mixture moved, its holds if not, and what cannot be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis import findings
from analysis.bank_sweep import BankSweep, bank_sweep
from analysis.combustion_faults import hot_without_shift
from analysis.deviation import deviation_budget, heat_line
from analysis.fault import Fault
from analysis.holds import Hold, best_hold, find_holds, region_offsets
from analysis.operating_regions import region_dependence
from analysis.result import (
    FAULTS,
    BankBalance,
    CylinderBalance,
    Method,
    RegionOffset,
    Side,
    SweepCurves,
)
from analysis.session_view import SessionView
from analysis.sweep import SweepEstimate, curves
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


@dataclass(frozen=True)
class BankEvidence:
    """What the judgement of every cylinder of the bank `name` reads.

    swept: its sweeps; broken: faults found before any curve was fitted, or by drift; hot: those far from their
    neighbours at the same mixture; healthy: cylinders with a probe and not broken; hold: the best steady hold.
    """

    view: SessionView
    name: str
    swept: BankSweep
    broken: Mapping[int, Fault]
    hot: Mapping[int, Fault]
    healthy: tuple[int, ...]
    hold: Hold | None

    @property
    def sweep(self) -> SweepEstimate | None:
        """The sweep that tells the offsets."""
        return self.swept.estimate


def judge_bank(view: SessionView, name: str) -> BankJudgement:
    """Judge the bank `name`: broken probes, misfires, drift, the sweep, hot ones, holds, then operating regions."""
    bank = next(b for b in view.table.setup.bank if b.name == name)
    broken: dict[int, Fault] = {**view.misfires, **view.probe_faults}
    swept = bank_sweep(view, name, broken)
    broken.update(swept.drifted)
    sweep = swept.estimate
    healthy = tuple(c for c in bank.cylinders if c in view.table.cylinders and c not in broken)
    hot = hot_without_shift(sweep) if sweep is not None else {}
    steady = tuple(c for c in healthy if c not in hot)
    holds = find_holds(view, name, steady if len(steady) > 1 else healthy, swept.curve)
    evidence = BankEvidence(view, name, swept, broken, hot, healthy, best_hold(holds))
    region_table = region_offsets(view, holds, sweep)
    entries = tuple(_with_regions(_cylinder(evidence, c), region_table, evidence) for c in bank.cylinders)
    return BankJudgement(
        bank=_bank_balance(name, bank.cylinders, evidence.hold, sweep),
        cylinders=entries,
        method=_method(sweep, evidence.hold),
        sweeps=() if sweep is None else (curves(sweep),),
        regions=region_table,
        next_steps=_next_steps(evidence, entries),
        used=_used(view, sweep, evidence.hold),
    )


def _method(sweep: SweepEstimate | None, best: Hold | None) -> Method | None:
    if sweep is not None:
        return "sweep"
    if best is None:
        return None
    return "steady" if best.region else "pull"


def _cylinder(evidence: BankEvidence, cylinder: int) -> CylinderBalance:
    if cylinder in evidence.broken or cylinder in evidence.hot:
        return _faulty(evidence, cylinder)
    nothing = _nothing_to_say(evidence, cylinder)
    if nothing:
        return CylinderBalance(
            cylinder, evidence.name, *_deviation_of(evidence, cylinder), None, None, "undetermined", nothing
        )
    if evidence.sweep is not None and cylinder in evidence.sweep.cylinders:
        return _by_sweep(evidence, cylinder, evidence.sweep)
    assert evidence.hold is not None
    return _by_hold(evidence, cylinder, evidence.hold)


def _with_regions(
    entry: CylinderBalance, offsets: tuple[RegionOffset, ...], evidence: BankEvidence
) -> CylinderBalance:
    """Add what changes with the operating point; only a sweep makes regions comparable beyond the ports' own heat.

    What changed with time would pass for it, since the points were held one after the other.
    """
    if evidence.sweep is None or evidence.swept.changed or entry.finding in FAULTS:
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


def _faulty(evidence: BankEvidence, cylinder: int) -> CylinderBalance:
    fault, sweep = evidence.broken.get(cylinder) or evidence.hot[cylinder], evidence.sweep
    offset = u95 = None
    reason = fault.reason
    if cylinder in evidence.hot and sweep is not None:
        i = sweep.cylinders.index(cylinder)
        offset, u95 = float(sweep.offset_percent[i]), float(sweep.u95_percent[i])
        reason += f"; its mixture is {offset:+.1f} ± {u95:.1f} % of its bank's mean, so fuel is not the cure"
    return CylinderBalance(
        cylinder=cylinder,
        bank=evidence.name,
        egt_deviation_C=None,
        egt_deviation_u95_C=None,
        fuel_offset_percent=offset,
        fuel_offset_u95_percent=u95,
        finding=fault.finding,
        reasons=(reason, "no trim until this is mended"),
    )


def _deviation_of(evidence: BankEvidence, cylinder: int) -> tuple[float | None, float | None]:
    hold = evidence.hold
    if hold is None or cylinder not in hold.deviation.cylinders:
        return None, None
    i = hold.deviation.cylinders.index(cylinder)
    lines = deviation_budget(hold.deviation, evidence.view.table.setup, i)
    return float(hold.deviation.deviation_C[i]), expanded_u95(lines)


def _nothing_to_say(evidence: BankEvidence, cylinder: int) -> tuple[str, ...]:
    hold = evidence.hold
    if cylinder not in evidence.view.table.cylinders:
        return (f"cylinder {cylinder} has no probe in the setup",)
    if len(evidence.healthy) < 2:
        return (findings.ALONE,)
    if evidence.sweep is not None:
        return ()
    if hold is None:
        return (findings.NOTHING_STEADY if evidence.swept.flank is None else findings.NO_BEND,)
    if hold.side is None:
        return (findings.NO_MIXTURE,)
    return () if hold.slope is not None and hold.slope.telling else (findings.NEAR_PEAK,)


def _by_sweep(evidence: BankEvidence, cylinder: int, sweep: SweepEstimate) -> CylinderBalance:
    i = sweep.cylinders.index(cylinder)
    offset, u95 = float(sweep.offset_percent[i]), float(sweep.u95_percent[i])
    threshold = evidence.view.table.setup.trims.threshold_percent
    finding = findings.judge(offset, u95, threshold)
    reasons = [findings.sweep_reason(cylinder, offset, u95, threshold, finding)]
    if cylinder in evidence.swept.changed:
        reasons.append(evidence.swept.changed[cylinder])
    if sweep.left_out_points:
        share = sweep.left_out_points / (sweep.left_out_points + len(sweep.fit.data.time_s))
        reasons.append(
            f"{100 * share:.0f} % of the sweep was left out: something jumped there that mixture does not explain"
        )
    deviation_C, deviation_u95_C = _deviation_of(evidence, cylinder)
    return CylinderBalance(
        cylinder=cylinder,
        bank=evidence.name,
        egt_deviation_C=deviation_C,
        egt_deviation_u95_C=deviation_u95_C,
        fuel_offset_percent=offset,
        fuel_offset_u95_percent=u95,
        finding=finding,
        reasons=tuple(reasons),
        budget=sweep.budgets[i],
        changed_in_session=cylinder in evidence.swept.changed,
    )


def _by_hold(evidence: BankEvidence, cylinder: int, hold: Hold) -> CylinderBalance:
    setup, deviation, slope = evidence.view.table.setup, hold.deviation, hold.slope
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
        cylinder=cylinder,
        bank=evidence.name,
        egt_deviation_C=value,
        egt_deviation_u95_C=expanded_u95(measured),
        fuel_offset_percent=offset,
        fuel_offset_u95_percent=u95,
        finding=finding,
        reasons=(reason,),
        budget=(*with_heat, *lines),
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


def _next_steps(evidence: BankEvidence, entries: tuple[CylinderBalance, ...]) -> tuple[str, ...]:
    name, hold = evidence.name, evidence.hold
    steps = [f"mend first: {entry.reasons[0]}" for entry in entries if entry.finding in FAULTS]
    steps += [
        f"cylinder {entry.cylinder}: find out what changed its mixture before it is trimmed"
        for entry in entries
        if entry.changed_in_session
    ]
    open_question = any(entry.finding == "undetermined" for entry in entries)
    if name not in evidence.view.blocks.ln_phi:
        steps.append(f"bank {name}: fit a lambda sensor, or name a mixture column under [conditions]")
    elif evidence.swept.flank is not None:
        steps += [findings.WIDER_ADVICE, findings.SWEEP_ADVICE, findings.RETURN_ADVICE]
    elif evidence.sweep is None:
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
