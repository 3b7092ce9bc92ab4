"""The review page's picture while it is zoomed: what is in view is drawn anew, and analysed."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from dash import Patch, ctx, html, no_update
from dash.exceptions import PreventUpdate

from analysis.result import Balance
from daq.physical import PhysicalTable
from dashboard.analysing import Progress
from dashboard.chosen_range import clip, span_of
from dashboard.context import context, display
from dashboard.display import write_time
from dashboard.figures.rails import deviation_rails, rails_figure
from dashboard.figures.trace_view import Overlay, View, from_axis, view
from dashboard.figures.traces import traces_figure
from dashboard.pages.balance import findings_table
from dashboard.pages.parts import Children
from dashboard.pages.parts import graph as graph_of

Query = dict[str, Any]


def overlay_of(query: Query, balance: Balance | None) -> Overlay | None:
    """The second session if one is laid over the first and has been read."""
    other = context().analyst.ask(query["over"]) if query["over"] else None
    if other is None or other.table is None:
        return None
    return Overlay(other.table, sweep_shift_s(balance, other.balance))


def picture(query: Query, table: PhysicalTable, balance: Balance | None, span: tuple[float, float]) -> Any:
    """The figure of what is in view between span[0] and span[1] s."""
    return traces_figure(
        table,
        display(table.setup.engine.fuel),
        *span,
        stretches=balance.stretches if balance else (),
        followed=query["cylinder"],
        overlay=overlay_of(query, balance),
    )


def new_view(in_view: View) -> Patch:
    """Only what a change of the span in view changes in the figure, which is most of a zoom's speed."""
    patch = Patch()
    drawn = [(line.x, line.y) for line in in_view.lines] + [(names.x, names.y) for names in in_view.labels]
    for number, (x, y) in enumerate(drawn):
        patch["data"][number]["x"], patch["data"][number]["y"] = packed(x), packed(y)
    for row, panel in enumerate(in_view.panels, start=2):
        patch["layout"][f"yaxis{row}"]["range"] = in_view.ranges[panel]
    for row in range(1, len(in_view.panels) + 2):
        patch["layout"][f"xaxis{row if row > 1 else ''}"]["range"] = in_view.span
    return patch


def packed(values: np.ndarray[Any, Any]) -> dict[str, str]:
    """Numbers as plotly takes them with the fewest bytes."""
    kind = {"float32": "f4", "float64": "f8"}[values.dtype.name]
    return {"dtype": kind, "bdata": base64.b64encode(np.ascontiguousarray(values).tobytes()).decode()}


def sweep_shift_s(first: Balance | None, second: Balance | None) -> float:
    """What to add to the second session's times [s] so that its first used sweep begins where the first's does."""
    starts = [
        next((s.start_s for s in balance.stretches if s.kind == "sweep" and s.used), None)
        if balance
        else None
        for balance in (first, second)
    ]
    return starts[0] - starts[1] if starts[0] is not None and starts[1] is not None else 0.0


def zoomed(
    relayout: dict[str, Any] | None, _stretches: Any, _over: Any, query: Query, shown: Query
) -> tuple[Any, Any, Any, Any]:
    """The picture of what has come into view, and the range to analyse."""
    progress = context().analyst.ask(query["session"])
    wished = range_in(relayout or {})
    if progress.table is None or (wished is None and ctx.triggered_id == "review-traces"):
        raise PreventUpdate
    span = clip(progress.table, *(wished or (query["start"], query["end"])))
    asked = range_query(query, progress.table, span)
    same = asked["part"] == shown.get("part")
    if ctx.triggered_id == "review-traces":
        shown_as, overlay = display(progress.table.setup.engine.fuel), overlay_of(query, progress.balance)
        figure: Any = new_view(
            view(progress.table, shown_as, span, followed=query["cylinder"], overlay=overlay)
        )
    else:
        figure = picture(query, progress.table, progress.balance, span)
    return figure, round(span[0], 2), round(span[1], 2), no_update if same else asked


def range_in(relayout: dict[str, Any]) -> tuple[float | None, float | None] | None:
    """The range of time [s] that a change of the axes asks for; None if it asks for none."""
    if any(key.startswith("xaxis") and key.endswith("autorange") for key in relayout):
        return (None, None)
    for key, value in relayout.items():
        if key.startswith("xaxis") and key.endswith(".range[0]"):
            return from_axis(value), from_axis(relayout.get(key.replace("[0]", "[1]")))
        if key.startswith("xaxis") and key.endswith(".range") and isinstance(value, list) and len(value) == 2:
            return from_axis(value[0]), from_axis(value[1])
    return None


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
    figure = rails_figure(
        deviation_rails(progress.balance, shown),
        shown,
        title="deviation",
        unit=shown.temperature_unit,
        least=20.0,
        followed=query["cylinder"],
    )
    said = "Each cylinder's temperature against its bank's mean in this range, with its 95 % interval."
    return [html.H2(head), graph_of(figure, said), findings_table(progress.balance, shown)]
