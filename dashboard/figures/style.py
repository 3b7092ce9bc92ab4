"""What all figures share: the bank's colour and shape, the theme, the sizes."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboard.display import Display

FONT = "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif"
SHAPES = ("circle", "square", "diamond", "hexagon")
SHAPE_SIGNS = ("●", "■", "◆", "⬢")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")


def bank_colour(index: int, display: Display) -> str:
    """The colour of bank number `index`; a third bank takes the first colour again with another shape."""
    return display.colours.banks[index % 2]


def shape(index: int) -> str:
    """The marker of bank number `index`."""
    return SHAPES[index % len(SHAPES)]


def shape_sign(index: int) -> str:
    """The same marker as a character for text."""
    return SHAPE_SIGNS[index % len(SHAPE_SIGNS)]


def dash(index: int) -> str:
    """The line pattern of the cylinder at place `index` of its bank."""
    return DASHES[index % len(DASHES)]


def is_faint(cylinder: int, followed: int | None) -> bool:
    """Whether a cylinder steps back because another one is followed."""
    return followed is not None and cylinder != followed


def halo(display: Display) -> str:
    """A text shadow in the paper's colour, so that a number on a line can be read."""
    paper = display.colours.paper
    return ", ".join(f"{x}px {y}px 2px {paper}" for x in (-1, 0, 1) for y in (-1, 0, 1))


def finish(
    figure: go.Figure, display: Display, height: int, *, top: int = 30, left: int = 66, bottom: int = 56
) -> go.Figure:
    """Put theme, font and margins on a figure; on a narrow screen all is a little smaller."""
    colours, share = display.colours, 0.72 if display.narrow else 1.0
    figure.update_layout(
        template="none",
        height=height,
        margin={"l": round(left * share), "r": 8 if display.narrow else 16, "t": top, "b": bottom},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": 12 if display.narrow else 15, "color": colours.ink},
        hoverlabel={"bgcolor": colours.paper, "font": {"color": colours.ink, "size": 15}},
        showlegend=False,
    )
    lines = {"gridcolor": colours.grid, "zerolinecolor": colours.grid, "linecolor": colours.faint_ink}
    figure.update_xaxes(**lines, title_standoff=8)
    figure.update_yaxes(**lines, title_standoff=4 if display.narrow else 12)
    return figure


def empty(text: str, display: Display, height: int = 160) -> go.Figure:
    """A figure that only says why there is nothing to draw."""
    figure = go.Figure()
    figure.add_annotation(
        text=text, showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper", font={"size": 17}
    )
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    return finish(figure, display, height)


def nice_limit(values: Sequence[float], least: float) -> float:
    """A symmetric axis limit that holds all `values` with room for their labels, at least `least`."""
    return max([least, *(abs(v) for v in values)]) * 1.25
