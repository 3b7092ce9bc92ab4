"""What of a session is in view: lines thinned out, numbers on them, the range of each panel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.result import Stretch
from daq.physical import PhysicalTable
from dashboard.display import Display, write_time
from dashboard.figures.channels import DEVIATION, TEMPERATURE, Channel, channels, in_unit
from dashboard.figures.downsample import POINTS, thin_out, visible
from dashboard.figures.style import is_faint

FloatArray = npt.NDArray[np.float64]
LANE = "stretches"
MOST_TICKS, MOST_TICKS_NARROW = 9, 4
TICK_STEPS_S = (
    0.01,
    0.02,
    0.05,
    0.1,
    0.2,
    0.5,
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    900,
    1800,
    3600,
    7200,
    10800,
)


@dataclass(frozen=True)
class Overlay:
    """A second session laid over the first; `shift_s` [s] is added to its times."""

    table: PhysicalTable
    shift_s: float = 0.0


@dataclass(frozen=True)
class Line:
    """A channel as drawn: x [s], y in the reader's unit, both (n_points,). laid_over: whose it is."""

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
    """Everything that depends on the span of time [s] in view; `ranges` of the panels' values.

    The time axis is a plain one with ticks of our own: plotly reads every time of a date axis as text.
    """

    panels: tuple[str, ...]
    lines: tuple[Line, ...]
    labels: tuple[Labels, ...]
    kinds: Labels
    ranges: dict[str, list[float] | None]
    span: list[float]
    ticks_s: list[float]
    tick_texts: list[str]


def time_ticks(start_s: float, end_s: float, most: int = MOST_TICKS) -> tuple[list[float], list[str]]:
    """Round times [s] and their texts, at most `most` in view and as many again at each side, for those who pan."""
    length_s = max(end_s - start_s, TICK_STEPS_S[0])
    step_s = next((step for step in TICK_STEPS_S if length_s / step <= most), None)
    if step_s is None:
        step_s = 3600.0 * np.ceil(length_s / most / 3600.0)
    first, last = np.ceil((start_s - length_s) / step_s), np.floor((end_s + length_s) / step_s)
    ticks = [float(n * step_s) for n in np.arange(max(first, 0.0), last + 1)]
    return ticks, [write_time(t) if step_s >= 1 else _write_parts(t) for t in ticks]


def _write_parts(time_s: float) -> str:
    """'1:02:03.25' for a time [s] between whole seconds."""
    hundredths = round(time_s * 100)
    return f"{write_time(hundredths // 100)}.{hundredths % 100:02d}"


def view(
    table: PhysicalTable,
    display: Display,
    span_s: tuple[float, float],
    *,
    followed: int | None = None,
    overlay: Overlay | None = None,
    stretches: Sequence[Stretch] = (),
) -> View:
    """The session between two times [s since the recording began]."""
    shown, points = channels(table), POINTS // 2 if display.narrow else POINTS
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
        _kinds(stretches, span_s, 0.2 if display.narrow else 0.05),
        ranges,
        list(span_s),
        *time_ticks(*span_s, MOST_TICKS_NARROW if display.narrow else MOST_TICKS),
    )


def _line(
    table: PhysicalTable, channel: Channel, display: Display, span_s: tuple[float, float], points: int
) -> Line:
    fewer = points if channel.panel.startswith(DEVIATION) else points // 3
    time_s, values = thin_out(table.time_s, channel.values, *span_s, table.gaps_s, fewer)
    return Line(channel, time_s, in_unit(channel, values, display).astype(np.float32))


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
            lines.append(Line(channel, time_s + overlay.shift_s, y, table.name))
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
    return Labels(lines[0].panel, at_s, np.array(y), tuple(c.label for c in lines))


def _kinds(stretches: Sequence[Stretch], span_s: tuple[float, float], least_share: float) -> Labels:
    """The kind of each stretch in the middle of what is in view of it, where there is room for the word."""
    inside = [(max(s.start_s, span_s[0]), min(s.end_s, span_s[1]), s.kind) for s in stretches]
    least_s = least_share * (span_s[1] - span_s[0])
    shown = [((a + b) / 2, kind) for a, b, kind in inside if b - a >= least_s]
    x = np.array([middle for middle, _ in shown])
    return Labels(LANE, x, np.full(x.shape, 0.5), tuple(kind for _, kind in shown))


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
