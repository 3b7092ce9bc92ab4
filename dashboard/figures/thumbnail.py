"""A session at a glance, as SVG text: its temperatures over time and, once known, its beads on their rails."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import numpy.typing as npt

from analysis.result import Balance
from daq.physical import PhysicalTable
from dashboard.display import Colours

FloatArray = npt.NDArray[np.float64]
WIDTH, HEIGHT, SLICES = 240, 64, 120
FULL_PERCENT, FULL_C = 6.0, 40.0


def thumbnail_svg(table: PhysicalTable, colours: Colours) -> str:
    """One strip a bank, one under the other: the hottest and coolest cylinder in each of 120 slices of time."""
    body = ""
    good = np.isfinite(table.egt_C)
    top_C = float(table.egt_C[good].max()) if good.any() else 1.0
    strip = HEIGHT / max(1, len(table.setup.bank))
    for index, bank in enumerate(table.setup.bank):
        members = [table.cylinders.index(c) for c in bank.cylinders if c in table.cylinders]
        foot = strip * (index + 1) - 2
        band = _band_path(table.egt_C[:, members], top_C, foot, strip - 6)
        colour = colours.banks[index % 2]
        body += f'<path d="M0 {foot + 1:.1f}H{WIDTH}" stroke="{colours.grid}"/>'
        body += f'<path d="{band}" fill="{colour}" stroke="{colour}" stroke-width="1.2"/>'
    return _svg(body)


def glance_svg(balance: Balance, colours: Colours) -> str:
    """Each bank's rail: filled beads at the fuel offset (± 6 % is full height), hollow ones at the deviation."""
    count = max(1, len(balance.cylinders) + len(balance.banks) - 1)
    step, x, body = WIDTH / count, 0.0, ""
    for index, bank in enumerate(balance.banks):
        colour = colours.banks[index % 2]
        own = [c for c in balance.cylinders if c.bank == bank.bank]
        body += f'<path d="M{x:.1f} {HEIGHT / 2}h{step * len(own):.1f}" stroke="{colour}" stroke-width="2"/>'
        for c in own:
            told = c.fuel_offset_percent is not None
            share = (
                (c.fuel_offset_percent or 0.0) / FULL_PERCENT if told else (c.egt_deviation_C or 0.0) / FULL_C
            )
            y = HEIGHT / 2 * (1 - 0.8 * float(np.clip(share, -1, 1)))
            fill = colour if told else "none"
            body += _bead(index, x + step / 2, y, f'fill="{fill}" stroke="{colour}" stroke-width="2"')
            x += step
        x += step
    return _svg(body)


def _bead(index: int, x: float, y: float, look: str) -> str:
    if index % 2:
        return f'<rect x="{x - 5:.1f}" y="{y - 5:.1f}" width="10" height="10" {look}/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.5" {look}/>'


def _svg(body: str) -> str:
    size = f'viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{body}</svg>'


def _band_path(egt_C: FloatArray, top_C: float, foot: float, height: float) -> str:
    """A closed path around least and greatest of each slice; slices without a reading are skipped."""
    edges = np.unique(np.linspace(0, egt_C.shape[0], SLICES + 1).astype(int))
    slices = [egt_C[a:b] for a, b in itertools.pairwise(edges)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        low = np.array([np.nanmin(part) if part.size else np.nan for part in slices])
        high = np.array([np.nanmax(part) if part.size else np.nan for part in slices])
    x = np.arange(len(slices)) * WIDTH / max(1, len(slices))
    there = np.isfinite(low)
    if not there.any():
        return ""

    def points(T_C: FloatArray) -> list[str]:
        y = foot - height * np.clip(T_C[there], 0.0, None) / max(1.0, top_C)
        return [f"{a:.1f},{b:.1f}" for a, b in zip(x[there], y, strict=True)]

    return f"M{' '.join(points(high))} L{' '.join(reversed(points(low)))}Z"
