"""The parts of the review page that change the session: marks that are added, the setup that is corrected."""

from __future__ import annotations

import math
import time
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from daq.errors import EvenburnError
from daq.physical import Mark
from daq.setupfile import parse_setup
from dashboard.context import context
from dashboard.display import write_time
from dashboard.pages.parts import message
from dashboard.setup_edit import swap_probes

LONGEST_MARK = 200


def marks_section(session: str) -> Component:
    """A form for one more mark."""
    return html.Section(
        [
            html.H2("Add a mark"),
            html.Div(
                [
                    html.Label(["at [s]", dcc.Input(id="mark-time", type="number", min=0, step="any")]),
                    html.Label(["text", dcc.Input(id="mark-text", type="text", maxLength=LONGEST_MARK)]),
                    html.Button("Add the mark", id="mark-add", type="button"),
                ],
                className="limits",
            ),
            html.Div(id="mark-said", role="status"),
            dcc.Store(id="mark-session", data=session),
            dcc.Store(id="mark-added"),
        ]
    )


def setup_section(session: str) -> Component:
    """The setup as text that can be corrected; the samples stay as they are."""
    try:
        text = context().folder.setup_text(session)
    except EvenburnError as error:
        return message(str(error), "problem")
    return html.Details(
        [
            html.Summary("Correct the setup (a probe in another port, a column, a limit)"),
            html.P(
                "The setup says what the samples mean. Correct it here and the session is analysed again; the samples "
                "themselves are never changed, and the previous setup is kept beside the new one."
            ),
            html.Div(
                [
                    html.Label(["cylinder", dcc.Input(id="swap-first", type="number", min=1, step=1)]),
                    html.Label(["and", dcc.Input(id="swap-second", type="number", min=1, step=1)]),
                    html.Button("Swap their probes in the text", id="swap", type="button"),
                ],
                className="limits",
            ),
            html.Label("setup.toml", htmlFor="setup-text"),
            dcc.Textarea(id="setup-text", value=text, spellCheck=False, className="setup-text"),
            html.Div(
                [
                    html.Button("Check", id="setup-check", type="button"),
                    html.Button(
                        "Save and analyse again", id="setup-save", type="button", className="main-action"
                    ),
                ],
                className="actions",
            ),
            html.Div(id="setup-said", role="status"),
        ],
        className="setup",
    )


def register_notes(app: Dash) -> None:
    """Make both parts live."""
    app.callback(
        Output("mark-said", "children"),
        Output("mark-added", "data"),
        Input("mark-add", "n_clicks"),
        State("mark-time", "value"),
        State("mark-text", "value"),
        State("mark-session", "data"),
        prevent_initial_call=True,
    )(add)
    app.callback(
        Output("setup-text", "value"),
        Output("setup-said", "children", allow_duplicate=True),
        Input("swap", "n_clicks"),
        State("swap-first", "value"),
        State("swap-second", "value"),
        State("setup-text", "value"),
        prevent_initial_call=True,
    )(swap)
    app.callback(
        Output("setup-said", "children"),
        Output("review-poll", "disabled", allow_duplicate=True),
        Input("setup-check", "n_clicks"),
        Input("setup-save", "n_clicks"),
        State("setup-text", "value"),
        State("mark-session", "data"),
        prevent_initial_call=True,
    )(correct)


def add(_clicks: int, time_s: Any, text: Any, session: str) -> tuple[Component, Any]:
    """Write the mark into the session; the picture is drawn anew."""
    words = str(text or "").strip()[:LONGEST_MARK]
    if not isinstance(time_s, int | float) or not math.isfinite(time_s) or not words:
        return message("Give the time in seconds and a few words.", "problem"), no_update
    try:
        context().analyst.add_mark(session, Mark(float(time_s), "operator", words))
    except EvenburnError as error:
        return message(str(error), "problem"), no_update
    return message(f"Marked at {write_time(time_s)}: {words}"), time.monotonic_ns()


def swap(_clicks: int, first: Any, second: Any, text: str) -> tuple[str, Component]:
    """Exchange the probes of two cylinders in the text, nothing is saved yet."""
    try:
        if not isinstance(first, int) or not isinstance(second, int):
            return text, message("Give the numbers of two cylinders.", "problem")
        return swap_probes(text, first, second), message(
            "Swapped in the text below. Save it to analyse again."
        )
    except EvenburnError as error:
        return text, message(str(error), "problem")


def correct(_check: int, _save: int, text: str, session: str) -> tuple[Component, bool]:
    """Check the text, or save it; a saved one makes the page analyse the session again."""
    saving = ctx.triggered_id == "setup-save"
    try:
        if saving:
            context().folder.correct_setup(session, text)
        else:
            parse_setup(text, "setup.toml")
    except EvenburnError as error:
        return message(str(error), "problem"), True
    if saving:
        return message("Saved. The session is being analysed again; the previous setup was kept."), False
    return message("This setup is in order. It has not been saved."), True
