"""Judges the estimator on unseen engines, beside the habits it replaces. A script: minutes, not seconds.

    python tests/evaluate_estimator.py --seeds 100            # the whole table, as Markdown
    python tests/evaluate_estimator.py --seeds 10 --only sweep,holds,misfire

Every engine differs in curve, heat, probes, lags, drift, wander and lambda sensors; nothing here
is fitted to.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from typing import Any

import numpy as np
from evaluation_report import report
from unseen_engines import SHAPES, Fault, make_engine, run

from analysis.balance import balance
from analysis.check_ports import warmed_ports
from analysis.result import CylinderBalance, Finding
from daq.physical import PhysicalTable

FIXED_C_PER_PERCENT = 5.0
CYLINDERS = (1, 3, 5, 7, 2, 4, 6, 8)


@dataclass(frozen=True)
class Case:
    """A kind of session.

    odd_percent: one cylinder is that far off, the others of its bank share the rest; 0: all even. dead_ms: one
    cylinder's injector has so much more dead time. lost_percent: one cylinder loses so much fuel when hot.
    """

    name: str
    schedule: str = "standard"
    odd_percent: float | None = None
    fault: str | None = None
    dead_ms: float | None = None
    lost_percent: float | None = None
    options: dict[str, Any] = field(default_factory=dict)


CASES = (
    Case("sweep"),
    Case("sweep, even", odd_percent=0.0),
    Case("sweep, one 1.5 % off", odd_percent=1.5),
    Case("sweep, heat ±15 °C", options={"heat_C": 15.0}),
    Case("sweep, probes alike in lag", options={"probe_tau_s": (1.5, 2.0)}),
    Case("sweep and back", "return"),
    Case("staircase", "staircase"),
    Case("sweep 0.80 to 0.92", "narrow"),
    Case("sweep, no holds", "sweep-only"),
    Case("holds", "holds"),
    Case("holds, even", "holds", odd_percent=0.0),
    Case("holds, one 10 % lean", "holds", odd_percent=-10.0),
    Case("near peak", "near-peak"),
    Case("near peak, one 10 % lean", "near-peak", odd_percent=-10.0),
    Case("lean side", "lean"),
    Case("lean side, one 10 % lean", "lean", odd_percent=-10.0),
    Case("pulls", "pulls"),
    Case("pulls, even", "pulls", odd_percent=0.0),
    *(
        Case(f"fault: {kind}", fault=kind)
        for kind in (
            "misfire",
            "late-spark",
            "leaking-valve",
            "open",
            "open-intermittent",
            "reversed",
            "drifting",
            "slow",
            "loose",
        )
    ),
    # Temperatures of one engine do not say which port they came from; a port that is warmed by itself does.
    Case("ports warmed, fault: swapped", "warmed", fault="swapped"),
    Case("ports warmed, none swapped", "warmed"),
    Case("regions: flow alone", "three-points"),
    Case("regions: dead time", "three-points", dead_ms=0.2, options={"offsets": "even"}),
    Case("regions: air with speed", "three-points", options={"air_slope_percent": 4.0}),
    Case("warmth: even, cool and hot", "cold-and-hot", odd_percent=0.0),
    Case("warmth: one 3 % off throughout", "cold-and-hot", odd_percent=-3.0),
    Case("warmth: one loses 3 % when hot", "cold-and-hot", lost_percent=3.0, options={"offsets": "even"}),
    Case("holds, fault: misfire", "holds", fault="misfire"),
    Case("holds, fault: open", "holds", fault="open"),
    Case("holds, fault: reversed", "holds", fault="reversed"),
    Case("holds, fault: slow", "holds", fault="slow"),
)


@dataclass(frozen=True)
class Outcome:
    """One session judged; arrays are (n_cylinders,) in the order of the table, NaN where there is no answer.

    habit_percent: raw deviation at the steady holds over a fixed °C per %; habit_spread_C: each bank's raw
    spread. dead_ms, dead_u95_ms, true_dead_ms: injector dead time against the bank's mean. changing: whether the
    offset is said to change with the operating point, true_change_percent: by how much it does.
    """

    case: str
    shape: str
    seed: int
    cylinders: tuple[int, ...]
    truth: np.ndarray
    offset: np.ndarray
    u95: np.ndarray
    finding: tuple[str, ...]
    odd: tuple[int, ...]
    habit_percent: np.ndarray
    habit_spread_C: np.ndarray
    seconds: float
    dead_ms: np.ndarray
    dead_u95_ms: np.ndarray
    true_dead_ms: np.ndarray
    changing: np.ndarray
    true_change_percent: np.ndarray
    error: str = ""


def options_of(case: Case, seed: int) -> tuple[dict[str, Any], tuple[int, ...]]:
    """(options of the engine, the cylinders that are odd in this session)."""
    options = dict(case.options)
    odd = CYLINDERS[seed % len(CYLINDERS)]
    if case.odd_percent is not None:
        size = case.odd_percent * (-1 if case.odd_percent > 0 and seed % 2 else 1)
        options["offsets"] = [
            size * (c == odd) - size / 3 * (c != odd and c % 2 == odd % 2) for c in CYLINDERS
        ]
        return options, (odd,) if case.odd_percent else ()
    if case.dead_ms is not None:
        options["dead_time_ms"] = [case.dead_ms * (c == odd) for c in CYLINDERS]
        return options, (odd,)
    if case.lost_percent is not None:
        options["lost_when_hot_percent"] = [case.lost_percent * (c == odd) for c in CYLINDERS]
        return options, (odd,)
    if case.fault is None:
        return options, ()
    other = CYLINDERS[(seed + 4) % len(CYLINDERS)] if case.fault == "swapped" else None
    # a probe opens somewhere in the session; what is wrong with an engine is so from the start
    start_s = 60.0 + 10.0 * (seed % 20) if case.fault == "open" else 0.0
    options["faults"] = (Fault(case.fault, odd, start_s=start_s, other=other),)
    return options, (odd,) if other is None else (odd, other)


def habits(table: PhysicalTable, holds_s: tuple[tuple[float, float], ...]) -> tuple[np.ndarray, np.ndarray]:
    """(offset % by raw deviation over a fixed slope, raw spread °C of each bank) at the ends of the holds.

    A probe that shows nothing is left out of its bank, as a person would.
    """
    if not holds_s:
        return np.full(len(table.cylinders), np.nan), np.full(len(table.setup.bank), np.nan)
    bank = np.array(
        [[b.name for b in table.setup.bank].index(table.setup.bank_of(c).name) for c in table.cylinders]
    )
    deviations, spreads = [], []
    for _, end in holds_s:
        at = (table.time_s >= end - 10) & (table.time_s < end)
        mean = np.array(
            [np.mean(v[np.isfinite(v)]) if np.isfinite(v).any() else np.nan for v in table.egt_C[at].T]
        )
        for k in np.unique(bank):
            inside = (bank == k) & np.isfinite(mean)
            mean[inside] -= mean[inside].mean()
            spreads.append(np.ptp(mean[inside]))
        deviations.append(mean)
    away = np.array(deviations)
    known = np.isfinite(away).any(axis=0)
    average = np.full(bank.size, np.nan)
    average[known] = np.nanmean(away[:, known], axis=0)
    return -average / FIXED_C_PER_PERCENT, np.array(spreads).reshape(len(deviations), -1).mean(axis=0)


def judge(job: tuple[Case, str, int]) -> Outcome:
    """Run one engine through one case and have it analysed; a crash of the estimator is an outcome too."""
    case, shape, seed = job
    options, odd = options_of(case, seed)
    engine = make_engine(shape, seed, **options)
    table, truth = run(engine, case.schedule)
    habit, spread = habits(table, truth.holds_s)
    begin_s, error = time.perf_counter(), ""
    try:
        rows = ports_as_findings(table) if case.schedule == "warmed" else cylinders_of(table)
    except Exception:  # the judge reports what the judged one raises
        rows, error = [CRASH] * len(table.cylinders), traceback.format_exc(limit=-2)
    seconds = time.perf_counter() - begin_s
    dead = engine.dead_time_ms
    means = [
        truth.offset_course_percent[(table.time_s >= begin) & (table.time_s < end)].mean(axis=0)
        for begin, end in truth.holds_s + truth.sweeps_s
    ]
    return Outcome(
        case=case.name,
        shape=shape,
        seed=seed,
        cylinders=table.cylinders,
        truth=means[-1]
        if case.lost_percent is not None  # the answer is for the last sweep, when hot
        else np.array([truth.offset_percent[c] for c in table.cylinders]),
        offset=_numbers(row.fuel_offset_percent for row in rows),
        u95=_numbers(row.fuel_offset_u95_percent for row in rows),
        finding=tuple(row.finding for row in rows),
        odd=odd,
        habit_percent=habit,
        habit_spread_C=spread,
        seconds=seconds,
        dead_ms=_numbers(row.dead_time_ms for row in rows),
        dead_u95_ms=_numbers(row.dead_time_u95_ms for row in rows),
        true_dead_ms=dead - np.array([dead[engine.in_bank(k)].mean() for k in (0, 1)])[engine.bank_index],
        changing=np.array([any("operating point" in reason for reason in row.reasons) for row in rows]),
        true_change_percent=np.ptp(means, axis=0) if means else np.zeros(len(table.cylinders)),
        error=error,
    )


CRASH = CylinderBalance(0, "", None, None, None, None, "undetermined", ("crash",))


def _numbers(values: Iterable[float | None]) -> np.ndarray:
    return np.array([np.nan if value is None else value for value in values])


def cylinders_of(table: PhysicalTable) -> list[CylinderBalance]:
    """The estimator's findings in the order of the table."""
    found = {c.cylinder: c for c in balance(table).cylinders}
    return [found[c] for c in table.cylinders]


