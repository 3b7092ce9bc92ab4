"""What of a session is in view: lines thinned out, numbers on them, the range of each panel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.physical import PhysicalTable
from dashboard.display import Display
from dashboard.figures.channels import DEVIATION, TEMPERATURE, Channel, channels, in_unit
from dashboard.figures.downsample import POINTS, thin_out, visible
from dashboard.figures.style import is_faint

FloatArray = npt.NDArray[np.float64]
# plotly takes small numbers on a date axis for years, so the axis begins at the second day of its calendar
AXIS_BEGINS_MS = 86_400_000.0


@dataclass(frozen=True)
class Overlay:
    """A second session laid over the first; `shift_s` [s] is added to its times."""

    table: PhysicalTable
    shift_s: float = 0.0


@dataclass(frozen=True)
class Line:
    """A channel as drawn: x on the time axis, y in the reader's unit, both (n_points,). laid_over: whose it is."""

    channel: Channel
    x: FloatArray
    y: npt.NDArray[np.float32]
    laid_over: str = ""


@dataclass(frozen=True)
class Labels:
    """The names of a panel's lines, each at a point of its own line."""

    panel: str
    x: FloatArray
    y: FloatArray
    texts: tuple[str, ...]


@dataclass(frozen=True)
class View:
    """Everything that depends on the span of time in view; `ranges` of the panels' values."""

    panels: tuple[str, ...]
    lines: tuple[Line, ...]
    labels: tuple[Labels, ...]
    ranges: dict[str, list[float] | None]
    span: list[float]


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


def view(
    table: PhysicalTable,
    display: Display,
    span_s: tuple[float, float],
    *,
    followed: int | None = None,
    overlay: Overlay | None = None,
    points: int = POINTS,
) -> View:
    """The session between two times [s since the recording began]."""
    shown = channels(table)
    panels = tuple(dict.fromkeys(c.panel for c in shown))
    lines = [_line(table, c, display, span_s, points) for c in shown]
    if overlay is not None:
        lines += _laid_over(overlay, panels, display, span_s, followed, points)
    labels = [_labels(table, [c for c in shown if c.panel == p], display, span_s) for p in panels]
    alike = [line for line in lines if line.channel.panel.startswith(DEVIATION)]
    ranges = {
        panel: _range_of(
            alike if panel.startswith(DEVIATION) else [ln for ln in lines if ln.channel.panel == panel]
        )
        for panel in panels
    }
    return View(
        panels,
        tuple(lines),
        tuple(each for each in labels if each),
        ranges,
        [float(on_axis(t)) for t in span_s],
    )


def _line(
    table: PhysicalTable, channel: Channel, display: Display, span_s: tuple[float, float], points: int
) -> Line:
    fewer = points if channel.panel.startswith(DEVIATION) else points // 3
    time_s, values = thin_out(table.time_s, channel.values, *span_s, table.gaps_s, fewer)
    return Line(channel, on_axis(time_s), in_unit(channel, values, display).astype(np.float32))


def _laid_over(
    overlay: Overlay,
    panels: Sequence[str],
    display: Display,
    span_s: tuple[float, float],
    followed: int | None,
    points: int,
) -> list[Line]:
    """The other session's channels where the first has the same panel."""
    table, lines = overlay.table, []
    first, last = (t - overlay.shift_s for t in span_s)
    for channel in channels(table):
        hidden = channel.cylinder is not None and is_faint(channel.cylinder, followed)
        if channel.panel in panels and not hidden:
            time_s, values = thin_out(table.time_s, channel.values, first, last, table.gaps_s, points // 3)
            y = in_unit(channel, values, display).astype(np.float32)
            lines.append(Line(channel, on_axis(time_s + overlay.shift_s), y, table.name))
    return lines


def _labels(
    table: PhysicalTable, lines: Sequence[Channel], display: Display, span_s: tuple[float, float]
) -> Labels | None:
    """Each line's name on the line itself, staggered along the time axis so that they do not collide."""
    lines = [c for c in lines if c.bank_index is not None and c.panel != TEMPERATURE]
    if not lines or table.time_s.size == 0:
        return None
    length_s = span_s[1] - span_s[0]
    at_s = span_s[0] + length_s * (np.arange(len(lines)) + 0.5) / len(lines)
    y = [_typical_near(table, c, t, length_s / 200, display) for c, t in zip(lines, at_s, strict=True)]
    return Labels(lines[0].panel, on_axis(at_s), np.array(y), tuple(c.label for c in lines))


def _typical_near(
    table: PhysicalTable, channel: Channel, time_s: float, around_s: float, display: Display
) -> float:
    """The median of a channel within ±`around_s` of a time, as shown; NaN where it has no reading there."""
    near = visible(table.time_s, time_s - around_s, time_s + around_s)
    values = channel.values[near]
    values = values[:: 1 + values.size // 500]
    values = values[np.isfinite(values)]
    return float(in_unit(channel, np.median(values, keepdims=True), display)[0]) if values.size else np.nan


def _range_of(lines: Sequence[Line]) -> list[float] | None:
    """The range of some lines' values, with room above for the names on them.

    Of deviations 98 % decide, so that starting the engine does not flatten the rest.
    """
    values = np.concatenate([line.y for line in lines]).astype(np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return None
    ends = (1.0, 99.0) if lines[0].channel.panel.startswith(DEVIATION) else (0.0, 100.0)
    low, high = (float(v) for v in np.percentile(values, ends))
    room = max(high - low, 1e-3 * abs(high), 1e-3)
    return [low - 0.07 * room, high + 0.2 * room]
