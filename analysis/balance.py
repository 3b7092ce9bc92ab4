"""From a session's table to what every cylinder gets: the order of the judgement.

samples -> blocks -> spans of one operating point -> stretches -> per bank a sweep's shift where the mixture moved, a
deviation where it was held -> findings with reasons. Faulty probes and cylinders are taken out first, so that they do
not spoil their bank's mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from analysis.bank import BankJudgement, judge_bank
from analysis.blocks import Blocks, make_blocks
from analysis.check_ports import warmed_ports
from analysis.combustion_faults import misfires
from analysis.conditions import Span, operating_spans, regions
from analysis.fault import Fault
from analysis.lag import Lags, probe_lags
from analysis.mixture_path import Part, parts, settled
from analysis.probe_faults import drift_rates, loose_probes, silent_probes, slow_probes
from analysis.pulls import find_pulls
from analysis.result import Balance, Method, Stretch
from analysis.session_view import SessionView
from daq.physical import PhysicalTable

FloatArray = npt.NDArray[np.float64]


def balance(table: PhysicalTable) -> Balance:
    """Judge every cylinder of `table`. Never raises for what the data holds: what cannot be told is said."""
    table = _with_probes(table)
    # the matrices are small: BLAS threads would wait for each other longer than they work
    with threadpool_limits(1, user_api="blas"):
        view = look(table)
        judged = [judge_bank(view, bank.name) for bank in table.setup.bank]
    steps = [step for judgement in judged for step in judgement.next_steps]
    return Balance(
        session=table.name,
        method=_method(judged),
        banks=tuple(j.bank for j in judged),
        cylinders=tuple(c for j in judged for c in j.cylinders),
        stretches=_stretches(view, judged),
        sweeps=tuple(s for j in judged for s in j.sweeps),
        regions=tuple(r for j in judged for r in j.regions),
        next_steps=tuple(dict.fromkeys(steps)),
        problems=table.problems,
    )


def _with_probes(table: PhysicalTable) -> PhysicalTable:
    """Only the cylinders that have a probe: nothing is broken where nothing was fitted."""
    fitted = {probe.cylinder for probe in table.setup.probe}
    keep = [i for i, cylinder in enumerate(table.cylinders) if cylinder in fitted]
    if len(keep) == len(table.cylinders):
        return table
    return replace(
        table,
        cylinders=tuple(table.cylinders[i] for i in keep),
        egt_C=table.egt_C[:, keep],
        egt_status=table.egt_status[:, keep],
        cold_junction_C=table.cold_junction_C[:, keep],
    )


def look(table: PhysicalTable) -> SessionView:
    """Everything about a session that is found once and used by every bank."""
    blocks = make_blocks(table)
    probe_faults = {**wrong_ports(table), **loose_probes(table), **silent_probes(table)}
    lags: dict[str, Lags] = {}
    for bank in table.setup.bank:
        healthy = _healthy(table, bank.cylinders, probe_faults)
        lags[bank.name] = probe_lags(blocks, healthy)
        probe_faults.update(slow_probes(lags[bank.name]))
        remaining = _healthy(table, bank.cylinders, probe_faults)
        if remaining != healthy:
            lags[bank.name] = probe_lags(blocks, remaining)
    spans = operating_spans(blocks) if len(blocks.time_s) else []
    groups = regions(spans)
    settle_s = _settle_s(lags)
    found = [
        (span, parts(blocks, span, settled(blocks, span, settle_s))) for group in groups for span in group
    ]
    holds = [(part.start, part.stop) for _, pieces in found for part in pieces if part.kind == "steady"]
    misfiring: dict[int, Fault] = {}
    for bank in table.setup.bank:
        misfiring.update(misfires(blocks, holds, _healthy(table, bank.cylinders, probe_faults)))
    return SessionView(
        table=table,
        blocks=_without_misled_lambda(table, blocks, misfiring),
        regions=tuple(tuple(group) for group in groups),
        parts=tuple((span, tuple(pieces)) for span, pieces in found),
        lags=lags,
        settle_s=settle_s,
        probe_faults=probe_faults,
        drifts=drift_rates(blocks, holds),
        misfires=misfiring,
    )


def wrong_ports(table: PhysicalTable) -> dict[int, Fault]:
    """Probes that another port's warmth moved first: both ports' readings are somebody else's."""
    found: dict[int, Fault] = {}
    for warmed in warmed_ports(table):
        if warmed.cylinder is None or warmed.moved is None or warmed.moved == warmed.cylinder:
            continue
        reason = (
            f"warming port {warmed.cylinder} moved the probe that the setup calls cylinder {warmed.moved}'s: correct "
            "the setup and analyse the session again"
        )
        for cylinder in (warmed.cylinder, warmed.moved):
            found[cylinder] = Fault(cylinder, "probe-fault", "wrong port", reason)
    return found


def _without_misled_lambda(table: PhysicalTable, blocks: Blocks, misfiring: Mapping[int, Fault]) -> Blocks:
    """A misfire's unburnt oxygen misleads its bank's sensor: take the mixture's course from a bank without one.

    Only the course matters for offsets within a bank; where there is no other bank, its own has to do.
    """
    misled = {bank.name for bank in table.setup.bank if any(c in misfiring for c in bank.cylinders)}
    sound = [x for name, x in blocks.ln_phi.items() if name not in misled]
    if not misled or not sound:
        return blocks
    return replace(blocks, ln_phi={n: sound[0] if n in misled else x for n, x in blocks.ln_phi.items()})


def _healthy(table: PhysicalTable, cylinders: tuple[int, ...], faults: dict[int, Fault]) -> tuple[int, ...]:
    return tuple(c for c in cylinders if c in table.cylinders and c not in faults)


def _settle_s(lags: dict[str, Lags]) -> float:
    """How long after a change the probes are given: three time constants leave 5 % of it."""
    slowest = max(
        (float(lag.time_constant_s.max()) for lag in lags.values() if len(lag.cylinders)), default=2.0
    )
    return float(np.clip(3.0 * slowest, 6.0, 30.0))


def _method(judged: list[BankJudgement]) -> Method:
    methods = {j.method for j in judged if j.method is not None}
    if len(methods) > 1:
        return "mixed"
    return methods.pop() if methods else "steady"


def _stretches(view: SessionView, judged: list[BankJudgement]) -> tuple[Stretch, ...]:
    used = [j.used for j in judged]
    found = [
        _stretch(view, span, part, any(a <= part.start < b for runs in used for a, b in runs))
        for span, pieces in view.parts
        for part in pieces
    ]
    found += find_pulls(view.blocks, any(j.method == "pull" for j in judged))
    return tuple(sorted(found, key=lambda stretch: stretch.start_s))


def _stretch(view: SessionView, span: Span, part: Part, used: bool) -> Stretch:
    blocks = view.blocks
    half = blocks.length_s / 2
    mixtures = {}
    for bank, x in blocks.ln_phi.items():
        values = x[part.start : part.stop]
        if np.isfinite(values).any():
            mixtures[bank] = round(float(np.exp(-np.nanmean(values))), 4)
    return Stretch(
        kind="sweep" if part.kind == "sweep" else "steady",
        start_s=float(blocks.time_s[part.start] - half),
        end_s=float(blocks.time_s[part.stop - 1] + half),
        rpm=span.rpm,
        load=span.load,
        lambda_by_bank=mixtures,
        used=used,
        reason="speed and load steady, probes settled"
        if used
        else "not needed: another part of the session tells more",
    )
