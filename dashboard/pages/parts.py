"""What the pages share: the frame with its links, tables, messages, the wait for an analysis."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from typing import Any, Literal
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import request

from daq.errors import EvenburnError, SessionError
from daq.setupfile import Setup
from dashboard.analysing import Progress
from dashboard.context import context
from dashboard.figures.style import shape_sign

PAGES = (
    ("Run", "/"),
    ("Review", "/review"),
    ("Balance", "/balance"),
    ("Trims", "/trims"),
    ("Sessions", "/sessions"),
    ("Fitting", "/fitting"),
)
Children = Sequence[Component | str | None]
Build = Callable[[dict[str, Any], Progress], Children]
Needs = Literal["table", "balance"]
PHASES = {
    "waiting": "Waiting for its turn",
    "reading": "Reading the samples",
    "analysing": "Analysing",
}


def address(path: str, **query: object) -> str:
    """A link within the dashboard; queries that are None are left out."""
    given = {key: value for key, value in query.items() if value is not None}
    return path + (f"?{urlencode(given)}" if given else "")


def frame(
    page: str, children: Children, session: str | None = None, cylinder: int | None = None
) -> Component:
    """A whole page: links on top that keep the session and the followed cylinder, then the content."""
    links = []
    for name, path in PAGES:
        kept = (
            {"session": session, "cylinder": cylinder} if path not in {"/", "/sessions", "/fitting"} else {}
        )
        here = {"aria-current": "page"} if name == page else {}
        links.append(html.Li(dcc.Link(name, href=address(path, **kept)), **here))
    return html.Div(
        [
            html.A("Skip to the content", href="#content", className="skip"),
            html.Header(
                [
                    html.Span("Evenburn", className="brand"),
                    html.Nav(html.Ul(links), **{"aria-label": "Pages"}),
                    _display_choice(),
                ]
            ),
            html.Main([child for child in children if child is not None], id="content", tabIndex=-1),
        ],
        className=f"page page-{page.lower()}",
    )


def _display_choice() -> Component:
    """The reader's choice of theme and units; the page's own script keeps it and loads the page again."""
    chosen = request.cookies.get("evenburn_display", "").split(".")
    groups = (
        ("Theme", (("auto", "as the system"), ("light", "light"), ("dark", "dark"))),
        ("Temperature", (("C", "°C"), ("F", "°F"))),
        ("Mixture", (("lambda", "lambda"), ("afr", "AFR"))),
    )
    rows = []
    for title, choices in groups:
        pressed = next((value for value, _ in choices if value in chosen), choices[0][0])
        buttons = [
            html.Button(
                text,
                type="button",
                **{"data-display": value, "aria-pressed": "true" if value == pressed else "false"},
            )
            for value, text in choices
        ]
        rows.append(html.Div([html.Span(title), *buttons], role="group", **{"aria-label": title}))
    if context().door.needs_token:
        invitation = [
            html.Button("Let another device in", id="invite", type="button"),
            html.Div(id="invitation"),
        ]
        rows.append(html.Div(invitation))
    return html.Details([html.Summary("Display"), html.Div(rows, className="choices")], className="display")


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]], class_name: str = ""
) -> Component:
    """A plain table; the first cell of each row heads it. It scrolls sideways on a narrow screen."""
    body = [html.Tr([html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])]) for row in rows]
    return html.Div(
        html.Table(
            [
                html.Caption(caption),
                html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
                html.Tbody(body),
            ],
            className=class_name,
        ),
        className="wide",
        tabIndex=0,
        role="region",
        **{"aria-label": caption},
    )


def bullets(sentences: Sequence[str], class_name: str = "") -> Component | None:
    """A list of sentences, or nothing at all."""
    return html.Ul([html.Li(s) for s in sentences], className=class_name) if sentences else None


def message(text: str, kind: str = "note") -> Component:
    """A sentence that must be seen: 'note', 'problem' or 'caution'."""
    signs = {"note": "ⓘ ", "problem": "✗ ", "caution": "⚠ "}
    return html.P([html.B(signs[kind], **{"aria-hidden": "true"}), text], className=f"message {kind}")


def cautions(sentences: Sequence[str]) -> Component:
    """What to heed where work can hurt."""
    return html.Section(
        [html.H2("⚠ Before you touch the engine"), bullets(sentences)],
        className="cautions",
        **{"aria-label": "Cautions"},
    )


def cylinder_links(setup: Setup, path: str, session: str, followed: int | None, **query: object) -> Component:
    """One link a cylinder, to follow it on every page; the followed one's link lets it go."""
    items = []
    for index, bank in enumerate(setup.bank):
        items.append(html.Span(f"{shape_sign(index)} {bank.name}", className=f"bank-name bank-{index % 2}"))
        for cylinder in bank.cylinders:
            chosen = cylinder == followed
            target = address(path, session=session, cylinder=None if chosen else cylinder, **query)
            label = f"stop following cylinder {cylinder}" if chosen else f"follow cylinder {cylinder}"
            items.append(
                dcc.Link(
                    str(cylinder),
                    href=target,
                    className=f"cylinder bank-{index % 2}" + (" followed" if chosen else ""),
                    title=label,
                )
            )
    return html.Nav(
        [html.Span("Follow a cylinder:"), *items], className="cylinders", **{"aria-label": "Cylinders"}
    )


