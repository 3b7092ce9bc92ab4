"""All channels of a session over time: stretches and marks on top, temperatures by bank, lambda, speed, load."""

from __future__ import annotations

import weakref
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
from dashboard.figures.downsample import POINTS, thin_out, visible
from dashboard.figures.style import bank_colour, finish, halo, is_faint
from dashboard.live_state import deviations_C

FloatArray = npt.NDArray[np.float64]
MOST_MARKS = 60
LANE = "stretches"
DEVIATION, TEMPERATURE, MIXTURE, SPEED, LOAD = "deviation of bank ", "temperature", "mixture", "speed", "load"
HEIGHTS = {TEMPERATURE: 1.7, MIXTURE: 1.2, SPEED: 0.9, LOAD: 0.9}
# plotly takes small numbers on a date axis for years, so the axis begins at the second day of its calendar
AXIS_BEGINS_MS = 86_400_000.0


@dataclass(frozen=True)
class Channel:
    """One line of the picture: its panel, its values (n_samples,) in SI units, whose it is.

    cylinder: None for what belongs to a bank or the whole engine.
    """

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
    """Every channel that the session has, panel by panel from top to bottom: deviations of each bank first."""
    found: list[Channel] = []
    for index, bank in enumerate(table.setup.bank):
        for place, cylinder in enumerate(bank.cylinders):
            column = table.cylinders.index(cylinder)
            name, values = f"cylinder {cylinder}", deviations_of(table)[column]
            found.append(Channel(f"{DEVIATION}{bank.name}", name, values, index, place, cylinder))
    for index, bank in enumerate(table.setup.bank):
        for place, cylinder in enumerate(bank.cylinders):
            values = table.egt_C[:, table.cylinders.index(cylinder)]
            found.append(Channel(TEMPERATURE, f"cylinder {cylinder}", values, index, place, cylinder))
    for index, bank in enumerate(table.setup.bank):
        if bank.name in table.lambda_by_bank:
            found.append(Channel(MIXTURE, bank.name, table.lambda_by_bank[bank.name], index))
    for panel, quantity in ((SPEED, table.rpm), (LOAD, table.load)):
        if quantity is not None:
            found.append(Channel(panel, panel, quantity))
    return found


_deviations: dict[int, tuple[weakref.ref[PhysicalTable], FloatArray]] = {}


def deviations_of(table: PhysicalTable) -> FloatArray:
    """(n_cylinders, n_samples) °C from the mean of the cylinder's bank; kept as long as the table is."""
    known = _deviations.get(id(table))
    if known is not None and known[0]() is table:
        return known[1]
    for key in [key for key, (owner, _) in _deviations.items() if owner() is None]:
        _deviations.pop(key, None)
    result = np.ascontiguousarray(deviations_C(table.egt_C, table.setup).T)
    _deviations[id(table)] = (weakref.ref(table), result)
    return result


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
    heights = [0.30] + [HEIGHTS.get(panel, 2.6) for panel in panels]
    figure = make_subplots(
        rows=len(panels) + 1, shared_xaxes=True, vertical_spacing=0.022, row_heights=heights
    )
    for channel in shown:
        row = panels.index(channel.panel) + 2
        _add_line(figure, row, table, channel, display, (start_s, end_s), followed, points)
    if overlay is not None:
        _add_overlay(figure, panels, overlay, display, (start_s, end_s), followed, points)
    _add_numbers(figure, table, shown, panels, display, (start_s, end_s))
    _add_lane(figure, stretches, display, (start_s, end_s))
    _add_marks(figure, [m for m in table.marks if start_s <= m.time_s <= end_s], display)
    alike = [row for row, panel in enumerate(panels, start=2) if panel.startswith(DEVIATION)]
    for row, panel in enumerate(panels, start=2):
        rows = alike if row in alike else [row]  # the banks on one scale
        title = panel_title(panel, table, display)
        figure.update_yaxes(title_text=title, range=_range_of(figure, rows, panel), row=row, nticks=5)
    figure.update_xaxes(type="date", range=[on_axis(start_s), on_axis(end_s)], tickformat="%H:%M:%S")
    figure.update_xaxes(title_text="time since the recording began [h:min:s]", row=len(panels) + 1)
    figure.update_yaxes(visible=False, range=[0, 1], fixedrange=True, row=1)
    figure.update_layout(dragmode="zoom", hovermode="closest", bargap=0)
    return finish(figure, display, height=170 + round(95 * sum(heights)), top=12, left=88)


