"""The report's picture of a whole session: temperatures, lambda, and the stretches below them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.result import Balance, Stretch
from daq.physical import PhysicalTable
from dashboard.figures.downsample import thin_out
from dashboard.report_drawing import (
    DASHES,
    FAINT,
    GREY,
    PAGE_WIDTH,
    Drawing,
    Scale,
    bank_colour,
    nice_ticks,
    spread_apart,
    tick_label,
)

FloatArray = npt.NDArray[np.float64]
POINTS = 1000


@dataclass(frozen=True)
class _Trace:
    """One line of the picture: time_s, values: (n,)."""

    label: str
    colour: str
    time_s: FloatArray
    values: FloatArray


def session_picture(table: PhysicalTable, balance: Balance, font: str) -> str:
    """The whole session: every temperature and the banks' lambda over time, with the stretches below."""
    title = "Temperatures and lambda over the session, with the stretches used"
    drawing = Drawing(PAGE_WIDTH, 320, title, font)
    first_s, last_s = (table.time_s[0], table.time_s[-1]) if table.time_s.size > 1 else (0.0, 1.0)
    x = Scale(float(min(first_s, 0.0)), float(last_s), 44.0, PAGE_WIDTH - 26)
    for tick in nice_ticks(x.low, x.high, 9):
        drawing.line(x(tick), 16, x(tick), 292, stroke=FAINT, width=0.7)
        drawing.text(x(tick), 305, tick_label(tick), anchor="middle", size=9.5, fill=GREY)
    said = "seconds since the recording began"
    drawing.text(PAGE_WIDTH / 2, 318, said, anchor="middle", size=9.5, fill=GREY)
    bank_of = {c: table.setup.bank_of(c).name for c in table.cylinders}
    temperatures = [
        _trace(table, str(cylinder), bank_colour(balance, bank_of[cylinder]), table.egt_C[:, i])
        for i, cylinder in enumerate(table.cylinders)
    ]
    lambdas = [
        _trace(table, bank[:4], bank_colour(balance, bank), values)
        for bank, values in table.lambda_by_bank.items()
    ]
    _panel(drawing, temperatures, x, (16.0, 168.0), "exhaust temperature, °C")
    _panel(drawing, lambdas, x, (184.0, 250.0), "lambda")
    _stretch_bars(drawing, balance.stretches, x, 264.0)
    return drawing.svg()


def _trace(table: PhysicalTable, label: str, colour: str, values: FloatArray) -> _Trace:
    """Thinned out so that the least and the greatest reading of each moment stay."""
    if not table.time_s.size:
        return _Trace(label, colour, table.time_s, values)
    ends = (float(table.time_s[0]), float(table.time_s[-1]))
    return _Trace(label, colour, *thin_out(table.time_s, values, *ends, table.gaps_s, POINTS))


def _panel(
    drawing: Drawing, traces: Sequence[_Trace], x: Scale, area: tuple[float, float], label: str
) -> None:
    drawing.text(0, area[0] - 4, label, size=9.5, fill=GREY)
    finite = np.concatenate([t.values[np.isfinite(t.values)] for t in traces] or [np.array([])])
    if not finite.size:
        drawing.text(PAGE_WIDTH / 2, sum(area) / 2, "not in this session", anchor="middle", fill=GREY)
        return
    margin = 0.04 * float(finite.max() - finite.min()) or 0.5
    y = Scale(float(finite.min()) - margin, float(finite.max()) + margin, area[1], area[0])
    for tick in nice_ticks(y.low, y.high, 6):
        drawing.line(x.start, y(tick), x.end, y(tick), stroke=FAINT, width=0.7)
        drawing.text(x.start - 4, y(tick) + 4, tick_label(tick), anchor="end", size=9.5, fill=GREY)
    ends = []
    for i, trace in enumerate(traces):
        dash = DASHES[i % len(DASHES)] if len(traces) <= len(DASHES) else "none"
        points = [x(t) for t in trace.time_s], [y(v) for v in trace.values]
        drawing.path(*points, stroke=trace.colour, width=0.8, dash=dash)
        there = trace.values[np.isfinite(trace.values)]
        ends.append(y(there[-1]) if there.size else y.start)
    for trace, end, at in zip(traces, ends, spread_apart(ends, 9.0, area), strict=True):
        drawing.line(x.end + 1, end, x.end + 6, at, stroke=GREY, width=0.6)
        drawing.text(x.end + 7, at + 3, trace.label, size=9, fill=trace.colour, bold=True)


def _stretch_bars(drawing: Drawing, stretches: Sequence[Stretch], x: Scale, y: float) -> None:
    drawing.text(0, y + 9, "used", size=9.5, fill=GREY)
    drawing.text(0, y + 25, "refused", size=9.5, fill=GREY)
    for stretch in stretches:
        at = y if stretch.used else y + 16
        start, width = x(stretch.start_s), max(x(stretch.end_s) - x(stretch.start_s), 1.5)
        fill, dash = ("#dfe8ee", "none") if stretch.used else ("#ffffff", "2 2")
        drawing.box(start, at, width, 12, fill=fill, stroke=GREY, dash=dash)
        if width > 34:
            drawing.text(start + 3, at + 9.5, stretch.kind, size=9)
