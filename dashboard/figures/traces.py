"""All channels of a session over time: stretches and marks on top, deviations by bank, mixture, speed, load."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import Stretch
from daq.physical import Mark, PhysicalTable
from dashboard.display import Display, write_time
from dashboard.figures.channels import LOAD, MIXTURE, SPEED, TEMPERATURE, panel_title
from dashboard.figures.style import bank_colour, finish, halo, is_faint
from dashboard.figures.trace_view import LANE, Labels, Line, Overlay, view

MOST_MARKS = 60
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

    Lines and labels, those of the lane last, come first among the traces, in the order of
    `dashboard.figures.trace_view.view`.
    """
    seen = view(table, display, (start_s, end_s), followed=followed, overlay=overlay, stretches=stretches)
    heights = [0.30] + [HEIGHTS.get(panel, 2.6) for panel in seen.panels]
    figure = make_subplots(rows=len(heights), shared_xaxes=True, vertical_spacing=0.022, row_heights=heights)
    rows = {panel: row for row, panel in enumerate((LANE, *seen.panels), start=1)}
    traces = [_trace(line, display, followed) for line in seen.lines]
    texts = [*seen.labels, seen.kinds]
    traces += [_label_trace(labels, display) for labels in texts]
    panels = [line.channel.panel for line in seen.lines] + [labels.panel for labels in texts]
    figure.add_traces(traces, rows=[rows[panel] for panel in panels], cols=[1] * len(traces))
    _add_lane(figure, stretches, display)
    _add_marks(figure, table.marks, display)
    for panel in seen.panels:
        title = panel_title(panel, table, display)
        figure.layout[f"yaxis{rows[panel]}"].update(title_text=title, range=seen.ranges[panel])
        figure.layout[f"yaxis{rows[panel]}"].nticks = 3 if panel in (SPEED, LOAD) else 5
    figure.update_xaxes(range=seen.span, tickvals=seen.ticks_s, ticktext=seen.tick_texts, zeroline=False)
    # "allow": else plotly measures every label at every zoom
    figure.update_xaxes(ticklabeloverflow="allow")
    figure.update_yaxes(ticklabeloverflow="allow", fixedrange=True)
    figure.layout[f"xaxis{len(heights)}"].title.text = "time since the recording began [h:min:s]"
    figure.layout.yaxis.update(visible=False, range=[0, 1])
    figure.update_layout(dragmode="zoom", hovermode="closest", bargap=0, barmode="overlay", uirevision="kept")
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
        hovertemplate=f"{name}<br>%{{y:.4~g}} at %{{x:.2f}} s<extra></extra>",
    )


def _label_trace(labels: Labels, display: Display) -> go.Scatter:
    in_lane = labels.panel == LANE
    return go.Scatter(
        x=labels.x,
        y=labels.y,
        mode="text",
        text=bold(labels),
        textposition="middle center" if in_lane else "top center",
        textfont={"size": 14 if in_lane else 16, "color": display.colours.ink, "shadow": halo(display)},
        hoverinfo="skip",
    )


def bold(labels: Labels) -> list[str]:
    """The texts as plotly draws them."""
    return [f"<b>{text}</b>" for text in labels.texts]


def _add_lane(figure: go.Figure, stretches: Sequence[Stretch], display: Display) -> None:
    """The lane of stretches: a bar each, hollow where the result does not rest on it; a click chooses it.

    Neither hatching, words on the bars themselves nor a colour for each: for a hundred stretches they cost a third of
    a zoom.
    """
    colours = display.colours
    if not stretches:
        return
    for used, fill in ((True, colours.band), (False, "rgba(0,0,0,0)")):
        figure.add_trace(
            go.Bar(
                orientation="h",
                width=0.9,
                marker={"color": fill, "line": {"color": colours.faint_ink, "width": 1.5}},
                hoverinfo="text",
                name=LANE,
                **bars(stretches, used),
            ),
            row=1,
            col=1,
        )
    bands = [(s.start_s, s.end_s) for s in stretches if s.used]
    figure.layout.shapes += _one_shape(
        "".join(f"M{start},0H{end}V1H{start}Z" for start, end in bands), {"width": 0}, colours.band
    )


def bars(stretches: Sequence[Stretch], used: bool) -> dict[str, list[Any]]:
    """A bar for each stretch that is used, or for each that is not."""
    alike = [s for s in stretches if s.used is used]
    return {
        "base": [s.start_s for s in alike],
        "x": [s.end_s - s.start_s for s in alike],
        "y": [0.5] * len(alike),
        # to the millisecond, as the page names a stretch in its list and its address
        "customdata": [[round(s.start_s, 3), round(s.end_s, 3)] for s in alike],
        "hovertext": [stretch_text(s) for s in alike],
    }


def _one_shape(
    path: str, line: dict[str, object], fill: str = "rgba(0,0,0,0)"
) -> tuple[dict[str, object], ...]:
    """Everything of one kind behind the panels as one shape: hundreds of shapes cost most of a zoom."""
    if not path:
        return ()
    place = {"type": "path", "xref": "x", "yref": "paper", "layer": "below"}
    return ({**place, "path": path, "line": line, "fillcolor": fill},)


def stretch_text(stretch: Stretch) -> str:
    """'sweep 2:30 to 5:00, used' or why not."""
    used = "used" if stretch.used else f"not used: {stretch.reason}"
    return f"{stretch.kind} {write_time(stretch.start_s)} to {write_time(stretch.end_s)}, {used}"


def _add_marks(figure: go.Figure, marks: Sequence[Mark], display: Display) -> None:
    """Each mark as a flag in the lane with its text; the newest ones as dashed lines through all panels too.

    Without any there is still a trace: plotly forgets the axes of a lane that has none.
    """
    figure.layout.shapes += _one_shape(
        "".join(f"M{mark.time_s},0V1" for mark in marks[-MOST_MARKS:]),
        {"color": display.colours.faint_ink, "width": 1, "dash": "dash"},
    )
    figure.add_trace(
        go.Scatter(
            x=[m.time_s for m in marks],
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
