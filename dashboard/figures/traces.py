"""All channels of a session over time: stretches and marks on top, temperatures by bank, lambda, speed, load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import Stretch
from daq.physical import Mark, PhysicalTable
from dashboard.display import Display, write_time
from dashboard.figures.downsample import POINTS, thin_out
from dashboard.figures.style import bank_colour, dash, finish, is_faint

FloatArray = npt.NDArray[np.float64]
MOST_MARKS = 60
LANE = "stretches"
# plotly takes small numbers on a date axis for years, so the axis begins at the second day of its calendar
AXIS_BEGINS_MS = 86_400_000.0


@dataclass(frozen=True)
class Channel:
    """One line of the picture: its panel, its values (n_samples,) in SI units, whose it is."""

    panel: str
    name: str
    values: FloatArray
    bank_index: int | None = None
    place: int = 0
    cylinder: int | None = None


@dataclass(frozen=True)
class Overlay:
    """A second session laid over the first; `shift_s` [s] is added to its times."""

    table: PhysicalTable
    shift_s: float = 0.0


def on_axis(time_s: Any) -> Any:
    """Times [s since the recording began] as the time axis takes them."""
    return np.multiply(time_s, 1000.0) + AXIS_BEGINS_MS


def from_axis(value: Any) -> float | None:
    """The time [s] that the time axis reports as milliseconds or as a date and time; None for anything else."""
    try:
        milliseconds = (
            float(value)
            if isinstance(value, int | float)
            else float(np.datetime64(str(value).replace(" ", "T"), "us").astype(np.int64)) / 1000.0
        )
    except ValueError:
        return None
    time_s = (milliseconds - AXIS_BEGINS_MS) / 1000.0
    return time_s if np.isfinite(time_s) else None


def channels(table: PhysicalTable) -> list[Channel]:
    """Every channel that the session has, panel by panel from top to bottom."""
    found: list[Channel] = []
    for index, bank in enumerate(table.setup.bank):
        for place, cylinder in enumerate(bank.cylinders):
            if cylinder in table.cylinders:
                values = table.egt_C[:, table.cylinders.index(cylinder)]
                name = f"cylinder {cylinder}"
                found.append(Channel(f"bank {bank.name}", name, values, index, place, cylinder))
    for index, bank in enumerate(table.setup.bank):
        if bank.name in table.lambda_by_bank:
            found.append(Channel("mixture", bank.name, table.lambda_by_bank[bank.name], index))
    for panel, column in (("speed", table.rpm), ("load", table.load)):
        if column is not None:
            found.append(Channel(panel, panel, column))
    return found


def traces_figure(
    table: PhysicalTable,
    display: Display,
    start_s: float,
    end_s: float,
    *,
    stretches: Sequence[Stretch] = (),
    followed: int | None = None,
    overlay: Overlay | None = None,
    points: int = POINTS,
) -> go.Figure:
    """The session between start and end [s since the recording began], thinned out to what a screen can show."""
    shown = channels(table)
    panels = list(dict.fromkeys(c.panel for c in shown))
    heights = [0.30] + [3.0 if panel.startswith("bank ") else 1.2 for panel in panels]
    figure = make_subplots(
        rows=len(panels) + 1, shared_xaxes=True, vertical_spacing=0.022, row_heights=heights
    )
    for channel in shown:
        row = panels.index(channel.panel) + 2
        _add_line(figure, row, table, channel, display, (start_s, end_s), followed, points)
    if overlay is not None:
        _add_overlay(figure, panels, overlay, display, (start_s, end_s), followed, points)
    _add_numbers(figure, table, shown, panels, display, (start_s, end_s))
    _add_lane(figure, stretches, display)
    _add_marks(figure, [m for m in table.marks if start_s <= m.time_s <= end_s], display)
    for row, panel in enumerate(panels, start=2):
        figure.update_yaxes(
            title_text=panel_title(panel, table, display), range=_range_of(figure, row), row=row, nticks=5
        )
    figure.update_xaxes(type="date", range=[on_axis(start_s), on_axis(end_s)], tickformat="%H:%M:%S")
    figure.update_xaxes(title_text="time since the recording began [h:min:s]", row=len(panels) + 1)
    figure.update_yaxes(visible=False, range=[0, 1], fixedrange=True, row=1)
    figure.update_layout(dragmode="zoom", hovermode="closest", bargap=0)
    return finish(figure, display, height=170 + round(95 * sum(heights)), top=12, left=88)


def _range_of(figure: go.Figure, row: int) -> list[float] | None:
    """The range of a panel's values with room above for the numbers on the lines."""
    traces = [np.asarray(t.y, dtype=np.float64) for t in figure.select_traces(row=row, col=1)]
    values = np.concatenate(traces)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return None
    low, high = float(values.min()), float(values.max())
    room = max(high - low, 1e-3 * abs(high), 1e-3)
    return [low - 0.07 * room, high + 0.2 * room]


def panel_title(panel: str, table: PhysicalTable, display: Display) -> str:
    """What a panel shows with its unit, e.g. 'bank port [°C]'."""
    if panel.startswith("bank "):
        return f"{panel}<br>[{display.temperature_unit}]"
    if panel == "mixture":
        return display.mixture_name
    column = table.setup.conditions.load or ""
    return "speed<br>[1/min]" if panel == "speed" else f"load<br>[{_unit(column)}]"


def _unit(column: str) -> str:
    suffix = column.rpartition("_")[2]
    return {"pct": "%"}.get(suffix, suffix if suffix in {"kPa", "V", "mV"} else column)


