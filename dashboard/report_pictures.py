"""The report's pictures of offsets with their intervals and of a sweep's curves. Pure: results to SVG."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from analysis.result import Balance, CylinderBalance, SweepCurves
from dashboard.report_drawing import (
    DASHES,
    FAINT,
    GREY,
    INK,
    PAGE_WIDTH,
    Drawing,
    Scale,
    bank_colour,
    nice_ticks,
    spread_apart,
    tick_label,
)
from dashboard.wording import FINDING_WORDS, with_interval

FloatArray = npt.NDArray[np.float64]
ROW = 19.0


def offsets_picture(
    balance: Balance,
    others: Mapping[int, float | None],
    threshold_percent: float,
    font: str,
    other: str = "expected after this step",
) -> str:
    """One row per cylinder: its fuel offset with the 95 % interval, and a diamond at a second offset.

    others: cylinder -> that second offset [%] (what `other` says it is), None for none. Filled dot: lean or rich;
    hollow: even or not significant. A cylinder without an offset says so in words across its row.
    """
    rows = len(balance.cylinders)
    drawing = Drawing(
        PAGE_WIDTH, rows * ROW + 78, "Fuel offset of each cylinder with its 95 % interval", font
    )
    reach = [threshold_percent * 2]
    for entry in balance.cylinders:
        if entry.fuel_offset_percent is not None:
            reach.append(abs(entry.fuel_offset_percent) + (entry.fuel_offset_u95_percent or 0.0))
            reach.append(abs(others.get(entry.cylinder) or 0.0))
    top, bottom = 20.0, 20.0 + rows * ROW
    limit = max(reach) * 1.08
    scale = Scale(-limit, limit, 150.0, 530.0)
    drawing.box(
        scale(-threshold_percent), top, scale(threshold_percent) - scale(-threshold_percent), bottom - top
    )
    for tick in nice_ticks(-limit, limit, 9):
        drawing.line(scale(tick), top, scale(tick), bottom, stroke=INK if tick == 0 else FAINT)
        drawing.text(scale(tick), bottom + 14, tick_label(tick), anchor="middle", fill=GREY)
    drawing.text(scale(-limit), top - 7, "← leaner than its bank", fill=GREY)
    drawing.text(scale(limit), top - 7, "richer than its bank →", anchor="end", fill=GREY)
    previous = ""
    for row, entry in enumerate(balance.cylinders):
        y = top + (row + 0.5) * ROW
        if entry.bank != previous:
            drawing.text(
                0, y + 4, f"bank {entry.bank}"[:16], fill=bank_colour(balance, entry.bank), bold=True
            )
            if row:
                drawing.line(0, y - ROW / 2, PAGE_WIDTH, y - ROW / 2, stroke=FAINT)
            previous = entry.bank
        drawing.text(140, y + 4, f"cyl. {entry.cylinder}", anchor="end", bold=True)
        _offset_row(drawing, scale, y, entry, others.get(entry.cylinder), bank_colour(balance, entry.bank))
    _offsets_legend(drawing, bottom + 31, threshold_percent, other)
    return drawing.svg()


def _offset_row(
    drawing: Drawing, scale: Scale, y: float, entry: CylinderBalance, other: float | None, colour: str
) -> None:
    words = FINDING_WORDS[entry.finding]
    told = entry.finding in ("lean", "rich")
    offset, u95 = entry.fuel_offset_percent, entry.fuel_offset_u95_percent or 0.0
    if offset is None:
        drawing.line(scale.start, y, scale.end, y, stroke=GREY, dash="2 4")
        drawing.box(scale(0) - 70, y - 8, 140, 16, fill="#ffffff")
        drawing.text(
            scale(0), y + 4, f"{words}: no offset" if words != "cannot tell" else words, anchor="middle"
        )
        drawing.text(618, y + 4, words, bold=True)
        return
    drawing.line(scale.clipped(offset - u95), y, scale.clipped(offset + u95), y, stroke=colour, width=2.2)
    for end in (offset - u95, offset + u95):
        drawing.line(scale.clipped(end), y - 4, scale.clipped(end), y + 4, stroke=colour, width=1.6)
    if other is not None and abs(other - offset) > 0.05:
        x = scale.clipped(other)
        drawing.polygon([(x - 5, y), (x, y - 5), (x + 5, y), (x, y + 5)], colour=INK, filled=False)
    drawing.dot(scale(offset), y, 4.6, colour=colour, filled=told)
    drawing.text(610, y + 4, f"{with_interval(offset, u95)} %", anchor="end")
    drawing.text(618, y + 4, words, bold=entry.finding != "even")


def _offsets_legend(drawing: Drawing, y: float, threshold_percent: float, other: str) -> None:
    drawing.text(
        347, y + 1, "fuel offset, % fuel per air against the mean of the cylinder's own bank", anchor="middle"
    )
    y += 18
    drawing.dot(156, y - 4, 4.6, colour=INK, filled=True)
    drawing.text(165, y, "lean or rich")
    drawing.dot(241, y - 4, 4.6, colour=INK, filled=False)
    drawing.text(250, y, "even or not told")
    drawing.polygon([(347, y - 4), (352, y - 9), (357, y - 4), (352, y + 1)], colour=INK, filled=False)
    drawing.text(362, y, other)
    drawing.box(497, y - 10, 22, 12)
    drawing.text(523, y, f"too small to act on (± {threshold_percent:g} %)")


def sweep_panels(
    sweeps: Sequence[SweepCurves], balance: Balance, font: str, *, panel_width: float, panel_height: float
) -> str:
    """For each bank two panels: curves as measured, and each moved by its own offset, height and gain.

    That the curves fall onto one another after the move is what makes an offset believable.
    """
    per_row = max(2, int(PAGE_WIDTH // panel_width) // 2 * 2)
    lines = -(-2 * len(sweeps) // per_row)
    title = "Temperature against lambda in the sweep: as measured, and shifted onto each other"
    drawing = Drawing(PAGE_WIDTH, lines * panel_height, title, font)
    for i, sweep in enumerate(sweeps):
        colour = bank_colour(balance, sweep.bank)
        for shifted in (False, True):
            column = (2 * i + shifted) % per_row
            row = (2 * i + shifted) // per_row
            corner = (column * PAGE_WIDTH / per_row, row * panel_height)
            _sweep_panel(drawing, sweep, shifted, colour, corner, (PAGE_WIDTH / per_row, panel_height))
    return drawing.svg()


def _sweep_panel(
    drawing: Drawing,
    sweep: SweepCurves,
    shifted: bool,
    colour: str,
    corner: tuple[float, float],
    size: tuple[float, float],
) -> None:
    lambdas = np.repeat(sweep.lambda_[:, np.newaxis], len(sweep.cylinders), axis=1)
    temperatures = sweep.egt_C
    if shifted:
        lambdas, temperatures = sweep.shifted()
    if not np.isfinite(temperatures).any():
        return
    left, top, right, bottom = (
        corner[0] + 38,
        corner[1] + 18,
        corner[0] + size[0] - 26,
        corner[1] + size[1] - 30,
    )
    x = Scale(float(np.nanmin(lambdas)), float(np.nanmax(lambdas)), left, right)
    margin = 0.04 * float(np.nanmax(temperatures) - np.nanmin(temperatures)) or 1.0
    y = Scale(float(np.nanmin(temperatures)) - margin, float(np.nanmax(temperatures)) + margin, bottom, top)
    for tick in nice_ticks(y.low, y.high, 6):
        drawing.line(left, y(tick), right, y(tick), stroke=FAINT, width=0.7)
        drawing.text(left - 4, y(tick) + 4, tick_label(tick), anchor="end", size=9.5, fill=GREY)
    for tick in nice_ticks(x.low, x.high, 4 if size[0] < 250 else 7):
        drawing.line(x(tick), top, x(tick), bottom, stroke=FAINT, width=0.7)
        drawing.text(x(tick), bottom + 12, tick_label(tick), anchor="middle", size=9.5, fill=GREY)
    what = "own lambda; °C from the top" if shifted else "bank's lambda; °C"
    drawing.text(
        corner[0], corner[1] + 11, f"{sweep.bank[:14]}: {'shifted' if shifted else 'as measured'}", bold=True
    )
    drawing.text((left + right) / 2, bottom + 24, what, anchor="middle", size=9.5, fill=GREY)
    if shifted:
        inside = (sweep.curve_lambda >= x.low) & (sweep.curve_lambda <= x.high)
        drawing.path(
            [x(v) for v in sweep.curve_lambda[inside]],
            [y(v) for v in sweep.curve_C[inside]],
            stroke="#b9b9b9",
            width=5.0,
        )
    _curves(drawing, sweep.cylinders, lambdas, temperatures, x, y, colour)


def _curves(
    drawing: Drawing,
    cylinders: Sequence[int],
    lambdas: FloatArray,
    temperatures: FloatArray,
    x: Scale,
    y: Scale,
    colour: str,
) -> None:
    """The cylinders' lines, each with its own dash and its number at the right end."""
    ends: list[tuple[float, float]] = []
    for i in range(len(cylinders)):
        drawing.path(
            [x(v) for v in lambdas[:, i]],
            [y(v) for v in temperatures[:, i]],
            stroke=colour,
            width=1.1,
            dash=DASHES[i % len(DASHES)],
        )
        finite = np.flatnonzero(np.isfinite(temperatures[:, i]))
        last = (
            (x(lambdas[finite[-1], i]), y(temperatures[finite[-1], i])) if finite.size else (x.end, y.start)
        )
        ends.append(last)
    labels = spread_apart([end for _, end in ends], 10.0, (y.end, y.start))
    for cylinder, end, label in zip(cylinders, ends, labels, strict=True):
        drawing.line(end[0] + 1, end[1], x.end + 9, label, stroke=GREY, width=0.5)
        drawing.text(x.end + 11, label + 3.5, str(cylinder), size=10, fill=colour, bold=True)
