"""The published JSON: `evenburn.balance/1`, `trims/1`, `compare/1`, as `analysis/schemas` describes them.

None means that the data cannot tell. A program that reads these must not break: a field is added or changed only
with a new version of the schema.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from analysis.compare import Comparison
from analysis.result import Balance, CylinderBalance, Trims


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def balance_to_json(balance: Balance) -> dict[str, Any]:
    """`balance` as the published structure `evenburn.balance/1` (plain dicts, lists, numbers, None)."""
    return {
        "schema": "evenburn.balance/1",
        "session": balance.session,
        "method": balance.method,
        "banks": [
            {
                "bank": b.bank,
                "lambda_mean": _rounded(b.lambda_mean, 4),
                "spread_C": _rounded(b.spread_C, 2),
                "side": b.side,
                "slope_C_per_percent": _rounded(b.slope_C_per_percent, 2),
                "slope_u95_C_per_percent": _rounded(b.slope_u95_C_per_percent, 2),
                "lambda_lead_s": _rounded(b.lambda_lead_s, 2),
                "lambda_lead_u95_s": _rounded(b.lambda_lead_u95_s, 2),
            }
            for b in balance.banks
        ],
        "cylinders": [_cylinder_to_json(c) for c in balance.cylinders],
        "stretches": [
            {
                "kind": s.kind,
                "start_s": round(s.start_s, 2),
                "end_s": round(s.end_s, 2),
                "rpm": _rounded(s.rpm, 1),
                "load": _rounded(s.load, 2),
                "used": s.used,
                "reason": s.reason,
            }
            for s in balance.stretches
        ],
        "next_steps": list(balance.next_steps),
        "problems": list(balance.problems),
    }


def _cylinder_to_json(entry: CylinderBalance) -> dict[str, Any]:
    return {
        "cylinder": entry.cylinder,
        "bank": entry.bank,
        "egt_deviation_C": _rounded(entry.egt_deviation_C, 2),
        "egt_deviation_u95_C": _rounded(entry.egt_deviation_u95_C, 2),
        "fuel_offset_percent": _rounded(entry.fuel_offset_percent, 3),
        "fuel_offset_u95_percent": _rounded(entry.fuel_offset_u95_percent, 3),
        "finding": entry.finding,
        "reasons": list(entry.reasons),
        "depends_on_region": entry.depends_on_region,
        "changed_in_session": entry.changed_in_session,
    }


def trims_to_json(trims: Trims) -> dict[str, Any]:
    """`trims` as the published structure `evenburn.trims/1`: the balance plus the step for each cylinder."""
    document = balance_to_json(trims.balance)
    document["schema"] = "evenburn.trims/1"
    document["limits"] = {
        "step_percent": trims.step_percent,
        "leaning_share": trims.leaning_share,
        "threshold_percent": trims.threshold_percent,
        "lambda_target": trims.lambda_target,
    }
    steps = {t.cylinder: t for t in trims.cylinders}
    for entry in document["cylinders"]:
        step = steps[entry["cylinder"]]
        entry["trim_percent"] = _rounded(step.trim_percent, 2)
        if step.trim_ms is not None:
            entry["trim_ms"] = _rounded(step.trim_ms, 4)
        entry["predicted_offset_percent"] = _rounded(step.predicted_offset_percent, 3)
        entry["predicted_deviation_C"] = _rounded(step.predicted_deviation_C, 2)
        entry["predicted_deviation_u95_C"] = _rounded(step.predicted_deviation_u95_C, 2)
        entry["trim_reason"] = step.reason
    for bank in document["banks"]:
        bank["predicted_spread_C"] = _rounded(trims.spread_after_C.get(bank["bank"]), 2)
        bank["predicted_spread_u95_C"] = _rounded(trims.spread_after_u95_C.get(bank["bank"]), 2)
    if trims.regions:
        document["regions"] = [
            {
                "region": r.region,
                "rpm": _rounded(r.rpm, 1),
                "load": _rounded(r.load, 2),
                "cylinder": r.cylinder,
                "fuel_offset_percent": _rounded(r.fuel_offset_percent, 3),
                "fuel_offset_u95_percent": _rounded(r.fuel_offset_u95_percent, 3),
                "trim_percent": _rounded(r.trim_percent, 2),
            }
            for r in trims.regions
        ]
    document["cautions"] = list(trims.cautions)
    return document


def compare_to_json(comparison: Comparison) -> dict[str, Any]:
    """`comparison` as the published structure `evenburn.compare/1`."""
    return {
        "schema": "evenburn.compare/1",
        "before": comparison.before.session,
        "after": comparison.after.session,
        "region": comparison.region,
        "banks": [_to_three_digits(asdict(bank)) for bank in comparison.banks],
        "cylinders": [_to_three_digits(asdict(entry)) for entry in comparison.cylinders],
        "problems": list(comparison.problems),
    }


def _to_three_digits(values: Mapping[str, Any]) -> dict[str, Any]:
    return {key: _rounded(value, 3) if isinstance(value, float) else value for key, value in values.items()}
