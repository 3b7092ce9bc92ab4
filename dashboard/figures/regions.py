"""A cylinder's deviation where the engine ran: one small panel a cylinder, one dot a region, one common scale."""

from __future__ import annotations

import re
from collections.abc import Sequence

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import Balance
from dashboard.display import Display
from dashboard.figures.style import bank_colour, empty, finish, is_faint, nice_limit, shape

COLUMNS, NARROW_COLUMNS = 4, 2


def regions_figure(balance: Balance, display: Display, followed: int | None = None) -> go.Figure:
    """Deviation with its interval by region, regions in the same order in every panel."""
    names = list(dict.fromkeys(r.region for r in balance.regions))
    cylinders = [c for c in balance.cylinders if any(r.cylinder == c.cylinder for r in balance.regions)]
    if not cylinders:
        return empty("Only one operating region was seen.", display)
    columns = min(NARROW_COLUMNS if display.narrow else COLUMNS, len(cylinders))
    rows = -(-len(cylinders) // columns)
    figure = make_subplots(
        rows=rows,
        cols=columns,
        shared_yaxes=True,
        shared_xaxes=True,
        horizontal_spacing=0.025,
        vertical_spacing=0.14,
        subplot_titles=[f"cylinder {c.cylinder}" for c in cylinders],
    )
    banks = [b.bank for b in balance.banks]
    for number, entry in enumerate(cylinders):
        own = [r for r in balance.regions if r.cylinder == entry.cylinder]
        index = banks.index(entry.bank)
        row, column = number // columns + 1, number % columns + 1
        figure.add_trace(
            go.Scatter(
                x=[names.index(r.region) for r in own],
                y=[display.difference(r.egt_deviation_C) for r in own],
                error_y={
                    "array": [display.difference(r.egt_deviation_u95_C) for r in own],
                    "color": display.colours.ink,
                    "thickness": 2,
                    "width": 5,
                },
                mode="markers",
                marker={"symbol": shape(index), "size": 13, "color": bank_colour(index, display)},
                opacity=0.45 if is_faint(entry.cylinder, followed) else 1.0,
                hovertext=[
                    f"{r.region}: {display.write_difference(r.egt_deviation_C, r.egt_deviation_u95_C)}"
                    for r in own
                ],
                hoverinfo="text",
                customdata=[entry.cylinder] * len(own),
                name=f"cylinder {entry.cylinder}",
            ),
            row=row,
            col=column,
        )
        colour = bank_colour(index, display)
        figure.add_hline(y=0, line={"color": colour, "width": 4}, opacity=0.5, row=row, col=column)
    figure.update_yaxes(range=_common_range(balance, display), nticks=5)
    figure.update_yaxes(title_text=f"[{display.temperature_unit}]", col=1)
    figure.update_xaxes(
        tickvals=list(range(len(names))),
        ticktext=_short(names, display.narrow),
        range=[-0.5, len(names) - 0.5],
        tickangle=0,
    )
    return finish(figure, display, height=130 + 190 * rows, top=36, bottom=84 if display.narrow else 56)


def _common_range(balance: Balance, display: Display) -> list[float]:
    ends = [abs(r.egt_deviation_C) + r.egt_deviation_u95_C for r in balance.regions]
    reach = nice_limit([float(display.difference(e)) for e in ends], 10.0)
    return [-reach, reach]


def _short(names: Sequence[str], narrow: bool) -> list[str]:
    """Region names as tick labels: the parts, on a narrow screen the words, on lines of their own.

    A load that has a unit needs no word before it, which would reach into the next label.
    """
    breaks = "<br>" if narrow else " "
    brief = [re.sub(r"load (\S+ \S+)", r"\1", name) for name in names]
    return [name.replace(" · ", "<br>").replace(", ", "<br>").replace(" ", breaks) for name in brief]
