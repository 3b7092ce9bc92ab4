"""Review page: the whole session in one picture; what is in view is analysed; marks and setup are mended here."""

from __future__ import annotations

import json
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from daq.physical import PhysicalTable
from dashboard.analysing import Progress
from dashboard.chosen_range import clip, span_of
from dashboard.context import context
from dashboard.display import signed, write_time
from dashboard.figures.channels import channels
from dashboard.figures.traces import stretch_text
from dashboard.pages.parts import (
    Children,
    address,
    choose_session,
    cylinder_links,
    frame,
    guarded,
    message,
)
from dashboard.pages.parts import graph as graph_of
from dashboard.pages.review_notes import marks_section, register_notes, setup_section
from dashboard.pages.review_zoom import (
    Query,
    finite,
    looked_at,
    picture,
    range_query,
    range_result,
    redrawn,
    span_in,
    sweep_shift_s,
    traces,
)
from dashboard.pages.wait import awaited, register_awaited

PATH, NAME = "/review", "Review"
DOUBLE_MS = 300  # clicks closer than this are one double click; the page's script has the number too


def layout(session: str | None = None, cylinder: str | None = None, **more: str) -> Component:
    """The page of one session, or the choice of one. Queries: over (a second session), start, end [s]."""
    if session is None:
        return choose_session(NAME, PATH)
    query: Query = {
        "session": session,
        "cylinder": int(cylinder) if cylinder and cylinder.isdecimal() else None,
        "over": more.get("over"),
        "start": finite(more.get("start")),
        "end": finite(more.get("end")),
    }
    return guarded(lambda: _page(query), NAME)


