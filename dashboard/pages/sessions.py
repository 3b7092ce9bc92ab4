"""Sessions page: what lies in the folder, what was found in each, and the way to the trash."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from dash import ALL, Dash, Input, Output, ctx, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from daq.errors import EvenburnError
from dashboard.analysing import Progress
from dashboard.context import context, display
from dashboard.pages.parts import PHASES, address, frame, message
from dashboard.pages.sessions_import import import_section, register_import
from dashboard.wording import duration, verdict

PATH, NAME = "/sessions", "Sessions"


def layout(
    table: str | None = None, setup: str | None = None, told: str | None = None, **_: str
) -> Component:
    """The list, which fills itself while sessions are being analysed. Queries: a table to import, and how."""
    items, busy = listing()
    return frame(
        NAME,
        [
            html.H1("Sessions"),
            html.P(["Folder: ", html.Code(str(context().folder.root))]),
            html.Div(id="sessions-said", role="status"),
            html.Div(items, id="sessions-list"),
            import_section(table, setup, told),
            dcc.Interval(id="sessions-poll", interval=1000, disabled=not busy),
        ],
    )


def register(app: Dash) -> None:
    """Make the page live."""
    register_import(app)
    app.callback(
        Output("sessions-list", "children"),
        Output("sessions-poll", "disabled"),
        Output("sessions-said", "children"),
        Input("sessions-poll", "n_intervals"),
        Input({"kind": "trash", "session": ALL}, "n_clicks"),
        Input({"kind": "stop-analysis", "session": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )(step)


def step(_ticks: int, _trashed: list[int], _stopped: list[int]) -> tuple[Any, bool, Any]:
    """Refresh the list; first move a session to the trash, or stop its analysis, if that was asked for."""
    said: Component | str = ""
    asked = ctx.triggered_id
    if asked != "sessions-poll" and not ctx.triggered[0]["value"]:
        raise PreventUpdate  # a button that has just appeared, not one that was pressed
    if asked != "sessions-poll":
        try:
            name = str(asked["session"])
            if asked["kind"] == "trash":
                context().live.refuse_if_recording(name)
                said = message(f"{name} was moved to {context().folder.move_to_trash(name).parent}.")
            else:
                context().analyst.stop(name)
        except EvenburnError as error:
            said = message(str(error), "problem")
    items, busy = listing()
    return items, not busy, said


def listing() -> tuple[list[Component], bool]:
    """(one card a session, newest first; whether some are still being analysed)."""
    names = context().folder.names()
    if not names:
        return [message("There is no session in this folder yet. Record one on the Run page.")], False
    cards, busy = [], 0
    for name in names:
        try:
            progress = context().analyst.ask(name, urgent=False, needs_table=False)
        except EvenburnError as error:
            cards.append(html.Article([html.H2(name), message(str(error), "problem")], className="card"))
            continue
        busy += not progress.over
        cards.append(card(name, progress))
    if busy:
        done = f"{len(names) - busy} of {len(names)} sessions analysed …"
        cards.insert(0, html.P(done, className="busy", role="status"))
    return cards, bool(busy)


def card(name: str, progress: Progress) -> Component:
    """One session."""
    theme = "dark" if display().dark else "light"
    shown = {"time": progress.thumbnails[0], "rail": progress.glances[0]}
    pictures = [
        html.Img(
            src=address(f"/picture/{kind}/{quote(name)}", theme=theme, of=hash(progress.fingerprint)),
            alt="",
            className="glance",
        )
        if there
        else html.Div(className="glance")
        for kind, there in shown.items()
    ]
    facts = f"{progress.engine}, {duration(progress.length_s)}" if progress.engine else "not read yet"
    return html.Article(
        [
            html.Div(pictures, className="glances"),
            html.Div(
                [
                    html.H2(dcc.Link(name, href=address("/review", session=name))),
                    html.P(facts),
                    html.P(_found(progress), className="verdict"),
                    html.Div(_actions(name, progress), className="actions"),
                ]
            ),
        ],
        className="card",
    )


def _found(progress: Progress) -> str:
    if progress.balance is not None:
        return verdict(progress.balance)
    return progress.error or f"{PHASES.get(progress.phase, 'Working')} …"


def _actions(name: str, progress: Progress) -> list[Component]:
    links: list[Component] = [
        dcc.Link(text, href=address(path, session=name))
        for text, path in (("Review", "/review"), ("Balance", "/balance"), ("Trims", "/trims"))
    ]
    if progress.phase in {"reading", "analysing"}:
        links.append(html.Button("Stop", id={"kind": "stop-analysis", "session": name}, type="button"))
    ask = html.Details(
        [
            html.Summary("Delete …"),
            html.P(f"Moves {name} to the folder's trash. Nothing is erased."),
            html.Button("Move to the trash", id={"kind": "trash", "session": name}, type="button"),
        ],
        className="delete",
    )
    return [*links, ask]