def ports_as_findings(table: PhysicalTable) -> list[CylinderBalance]:
    """What the check of warmed ports says, as findings: a probe that moves for another's port is a fault."""
    seen = {w.cylinder: w.moved for w in warmed_ports(table)}
    return [
        replace(CRASH, cylinder=c, finding=_port_finding(c, seen.get(c)), reasons=()) for c in table.cylinders
    ]


def _port_finding(cylinder: int, moved: int | None) -> Finding:
    if moved is None:
        return "undetermined"
    return "even" if moved == cylinder else "probe-fault"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--only", default="", help="comma-separated parts of case names")
    parser.add_argument("--shapes", default=",".join(SHAPES))
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    wanted = [part for part in chosen.only.split(",") if part]
    cases = [case for case in CASES if not wanted or any(part in case.name for part in wanted)]
    shapes = chosen.shapes.split(",")
    # The seeds are shared out among the shapes, and each seed is an engine of its own.
    jobs = [
        (case, shapes[k % len(shapes)], chosen.first_seed + k) for case in cases for k in range(chosen.seeds)
    ]
    # One thread of linear algebra per process, for processes that begin anew: they share the cores already.
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    with ProcessPoolExecutor(chosen.processes, mp_context=get_context("spawn")) as pool:
        outcomes = list(pool.map(judge, jobs, chunksize=4))
    print(report(outcomes, [case.name for case in cases]))
    for text, count in Counter(o.error for o in outcomes if o.error).most_common(5):
        print(f"\n{count} sessions raised:\n{text}", file=sys.stderr)


if __name__ == "__main__":
    main()
