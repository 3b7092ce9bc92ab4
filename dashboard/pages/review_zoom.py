"""The review page's picture while it is zoomed: what is in view is drawn anew, and analysed."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from dash import html, no_update
from dash.exceptions import PreventUpdate
from flask import Response, request

from analysis.result import Balance, Stretch
from daq.errors import EvenburnError
from daq.physical import PhysicalTable
from dashboard.analysing import Progress
from dashboard.chosen_range import clip, span_of
from dashboard.context import context, display
from dashboard.display import write_time
from dashboard.figures.rails import deviation_rails, rails_picture
from dashboard.figures.trace_view import Overlay, View, view
from dashboard.figures.traces import bars, bold, traces_figure
from dashboard.pages.balance import findings_table
from dashboard.pages.parts import Children, drawing

Query = dict[str, Any]


def overlay_of(query: Query, balance: Balance | None, shift_s: float | None = None) -> Overlay | None:
    """The second session, moved by `shift_s` [s], if one is laid over the first and has been read.

    Without a number it is moved so that the sweeps begin together.
    """
    other = context().analyst.ask(query["over"]) if query["over"] else None
    if other is None or other.table is None:
        return None
    if shift_s is None:
        shift_s = sweep_shift_s(balance, other.balance) or 0.0
    return Overlay(other.table, shift_s)


def picture(
    query: Query,
    table: PhysicalTable,
    balance: Balance | None,
    span: tuple[float, float],
    shift_s: float | None = None,
) -> Any:
    """The figure of what is in view between span[0] and span[1] s."""
    return traces_figure(
        table,
        display(table.setup.engine.fuel),
        *span,
        stretches=balance.stretches if balance else (),
        followed=query["cylinder"],
        overlay=overlay_of(query, balance, shift_s),
    )


def new_view(in_view: View, stretches: Sequence[Stretch]) -> dict[str, Any]:
    """Only what a change of the span in view changes in the figure, as the page's script hands it to plotly.

    Of the bars of `stretches` only those in view: every other one is drawn too, and takes its time.
    """
    start, end = in_view.span
    shown = [s for s in stretches if s.end_s > start and s.start_s < end]
    texts = [*in_view.labels, in_view.kinds]
    drawn = [(line.x, line.y) for line in in_view.lines] + [(names.x, names.y) for names in texts]
    layout: dict[str, Any] = {}
    for row, panel in enumerate(in_view.panels, start=2):
        layout[f"yaxis{row}.range"] = in_view.ranges[panel]
    for row in range(1, len(in_view.panels) + 2):
        axis, values = (f"{letter}axis{row if row > 1 else ''}" for letter in "xy")
        # else plotly goes through all points once more to find out that they are numbers
        layout[f"{axis}.type"] = layout[f"{values}.type"] = "linear"
        layout[f"{axis}.range"] = in_view.span
        layout[f"{axis}.tickvals"], layout[f"{axis}.ticktext"] = in_view.ticks_s, in_view.tick_texts
    return {
        "x": [packed(x) for x, _ in drawn],
        "y": [packed(y) for _, y in drawn],
        "kinds": bold(in_view.kinds),
        "bars": [bars(shown, used) for used in (True, False)],
        "layout": layout,
        "span": in_view.span,
    }


def packed(values: np.ndarray[Any, Any]) -> dict[str, str]:
    """Numbers as plotly takes them with the fewest bytes."""
    kind = {"float32": "f4", "float64": "f8"}[values.dtype.name]
    return {"dtype": kind, "bdata": base64.b64encode(np.ascontiguousarray(values).tobytes()).decode()}


def sweep_shift_s(first: Balance | None, second: Balance | None) -> float | None:
    """What to add to the second session's times [s] so that its first used sweep begins where the first's does.

    None where not both have a sweep.
    """
    starts = [
        next((s.start_s for s in balance.stretches if s.kind == "sweep" and s.used), None)
        if balance
        else None
        for balance in (first, second)
    ]
    return starts[0] - starts[1] if starts[0] is not None and starts[1] is not None else None


def traces() -> Response | tuple[str, int]:
    """What is in view between `start` and `end` [s] of the query, as JSON for the page's script."""
    context().analyst.stand_back()
    asked = request.args
    cylinder = asked.get("cylinder", "")
    query = {
        "session": asked.get("session", ""),
        "over": asked.get("over"),
        "cylinder": int(cylinder) if cylinder.isdecimal() and len(cylinder) < 6 else None,
    }
    try:
        progress = context().analyst.ask(query["session"])
        overlay = overlay_of(query, progress.balance, finite(asked.get("shift")))
    except EvenburnError as error:
        return str(error), 404
    if progress.table is None:
        return "This session is still being read.", 503
    span = clip(progress.table, finite(asked.get("start")), finite(asked.get("end")))
    shown_as = display(progress.table.setup.engine.fuel)
    stretches = progress.balance.stretches if progress.balance else ()
    seen = view(
        progress.table, shown_as, span, followed=query["cylinder"], overlay=overlay, stretches=stretches
    )
    return Response(json.dumps(new_view(seen, stretches)), mimetype="application/json")


def finite(text: object) -> float | None:
    """A finite number that a page or an address holds; None for anything else."""
    try:
        value = float(str(text))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def redrawn(_stretches: Any, _over: Any, _marked: Any, shift: Any, in_view: Any, query: Query) -> Any:
    """The whole picture anew, as stretches, marks, or what is laid over have changed."""
    progress = context().analyst.ask(query["session"])
    if progress.table is None:
        raise PreventUpdate
    span = clip(progress.table, *span_in(in_view, query))
    return picture(query, progress.table, progress.balance, span, finite(shift))


def looked_at(in_view: Any, query: Query, shown: Query) -> tuple[float, float, Any]:
    """The numbers of the range that has come into view, and the range to analyse."""
    progress = context().analyst.ask(query["session"])
    if progress.table is None or in_view is None:
        raise PreventUpdate
    span = clip(progress.table, *span_in(in_view, query))
    asked = range_query(query, progress.table, span)
    same = asked["part"] == shown.get("part")
    return round(span[0], 2), round(span[1], 2), no_update if same else asked


def span_in(in_view: Any, query: Query) -> tuple[float | None, float | None]:
    """The range [s] that the reader zoomed to, else the one in the address."""
    if isinstance(in_view, list) and len(in_view) == 2:
        return finite(in_view[0]), finite(in_view[1])
    return query["start"], query["end"]


def range_query(query: Query, table: PhysicalTable, span: tuple[float, float]) -> Query:
    """What to analyse for the range in view: the session, or only a part of it."""
    part = None if span == span_of(table) else [round(time_s, 3) for time_s in span]
    return {**query, "part": part, "fuel": table.setup.engine.fuel}


def range_result(query: Query, progress: Progress) -> Children:
    """Deviations, table and reasons of the range."""
    if progress.balance is None:
        return []
    shown, part = display(query.get("fuel", "petrol")), query.get("part")
    head = f"In view: {write_time(part[0])} to {write_time(part[1])}" if part else "The whole session"
    rails = rails_picture(
        deviation_rails(progress.balance, shown),
        shown,
        title="deviation",
        unit=shown.temperature_unit,
        least=20.0,
        followed=query["cylinder"],
    )
    said = "Each cylinder's temperature against its bank's mean in this range, with its 95 % interval."
    return [html.H2(head), drawing(rails, said), findings_table(progress.balance, shown)]
