"""The probe check in words and rows, the same in the command and in the report."""

from __future__ import annotations

from analysis.check_item import CheckItem
from analysis.probe_check import ProbeCheck
from dashboard.display import MISSING
from dashboard.wording import sentence, signed_or_missing, with_interval

CHECK_COLUMNS = ("Cyl.", "Bank", "Column", "State", "Last, °C", "Noise, °C", "Cold offset, °C", "Class ±, °C",
                 "Matching offset_C")  # fmt: skip


def check_rows(check: ProbeCheck) -> list[tuple[str, ...]]:
    """One row a probe, for `CHECK_COLUMNS`."""
    return [
        (
            str(p.cylinder),
            p.bank,
            p.column or "no probe",
            p.verdict,
            MISSING if p.reading_C is None else f"{p.reading_C:.1f}",
            MISSING if p.noise_C is None else f"{p.noise_C:.2f}",
            with_interval(p.cold_offset_C, p.cold_offset_u95_C, 2),
            MISSING if p.tolerance_C is None else f"{p.tolerance_C:.1f}",
            signed_or_missing(p.matching_offset_C, 2),
        )
        for p in check.probes
    ]


def item_sentence(item: CheckItem) -> str:
    """What was found, and what to do."""
    return f"{sentence(item.text)} {item.action}".strip()