def _page(query: Query) -> Component:
    session = query["session"]
    context().folder.path(session)
    return frame(
        NAME,
        [
            html.H1(f"Review of {session}"),
            html.Div(dcc.Graph(id="review-ahead"), hidden=True),  # plotly is there when the samples are
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
    register_awaited(app, "review-over", overlay_ready)
    register_awaited(app, "review-range", range_result)
    app.callback(
        Output("review-traces", "figure"),
        Input("review-stretches-content", "children"),
        Input("review-over-content", "children"),
        Input("mark-added", "data"),
        State("review-shift", "value"),
        State("review-view", "data"),
        State("review-query", "data"),
        prevent_initial_call=True,
    )(redrawn)
    app.callback(
        Output("review-start", "value"),
        Output("review-end", "value"),
        Output("review-range-query", "data"),
        Input("review-view", "data"),
        State("review-query", "data"),
        State("review-range-query", "data"),
        prevent_initial_call=True,
    )(looked_at)
    app.clientside_callback(
        ClientsideFunction("review", "watch"),
        Output(
            "review-watched", "data"
        ),  # without an output it would not be called for a page that is complete
        Input("review-traces", "figure"),
        Input("review-shift", "value"),
        State("review-query", "data"),
    )
    app.server.add_url_rule("/traces", "traces", traces)
    app.callback(
        Output("review-cylinders", "children"),
        Output("review-others", "children"),
        Input("review-view", "data"),
        State("review-query", "data"),
        prevent_initial_call=True,
    )(links_from)
    app.callback(
        Output("review-go", "href"),
        Input("review-line", "data"),
        State("review-view", "data"),
        State("review-query", "data"),
        prevent_initial_call=True,
    )(followed)
    register_notes(app)


def content(query: Query, progress: Progress) -> Children:
    """The picture and what belongs to it, from the moment the samples have been read."""
    table = progress.table
    if table is None:
        return []
    span = clip(table, query["start"], query["end"])
    # first what is waited for: the picture, drawn later, then holds all that is already there, and what is not yet
    # there draws it anew when it comes
    stretches, overlay = awaited("review-stretches", query, stretch_list), _overlay_choice(query)
    balance = progress.balance or context().analyst.ask(query["session"]).balance
    return [
        html.P(_facts(table)),
        *(message(problem, "problem") for problem in table.problems),
        html.Div(_follow_links(table, query), id="review-cylinders"),
        graph_of(
            picture(query, table, balance, span),
            "Drag along the time axis to look closer; double-click to see all. Bars on top: stretches at comparable "
            "conditions, hollow where the result does not rest on them. ▼: marks. A click on a line follows its "
            "cylinder, a click on a bar shows that stretch.",
            id="review-traces",
            config={
                "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
                "doubleClick": False,
                "doubleClickDelay": DOUBLE_MS,
            },
        ),
        dcc.Store(id="review-view"),
        dcc.Store(id="review-watched"),
        dcc.Store(id="review-line"),
        _range_form(span),
        awaited("review-range", range_query(query, table, span), range_result),
        html.Fieldset([html.Legend(html.H2("Stretches")), stretches]),
        overlay,
    ]


def _facts(table: PhysicalTable) -> str:
    first, last = span_of(table)
    rate = (table.time_s.size - 1) / (last - first) if table.time_s.size > 1 else 0.0
    return f"{table.setup.engine.name}: {write_time(last - first)} long, {rate:.1f} samples a second."


def followed(line: int, in_view: Any, query: Query) -> str:
    """Where a click on a cylinder's line leads: to the same view with that cylinder followed, or let go."""
    table = context().analyst.ask(query["session"]).table
    lines = channels(table) if table else []
    cylinder = lines[line].cylinder if line in range(len(lines)) else None
    if table is None or cylinder is None:
        raise PreventUpdate
    kept = at_view(query, table, in_view)
    return address(PATH, **{**kept, "cylinder": None if cylinder == query["cylinder"] else cylinder})


def links_from(in_view: Any, query: Query) -> tuple[Component, list[Component]]:
    """The links of the page anew, as they lead to what has come into view."""
    table = context().analyst.ask(query["session"]).table
    if table is None:
        raise PreventUpdate
    kept = at_view(query, table, in_view)
    return _follow_links(table, kept), _other_sessions(kept)


def at_view(query: Query, table: PhysicalTable, in_view: Any) -> Query:
    """What an address holds of the page, with the range [s] that is in view unless that is all."""
    span = clip(table, *span_in(in_view, query))
    start, end = (None, None) if span == span_of(table) else (round(time_s, 3) for time_s in span)
    return {**{key: query[key] for key in ("session", "cylinder", "over")}, "start": start, "end": end}


def _follow_links(table: PhysicalTable, query: Query) -> Component:
    more = {key: query[key] for key in ("over", "start", "end")}
    return cylinder_links(table.setup, PATH, query["session"], query["cylinder"], **more)


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
    """The stretches to look at, from which the page's script makes its buttons."""
    if progress.balance is None:
        return []
    choices = [(",", "the whole session")]
    choices += [(f"{s.start_s:.3f},{s.end_s:.3f}", stretch_text(s)) for s in progress.balance.stretches]
    chosen = ",".join("" if query[end] is None else f"{query[end]:.3f}" for end in ("start", "end"))
    data = {"data-choices": json.dumps(choices), "data-chosen": chosen}
    return [html.Div(id="review-stretch", className="stretches", **data)]


def _overlay_choice(query: Query) -> Component:
    """Links that lay another session over this one, and the wait for it."""
    over = {"session": query["over"], "under": query["session"]}
    waiting = (
        awaited("review-over", over, overlay_ready) if query["over"] else html.Div(id="review-over-content")
    )
    return html.Details(
        [
            html.Summary("Lay another session over this one (before and after)"),
            html.Div(_other_sessions(query), id="review-others"),
            waiting,
            _shift_field(query),
        ],
        open=bool(query["over"]),
    )


def _other_sessions(query: Query) -> list[Component]:
    others = [name for name in context().folder.names() if name != query["session"]]
    kept = {key: query[key] for key in ("session", "cylinder", "start", "end")}
    items = [html.Li(dcc.Link(name, href=address(PATH, **kept, over=name))) for name in others]
    if query["over"]:
        items.insert(0, html.Li(dcc.Link("none", href=address(PATH, **kept))))
    return [html.Ul(items, className="session-choice") if items else html.P("There is no other session.")]


def _shift_field(query: Query) -> Component:
    """By how much the second session is moved in time; the browser remembers it for these two sessions."""
    field = dcc.Input(
        id="review-shift",
        type="number",
        step="any",
        debounce=0.4,
        placeholder="by the sweeps",
        persistence=f"{query['session']}/{query['over']}",
    )
    label = html.Label(["Move the dotted session later by [s]", field])
    return html.Div([label], className="limits", hidden=not query["over"])


def overlay_ready(query: Query, progress: Progress) -> Children:
    """What is laid over and how it was moved, once it has been analysed."""
    first = context().analyst.ask(query["under"])
    shift_s = sweep_shift_s(first.balance, progress.balance)
    moved = (
        "not moved, since the two do not both have a sweep"
        if shift_s is None
        else (f"moved by {signed(shift_s, 1)} s, so that the sweeps begin together")
    )
    return [html.P(f"Dotted: {query['session']}, {moved}, unless you say otherwise.")]