def _range_of(figure: go.Figure, rows: Sequence[int], panel: str) -> list[float] | None:
    """The range of the values in these rows with room above for the numbers on the lines.

    Of deviations 98 % decide, so that starting the engine does not flatten the rest.
    """
    traces = [np.asarray(t.y, dtype=np.float64) for row in rows for t in figure.select_traces(row=row, col=1)]
    values = np.concatenate(traces)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return None
    ends = (1.0, 99.0) if panel.startswith(DEVIATION) else (0.0, 100.0)
    low, high = (float(v) for v in np.percentile(values, ends))
    room = max(high - low, 1e-3 * abs(high), 1e-3)
    return [low - 0.07 * room, high + 0.2 * room]


def panel_title(panel: str, table: PhysicalTable, display: Display) -> str:
    """What a panel shows with its unit, e.g. 'port bank,<br>from its mean [°C]'."""
    if panel.startswith(DEVIATION):
        return f"{panel.removeprefix(DEVIATION)},<br>from mean [{display.temperature_unit}]"
    if panel == TEMPERATURE:
        return f"exhaust<br>[{display.temperature_unit}]"
    if panel == MIXTURE:
        return display.mixture_name
    column = table.setup.conditions.load or ""
    return "speed<br>[1/min]" if panel == SPEED else f"load<br>[{_unit(column)}]"


def _unit(column: str) -> str:
    suffix = column.rpartition("_")[2]
    return {"pct": "%"}.get(suffix, suffix if suffix in {"kPa", "V", "mV"} else column)


def _in_unit(channel: Channel, values: FloatArray, display: Display) -> FloatArray:
    if channel.panel.startswith(DEVIATION):
        return np.asarray(display.difference(values))
    if channel.panel == TEMPERATURE:
        return np.asarray(display.temperature(values))
    return np.asarray(display.mixture(values)) if channel.panel == MIXTURE else values


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
    points = points if channel.panel.startswith(DEVIATION) else points // 2
    time_s, values = thin_out(table.time_s, channel.values, *span_s, table.gaps_s, points)
    colour = display.colours.ink if channel.bank_index is None else bank_colour(channel.bank_index, display)
    faint = channel.cylinder is not None and is_faint(channel.cylinder, followed)
    width = 2.5 if followed is not None and channel.cylinder == followed else 1.2
    figure.add_trace(
        go.Scatter(
            x=on_axis(time_s),
            y=_in_unit(channel, values, display).astype(np.float32),
            mode="lines",
            line={"color": colour, "width": width},
            opacity=0.4 if faint else 1.0,
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
        hidden = channel.cylinder is not None and is_faint(channel.cylinder, followed)
        if channel.panel not in panels or hidden:
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
        if not lines or table.time_s.size == 0 or panel == TEMPERATURE:
            continue
        at_s = start_s + (end_s - start_s) * (np.arange(len(lines)) + 0.5) / len(lines)
        around_s = (end_s - start_s) / 200
        y = [
            _typical_near(table, c, time_s, around_s, display) for c, time_s in zip(lines, at_s, strict=True)
        ]
        figure.add_trace(
            go.Scatter(
                x=on_axis(at_s),
                y=y,
                mode="text",
                text=[f"<b>{c.cylinder if c.cylinder is not None else c.name}</b>" for c in lines],
                textposition="top center",
                textfont={"size": 16, "color": display.colours.ink, "shadow": halo(display)},
                hoverinfo="skip",
            ),
            row=panels.index(panel) + 2,
            col=1,
        )


def _typical_near(
    table: PhysicalTable, channel: Channel, time_s: float, around_s: float, display: Display
) -> float:
    """The median of a channel within ±`around_s` of a time, as shown; NaN where it has no reading there."""
    near = visible(table.time_s, time_s - around_s, time_s + around_s)
    values = channel.values[near]
    values = values[np.isfinite(values)]
    return float(_in_unit(channel, np.median(values, keepdims=True), display)[0]) if values.size else np.nan


def _add_lane(
    figure: go.Figure, stretches: Sequence[Stretch], display: Display, span_s: tuple[float, float]
) -> None:
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
            text=[s.kind if s.end_s - s.start_s > 0.07 * (span_s[1] - span_s[0]) else "" for s in stretches],
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
