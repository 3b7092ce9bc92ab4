"""A part of a session, chosen by the reader, as a table of its own that is analysed like a whole session."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from daq.physical import FloatArray, PhysicalTable


def part_of(table: PhysicalTable, start_s: float, end_s: float) -> PhysicalTable:
    """The samples of `table` with start <= time <= end [s], with the marks and gaps between them."""
    first = int(np.searchsorted(table.time_s, start_s, side="left"))
    last = int(np.searchsorted(table.time_s, end_s, side="right"))
    rows = slice(first, last)
    return replace(
        table,
        time_s=table.time_s[rows],
        egt_C=table.egt_C[rows],
        egt_status=table.egt_status[rows],
        cold_junction_C=table.cold_junction_C[rows],
        lambda_by_bank={bank: values[rows] for bank, values in table.lambda_by_bank.items()},
        rpm=_rows(table.rpm, rows),
        load=_rows(table.load, rows),
        injector_ms=_rows(table.injector_ms, rows),
        mixture=_rows(table.mixture, rows),
        gaps_s=tuple(gap for gap in table.gaps_s if gap[1] > start_s and gap[0] < end_s),
        marks=tuple(mark for mark in table.marks if start_s <= mark.time_s <= end_s),
    )


def span_of(table: PhysicalTable) -> tuple[float, float]:
    """First and last time [s]; (0, 1) for a session without samples."""
    return (float(table.time_s[0]), float(table.time_s[-1])) if table.time_s.size else (0.0, 1.0)


def clip(table: PhysicalTable, start_s: float | None, end_s: float | None) -> tuple[float, float]:
    """A wished range put in order and inside the session; the whole session where nothing sensible is wished."""
    first, last = span_of(table)
    start = first if start_s is None or not np.isfinite(start_s) else min(max(start_s, first), last)
    end = last if end_s is None or not np.isfinite(end_s) else min(max(end_s, first), last)
    start, end = min(start, end), max(start, end)
    return (start, end) if end > start else (first, last)


def _rows(values: FloatArray | None, rows: slice) -> FloatArray | None:
    return None if values is None else values[rows]