def guarded(build: Callable[[], Component], page: str) -> Component:
    """The page, or a page that says in one line why there is none."""
    try:
        return build()
    except EvenburnError as error:
        return frame(page, [html.H1(page), message(str(error), "problem")])


def choose_session(page: str, path: str) -> Component:
    """The page before a session is chosen: a link for each."""
    names = context().folder.names()
    items = [html.Li(dcc.Link(name, href=address(path, session=name))) for name in names]
    body: list[Component | None] = [html.H1(page)]
    if items:
        body += [html.P("Choose a session:"), html.Ul(items, className="session-choice")]
    else:
        body.append(message("There is no session in this folder yet. Record one on the Run page."))
    return frame(page, body)


def graph(figure: Any, label: str, **more: Any) -> Component:
    """A plotly figure without its maker's buttons; `label` says to a screen reader what it shows."""
    config = {"displaylogo": False, "showSendToCloud": False, "responsive": True, **more.pop("config", {})}
    picture = dcc.Graph(figure=figure, config=config, **more)
    return html.Figure([picture, html.Figcaption(label)])


def awaited(area: str, query: dict[str, Any], build: Build, needs: Needs = "balance") -> Component:
    """An area of a page that appears when the analysis that `query` asks for has got as far as `needs`.

    query: "session", and "part" (start, end) [s] if it is only that.

    Meanwhile it says what is being done and can be stopped; `register_awaited` makes it live.
    """
    query = {**query, "since": time.monotonic()}
    content, said, phase = _attempt(query, build, needs)
    buttons = (("Stop", "stop", phase == "busy"), ("Analyse again", "again", phase == "given up"))
    return html.Div(
        [
            html.Div(content, id=f"{area}-content"),
            html.Div(said, id=f"{area}-wait", role="status"),
            *(
                html.Button(text, id=f"{area}-{key}", type="button", hidden=not shown)
                for text, key, shown in buttons
            ),
            dcc.Interval(id=f"{area}-poll", interval=300, disabled=phase != "busy"),
            dcc.Store(id=f"{area}-query", data=query),
            dcc.Store(id=f"{area}-ready"),
        ]
    )


def register_awaited(app: Dash, area: str, build: Build, needs: Needs = "balance") -> None:
    """The callbacks that fill, stop or begin again the area that `awaited` laid out.

    Asking how far it is and building the content are apart: answers to the frequent question are quick, so that the
    next one never overtakes them.
    """

    def ask(_ticks: int, _stop: int, _again: int, query: dict[str, Any]) -> tuple[Any, ...]:
        analyst, (session, part) = context().analyst, _wanted(query)
        if ctx.triggered_id == f"{area}-stop":
            analyst.stop(session, part)
        if ctx.triggered_id == f"{area}-again":
            analyst.again(session, part)
        _, said, phase = _attempt(query, _nothing, needs)
        ready = time.monotonic_ns() if phase == "ready" else no_update
        return said, phase != "busy", phase != "busy", phase != "given up", ready

    def fill(_ready: int, query: dict[str, Any]) -> Any:
        content, _, phase = _attempt(query, build, needs)
        return content if phase == "ready" else no_update

    app.callback(
        Output(f"{area}-wait", "children"),
        Output(f"{area}-poll", "disabled"),
        Output(f"{area}-stop", "hidden"),
        Output(f"{area}-again", "hidden"),
        Output(f"{area}-ready", "data"),
        Input(f"{area}-poll", "n_intervals"),
        Input(f"{area}-stop", "n_clicks"),
        Input(f"{area}-again", "n_clicks"),
        Input(f"{area}-query", "data"),
        prevent_initial_call=True,
    )(ask)
    app.callback(
        Output(f"{area}-content", "children"),
        Input(f"{area}-ready", "data"),
        State(f"{area}-query", "data"),
        prevent_initial_call=True,
    )(fill)


def _wanted(query: dict[str, Any]) -> tuple[str, tuple[float, float] | None]:
    """(session, part) of a query as it comes back from the browser. Raises SessionError for anything else."""
    part = query.get("part")
    try:
        return str(query["session"]), None if part is None else (float(part[0]), float(part[1]))
    except (KeyError, IndexError, TypeError, ValueError):
        raise SessionError("this page asked for a range that is none; open it again") from None


def _nothing(_query: dict[str, Any], _progress: Progress) -> Children:
    return []


def _attempt(
    query: dict[str, Any], build: Build, needs: Needs
) -> tuple[Any, Any, Literal["ready", "busy", "given up"]]:
    """(content if it is ready, what to say of the wait, whether to ask again or let the reader try again)."""
    try:
        session, part = _wanted(query)
        progress = context().analyst.ask(session, part, since_s=float(query.get("since") or math.inf))
        if getattr(progress, needs) is not None and progress.phase != "waiting":
            return list(build(query, progress)), "", "ready"
    except EvenburnError as error:
        return [], message(str(error), "problem"), "given up"
    if progress.phase in {"failed", "stopped"}:
        return [], message(progress.error, "problem"), "given up"
    text = f"{PHASES.get(progress.phase, 'Working')} … {progress.waited_s:.0f} s"
    return [], html.P(text, className="busy"), "busy"
