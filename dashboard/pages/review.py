"""Review page: the whole session in one picture; what is in view is analysed; marks and setup are mended here."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np
from dash import Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from analysis.result import Balance
from daq.physical import PhysicalTable
from dashboard.analysing import Progress
from dashboard.chosen_range import clip, span_of
from dashboard.context import context, display
from dashboard.display import write_time
from dashboard.figures.channels import channels
from dashboard.figures.rails import deviation_rails, rails_figure
from dashboard.figures.trace_view import Overlay, View, from_axis, view
from dashboard.figures.traces import stretch_text, traces_figure
from dashboard.pages.balance import findings_table
from dashboard.pages.parts import (
    Children,
    address,
    awaited,
    choose_session,
    cylinder_links,
    frame,
    guarded,
    message,
    register_awaited,
)
from dashboard.pages.parts import graph as graph_of
from dashboard.pages.review_notes import marks_section, register_notes, setup_section

PATH, NAME = "/review", "Review"
Query = dict[str, Any]


def layout(session: str | None = None, cylinder: str | None = None, **more: str) -> Component:
    """The page of one session, or the choice of one. Queries: over (a second session), start, end [s]."""
    if session is None:
        return choose_session(NAME, PATH)
    query: Query = {
        "session": session,
        "cylinder": int(cylinder) if cylinder and cylinder.isdecimal() else None,
        "over": more.get("over"),
        "start": _seconds(more.get("start")),
        "end": _seconds(more.get("end")),
    }
    return guarded(lambda: _page(query), NAME)


def _seconds(text: object) -> float | None:
    try:
        value = float(str(text))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _page(query: Query) -> Component:
    session = query["session"]
    context().folder.path(session)
    return frame(
        NAME,
        [
            html.H1(f"Review of {session}"),
            awaited("review", query, content, needs="table"),
            marks_section(session),
            setup_section(session),
            dcc.Location(id="review-go", refresh="callback-nav"),
        ],
        session,
        query["cylinder"],
    )


def register(app: Dash) -> None:
    """Make the page live."""
    register_awaited(app, "review", content, needs="table")
    register_awaited(app, "review-stretches", stretch_list)
    register_awaited(app, "review-over", overlay_ready, needs="table")
    register_awaited(app, "review-range", range_result)
    app.callback(
        Output("review-traces", "figure"),
        Output("review-start", "value"),
        Output("review-end", "value"),
        Output("review-range-query", "data"),
        Input("review-traces", "relayoutData"),
        Input("review-stretches-content", "children"),
        Input("review-over-content", "children"),
        State("review-query", "data"),
        State("review-range-query", "data"),
        prevent_initial_call=True,
    )(zoomed)
    app.callback(
        Output("review-go", "href"),
        Input("review-traces", "clickData"),
        Input("review-show", "n_clicks"),
        State("review-start", "value"),
        State("review-end", "value"),
        State("review-query", "data"),
        prevent_initial_call=True,
    )(chosen)
    register_notes(app)


def content(query: Query, progress: Progress) -> Children:
    """The picture and what belongs to it, from the moment the samples have been read."""
    table = progress.table
    if table is None:
        return []
    span = clip(table, query["start"], query["end"])
    return [
        html.P(_facts(table)),
        *(message(problem, "problem") for problem in table.problems),
        cylinder_links(
            table.setup,
            PATH,
            query["session"],
            query["cylinder"],
            **{key: query[key] for key in ("over", "start", "end")},
        ),
        graph_of(
            picture(query, table, progress.balance, span),
            "Drag along the time axis to look closer; double-click to see all. Bars on top: stretches at comparable "
            "conditions, hatched where the result does not rest on them. ▼: marks. A click on a line follows its "
            "cylinder, a click on a bar shows that stretch.",
            id="review-traces",
            config={"modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"], "doubleClick": "reset"},
        ),
        _range_form(span),
        awaited("review-range", range_query(query, table, span), range_result),
        html.H2("Stretches"),
        awaited("review-stretches", query, stretch_list),
        _overlay_choice(query),
    ]


def _facts(table: PhysicalTable) -> str:
    first, last = span_of(table)
    rate = (table.time_s.size - 1) / (last - first) if table.time_s.size > 1 else 0.0
    return f"{table.setup.engine.name}: {write_time(last - first)} long, {rate:.1f} samples a second."


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


def chosen(click: dict[str, Any] | None, _shown: int, start: Any, end: Any, query: Query) -> str:
    """Where a click leads: to a cylinder that is followed, or to a stretch or typed range that is shown."""
    target = {key: query[key] for key in ("session", "cylinder", "over", "start", "end")}
    if ctx.triggered_id == "review-show":
        return address(PATH, **{**target, "start": _seconds(start), "end": _seconds(end)})
    point = (click or {}).get("points", [{}])[0]
    if isinstance(point.get("customdata"), list):  # a bar of the lane of stretches
        first, last = point["customdata"]
        return address(PATH, **{**target, "start": first, "end": last})
    table = context().analyst.ask(query["session"]).table
    lines = channels(table) if table else []
    number = point.get("curveNumber", len(lines))
    cylinder = lines[number].cylinder if number < len(lines) else None
    if cylinder is None:
        raise PreventUpdate
    return address(PATH, **{**target, "cylinder": None if cylinder == query["cylinder"] else cylinder})


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


def _range_form(span: tuple[float, float]) -> Component:
    """The range in view as numbers, for those who do not drag."""
    fields = [
        html.Label(
            [f"{word} [s]", dcc.Input(id=f"review-{word}", type="number", value=round(value, 2), step="any")]
        )
        for word, value in (("start", span[0]), ("end", span[1]))
    ]
    return html.Div(
        [*fields, html.Button("Show this range", id="review-show", type="button")], className="limits"
    )


def stretch_list(query: Query, progress: Progress) -> Children:
    """A link to each stretch."""
    if progress.balance is None:
        return []
    items = [
        html.Li(
            dcc.Link(
                stretch_text(s),
                href=address(
                    PATH, **{**_kept(query), "start": round(s.start_s, 2), "end": round(s.end_s, 2)}
                ),
            )
        )
        for s in progress.balance.stretches
    ]
    whole = dcc.Link("the whole session", href=address(PATH, **_kept(query)))
    return [html.Ul([html.Li(whole), *items], className="stretches")]


def _kept(query: Query) -> dict[str, Any]:
    return {key: query[key] for key in ("session", "cylinder", "over")}


def _overlay_choice(query: Query) -> Component:
    """Links that lay another session over this one, and the wait for it."""
    others = [name for name in context().folder.names() if name != query["session"]]
    kept = {key: query[key] for key in ("session", "cylinder", "start", "end")}
    items = [html.Li(dcc.Link(name, href=address(PATH, **kept, over=name))) for name in others]
    if query["over"]:
        items.insert(0, html.Li(dcc.Link("none", href=address(PATH, **kept))))
    over = {"session": query["over"]}
    waiting = (
        awaited("review-over", over, overlay_ready, needs="table")
        if query["over"]
        else html.Div(id="review-over-content")
    )
    return html.Details(
        [
            html.Summary("Lay another session over this one (before and after)"),
            html.Ul(items, className="session-choice") if items else html.P("There is no other session."),
            waiting,
        ],
        open=bool(query["over"]),
    )


def overlay_ready(query: Query, progress: Progress) -> Children:
    """What is laid over, once it has been read."""
    return [html.P(f"Dotted: {query['session']}, moved so that the sweeps begin together.")]
