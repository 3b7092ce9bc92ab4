"""All channels of a session over time: stretches and marks on top, deviations by bank, mixture, speed, load."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import Stretch
from daq.physical import Mark, PhysicalTable
from dashboard.display import Display, write_time
from dashboard.figures.channels import LOAD, MIXTURE, SPEED, TEMPERATURE, panel_title
from dashboard.figures.style import bank_colour, finish, halo, is_faint
from dashboard.figures.trace_view import Labels, Line, Overlay, on_axis, view

MOST_MARKS = 60
LANE = "stretches"
HEIGHTS = {TEMPERATURE: 1.7, MIXTURE: 1.2, SPEED: 0.9, LOAD: 0.9}


def traces_figure(
    table: PhysicalTable,
    display: Display,
    start_s: float,
    end_s: float,
    *,
    stretches: Sequence[Stretch] = (),
    followed: int | None = None,
    overlay: Overlay | None = None,
) -> go.Figure:
    """The session between start and end [s since the recording began], thinned out to what a screen can show.

    Lines and labels come first among the traces, in the order of `dashboard.figures.trace_view.view`.
    """
    seen = view(table, display, (start_s, end_s), followed=followed, overlay=overlay)
    heights = [0.30] + [HEIGHTS.get(panel, 2.6) for panel in seen.panels]
    figure = make_subplots(rows=len(heights), shared_xaxes=True, vertical_spacing=0.022, row_heights=heights)
    rows = {panel: row for row, panel in enumerate(seen.panels, start=2)}
    traces = [_trace(line, display, followed) for line in seen.lines]
    traces += [_label_trace(labels, display) for labels in seen.labels]
    panels = [line.channel.panel for line in seen.lines] + [labels.panel for labels in seen.labels]
    figure.add_traces(traces, rows=[rows[panel] for panel in panels], cols=[1] * len(traces))
    _add_lane(figure, stretches, display)
    _add_marks(figure, table.marks, display)
    for panel, row in rows.items():
        title = panel_title(panel, table, display)
        figure.layout[f"yaxis{row}"].update(title_text=title, range=seen.ranges[panel], nticks=5)
    figure.update_xaxes(type="date", range=seen.span, tickformat="%H:%M:%S")
    figure.layout[f"xaxis{len(heights)}"].title.text = "time since the recording began [h:min:s]"
    figure.layout.yaxis.update(visible=False, range=[0, 1], fixedrange=True)
    figure.update_layout(dragmode="zoom", hovermode="closest", bargap=0, uirevision="kept")
    return finish(figure, display, height=170 + round(95 * sum(heights)), top=12, left=88)


def _trace(line: Line, display: Display, followed: int | None) -> go.Scatter:
    channel = line.channel
    if line.laid_over:
        look = {"color": display.colours.faint_ink, "width": 1, "dash": "dot"}
    else:
        colour = (
            display.colours.ink if channel.bank_index is None else bank_colour(channel.bank_index, display)
        )
        chosen = followed is not None and channel.cylinder == followed
        look = {"color": colour, "width": 2.5 if chosen else 1.2}
    faint = channel.cylinder is not None and is_faint(channel.cylinder, followed)
    name = f"{line.laid_over}: {channel.name}" if line.laid_over else channel.name
    return go.Scatter(
        x=line.x,
        y=line.y,
        mode="lines",
        line=look,
        opacity=0.4 if faint else 1.0,
        name=name,
        hovertemplate=f"{name}<br>%{{y:.4~g}}, %{{x|%H:%M:%S.%L}}<extra></extra>",
    )


def _label_trace(labels: Labels, display: Display) -> go.Scatter:
    return go.Scatter(
        x=labels.x,
        y=labels.y,
        mode="text",
        text=[f"<b>{text}</b>" for text in labels.texts],
        textposition="top center",
        textfont={"size": 16, "color": display.colours.ink, "shadow": halo(display)},
        hoverinfo="skip",
    )


def _add_lane(figure: go.Figure, stretches: Sequence[Stretch], display: Display) -> None:
    """The lane of stretches: a bar each, named, hatched where the result does not rest on it; a click chooses it."""
    colours = display.colours
    if not stretches:
        return
    figure.add_trace(
        go.Bar(
            orientation="h",
            base=[on_axis(s.start_s) for s in stretches],
            x=[(s.end_s - s.start_s) * 1000 for s in stretches],
            y=[0.5] * len(stretches),
            width=0.9,
            customdata=[[s.start_s, s.end_s] for s in stretches],
            text=[s.kind for s in stretches],
            textposition="inside",
            insidetextanchor="middle",
            textangle=0,
            textfont={"size": 14, "color": colours.ink},
            marker={
                "color": colours.band,
                "line": {"color": colours.faint_ink, "width": 1.5},
                "pattern": {
                    "shape": ["" if s.used else "/" for s in stretches],
                    "fgcolor": colours.faint_ink,
                },
            },
            hovertext=[stretch_text(s) for s in stretches],
            hoverinfo="text",
            name=LANE,
        ),
        row=1,
        col=1,
    )
    figure.layout.shapes += tuple(
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": on_axis(s.start_s),
            "x1": on_axis(s.end_s),
            "y0": 0,
            "y1": 1,
            "fillcolor": colours.band,
            "line": {"width": 0},
            "layer": "below",
        }
        for s in stretches
        if s.used
    )


def stretch_text(stretch: Stretch) -> str:
    """'sweep 2:30 to 5:00, used' or why not."""
    used = "used" if stretch.used else f"not used: {stretch.reason}"
    return f"{stretch.kind} {write_time(stretch.start_s)} to {write_time(stretch.end_s)}, {used}"


def _add_marks(figure: go.Figure, marks: Sequence[Mark], display: Display) -> None:
    """Each mark as a flag in the lane with its text; the newest ones as dashed lines through all panels too.

    Without any there is still a trace: plotly forgets the axes of a lane that has none.
    """
    figure.layout.shapes += tuple(
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": on_axis(mark.time_s),
            "x1": on_axis(mark.time_s),
            "y0": 0,
            "y1": 1,
            "line": {"color": display.colours.faint_ink, "width": 1, "dash": "dash"},
        }
        for mark in marks[-MOST_MARKS:]
    )
    figure.add_trace(
        go.Scatter(
            x=[on_axis(m.time_s) for m in marks],
            y=[0.5] * len(marks),
            mode="markers",
            marker={"symbol": "triangle-down", "size": 13, "color": display.colours.ink},
            hovertext=[f"{write_time(m.time_s)} {m.kind}: {m.text}" for m in marks],
            hoverinfo="text",
            name="marks",
        ),
        row=1,
        col=1,
    )
