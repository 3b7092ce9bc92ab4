"""One rail per bank: each cylinder a bead with its whisker, above or below the line that is its bank's mean.

An even engine is a row of beads on a straight line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import Balance, Trims
from dashboard.display import Display, signed
from dashboard.figures.style import bank_colour, empty, finish, is_faint, nice_limit, shape


@dataclass(frozen=True)
class Bead:
    """A cylinder on its rail. `value` None: nothing can be said, drawn as an empty bead on the line with `note`."""

    cylinder: int
    value: float | None
    u95: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Rail:
    """A bank's beads in the order of its cylinders, with the bank's place (for colour and shape)."""

    bank: str
    index: int
    beads: tuple[Bead, ...]


def offset_rails(balance: Balance) -> list[Rail]:
    """Fuel offsets [%] of a balance."""
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(c.cylinder, c.fuel_offset_percent, c.fuel_offset_u95_percent, c.finding)
                for c in balance.cylinders
                if c.bank == bank.bank
            ),
        )
        for index, bank in enumerate(balance.banks)
    ]


def deviation_rails(balance: Balance, display: Display) -> list[Rail]:
    """Temperature deviations of a balance in the reader's unit."""
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(
                    c.cylinder,
                    _shown(c.egt_deviation_C, display),
                    _shown(c.egt_deviation_u95_C, display),
                    c.finding,
                )
                for c in balance.cylinders
                if c.bank == bank.bank
            ),
        )
        for index, bank in enumerate(balance.banks)
    ]


def predicted_rails(trims: Trims) -> list[Rail]:
    """Fuel offsets [%] as predicted after the step; the interval stays that of the offset as found."""
    found = {c.cylinder: c for c in trims.balance.cylinders}
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(
                    t.cylinder,
                    t.predicted_offset_percent,
                    found[t.cylinder].fuel_offset_u95_percent,
                    t.reason,
                )
                for t in trims.cylinders
                if t.bank == bank.bank
            ),
        )
        for index, bank in enumerate(trims.balance.banks)
    ]


def rails_figure(
    rails: Sequence[Rail],
    display: Display,
    *,
    title: str,
    unit: str,
    least: float,
    band: float | None = None,
    limit: float | None = None,
    followed: int | None = None,
) -> go.Figure:
    """Rails side by side on one common scale.

    least: the scale reaches at least ±`least`. band: half width of the grey band, e.g. the trim threshold.
    limit: fix the scale so that two figures can be compared. followed: the cylinder to bring forward.
    """
    if not rails:
        return empty("No bank to show.", display)
    ends = [abs(b.value) + (b.u95 or 0) for rail in rails for b in rail.beads if b.value is not None]
    reach = limit if limit is not None else nice_limit(ends, least)
    stacked = display.narrow
    figure = make_subplots(
        rows=len(rails) if stacked else 1,
        cols=1 if stacked else len(rails),
        shared_yaxes=not stacked,
        horizontal_spacing=0.03,
        vertical_spacing=0.08,
        column_widths=None if stacked else [max(2, len(rail.beads)) for rail in rails],
        subplot_titles=[f"bank {rail.bank}" for rail in rails],
    )
    for place, rail in enumerate(rails, start=1):
        where = {"row": place, "col": 1} if stacked else {"row": 1, "col": place}
        _add_rail(figure, rail, where, display, unit, reach, band, followed)
    figure.update_yaxes(range=[-reach, reach], zeroline=False)
    figure.update_yaxes(title_text=f"{title} [{unit}]", col=1)
    return finish(figure, display, height=280 * len(rails) if stacked else 380, bottom=14)


def _add_rail(
    figure: go.Figure,
    rail: Rail,
    where: dict[str, int],
    display: Display,
    unit: str,
    reach: float,
    band: float | None,
    followed: int | None,
) -> None:
    colours, colour = display.colours, bank_colour(rail.index, display)
    slots = list(range(len(rail.beads)))
    known = [bead.value is not None and not is_faint(bead.cylinder, followed) for bead in rail.beads]
    values = [bead.value if bead.value is not None else 0.0 for bead in rail.beads]
    figure.add_trace(
        go.Scatter(
            x=slots,
            y=values,
            customdata=[bead.cylinder for bead in rail.beads],
            mode="markers+text",
            text=[f"<b>{bead.cylinder}</b>" for bead in rail.beads],
            textfont={"size": 15, "color": [colours.paper if k else colours.ink for k in known]},
            marker={
                "symbol": shape(rail.index),
                "size": 25,
                "color": [colour if k else colours.paper for k in known],
                "opacity": 1.0,
                "line": {"width": 2.5, "color": colour},
            },
            error_y={
                "array": [bead.u95 or 0.0 for bead in rail.beads],
                "color": colours.ink,
                "thickness": 2.5,
                "width": 9,
            },
            hovertext=[_spoken(bead, unit) for bead in rail.beads],
            hoverinfo="text",
            name=rail.bank,
        ),
        **where,
    )
    figure.add_hline(y=0, line={"color": colour, "width": 5}, opacity=0.5, layer="below", **where)
    if band:
        figure.add_hrect(y0=-band, y1=band, fillcolor=colours.band, line_width=0, layer="below", **where)
    for slot, bead in zip(slots, rail.beads, strict=True):
        _add_label(figure, slot, bead, where, reach, display)
    figure.update_xaxes(
        range=[-0.6, len(slots) - 0.4],
        showgrid=False,
        zeroline=False,
        showticklabels=False,
        **where,
    )


def _add_label(
    figure: go.Figure, slot: int, bead: Bead, where: dict[str, int], reach: float, display: Display
) -> None:
    """The value in figures beyond the whisker's end, on the side away from the rail."""
    value = bead.value or 0.0
    away = 1 if value >= 0 else -1
    end = value + away * (bead.u95 or 0.0)
    interval = f" ±{bead.u95:.1f}" if bead.u95 else ""
    text = f"<b>{signed(value, 1)}</b>{interval}" if bead.value is not None else "cannot tell"
    figure.add_annotation(
        x=slot,
        y=max(-reach, min(reach, end)),
        yshift=away * 28 if abs(end - value) < 0.06 * reach else away * 14,
        text=text,
        showarrow=False,
        font={"size": 13 if display.narrow else 16, "color": display.colours.ink},
        **where,
    )


def _spoken(bead: Bead, unit: str) -> str:
    if bead.value is None:
        return f"cylinder {bead.cylinder}: cannot tell. {bead.note}"
    interval = f" ± {bead.u95:.1f}" if bead.u95 else ""
    return f"cylinder {bead.cylinder}: {signed(bead.value, 1)}{interval} {unit}. {bead.note}"


def _shown(value_C: float | None, display: Display) -> float | None:
    return None if value_C is None else float(display.difference(value_C))