def _in_unit(channel: Channel, values: FloatArray, display: Display) -> FloatArray:
    if channel.cylinder is not None:
        return np.asarray(display.temperature(values))
    return np.asarray(display.mixture(values)) if channel.panel == "mixture" else values


def _add_line(
    figure: go.Figure,
    row: int,
    table: PhysicalTable,
    channel: Channel,
    display: Display,
    span_s: tuple[float, float],
    followed: int | None,
    points: int,
) -> None:
    time_s, values = thin_out(table.time_s, channel.values, *span_s, table.gaps_s, points)
    colour = display.colours.ink if channel.bank_index is None else bank_colour(channel.bank_index, display)
    faint = channel.cylinder is not None and is_faint(channel.cylinder, followed)
    width = 3.0 if followed is not None and channel.cylinder == followed else 1.5
    figure.add_trace(
        go.Scatter(
            x=on_axis(time_s),
            y=_in_unit(channel, values, display).astype(np.float32),
            mode="lines",
            line={"color": colour, "width": width, "dash": dash(channel.place)},
            opacity=0.25 if faint else 1.0,
            name=channel.name,
            customdata=None if channel.cylinder is None else [channel.cylinder],
            hovertemplate=f"{channel.name}<br>%{{y:.4~g}}, %{{x|%H:%M:%S.%L}}<extra></extra>",
        ),
        row=row,
        col=1,
    )


def _add_overlay(
    figure: go.Figure,
    panels: Sequence[str],
    overlay: Overlay,
    display: Display,
    span_s: tuple[float, float],
    followed: int | None,
    points: int,
) -> None:
    """The other session's channels where the first has the same panel: fine dotted lines."""
    table = overlay.table
    for channel in channels(table):
        if channel.panel not in panels or (channel.cylinder and is_faint(channel.cylinder, followed)):
            continue
        first, last = (t - overlay.shift_s for t in span_s)
        time_s, values = thin_out(table.time_s, channel.values, first, last, table.gaps_s, points // 2)
        figure.add_trace(
            go.Scatter(
                x=on_axis(time_s + overlay.shift_s),
                y=_in_unit(channel, values, display).astype(np.float32),
                mode="lines",
                line={"color": display.colours.faint_ink, "width": 1, "dash": "dot"},
                name=f"{table.name}: {channel.name}",
                hovertemplate=f"{table.name}: {channel.name}<br>%{{y:.4~g}}<extra></extra>",
            ),
            row=panels.index(channel.panel) + 2,
            col=1,
        )


def _add_numbers(
    figure: go.Figure,
    table: PhysicalTable,
    shown: Sequence[Channel],
    panels: Sequence[str],
    display: Display,
    span_s: tuple[float, float],
) -> None:
    """Each cylinder's number on its own line, staggered along the time axis so that they do not collide."""
    start_s, end_s = span_s
    for panel in panels:
        lines = [c for c in shown if c.panel == panel and c.bank_index is not None]
        if not lines or table.time_s.size == 0:
            continue
        at_s = start_s + (end_s - start_s) * (np.arange(len(lines)) + 0.5) / len(lines)
        nearest = np.clip(np.searchsorted(table.time_s, at_s), 0, table.time_s.size - 1)
        y = [float(_in_unit(c, c.values[i : i + 1], display)[0]) for c, i in zip(lines, nearest, strict=True)]
        figure.add_trace(
            go.Scatter(
                x=on_axis(table.time_s[nearest]),
                y=y,
                mode="text",
                text=[f"<b>{c.cylinder if c.cylinder is not None else c.name}</b>" for c in lines],
                textposition="top center",
                textfont={"size": 16, "color": display.colours.ink},
                hoverinfo="skip",
            ),
            row=panels.index(panel) + 2,
            col=1,
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
    for s in stretches:
        figure.add_shape(
            type="rect",
            xref="x",
            yref="paper",
            x0=on_axis(s.start_s),
            x1=on_axis(s.end_s),
            y0=0,
            y1=1,
            fillcolor=colours.band if s.used else "rgba(0,0,0,0)",
            line={"width": 0},
            layer="below",
        )


def stretch_text(stretch: Stretch) -> str:
    """'sweep 2:30 to 5:00, used' or why not."""
    used = "used" if stretch.used else f"not used: {stretch.reason}"
    return f"{stretch.kind} {write_time(stretch.start_s)} to {write_time(stretch.end_s)}, {used}"


def _add_marks(figure: go.Figure, marks: Sequence[Mark], display: Display) -> None:
    """A dashed line for each mark, with its text on a flag in the lane; the newest ones if there are very many."""
    shown = marks[-MOST_MARKS:]
    for mark in shown:
        figure.add_shape(
            type="line",
            xref="x",
            yref="paper",
            x0=on_axis(mark.time_s),
            x1=on_axis(mark.time_s),
            y0=0,
            y1=1,
            line={"color": display.colours.faint_ink, "width": 1, "dash": "dash"},
        )
    if shown:
        figure.add_trace(
            go.Scatter(
                x=[on_axis(m.time_s) for m in shown],
                y=[0.5] * len(shown),
                mode="markers",
                marker={"symbol": "triangle-down", "size": 13, "color": display.colours.ink},
                hovertext=[f"{write_time(m.time_s)} {m.kind}: {m.text}" for m in shown],
                hoverinfo="text",
                name="marks",
            ),
            row=1,
            col=1,
        )
