"""Run page: what the engine does now. The page's own script draws it from the events of `dashboard.live`."""

from __future__ import annotations

from datetime import datetime

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from analysis.sweep_guide import CAUTIONS
from daq.alarms import NO_PROTECTION
from daq.ports import serial_ports
from dashboard.context import context
from dashboard.pages.parts import bullets, frame

PATH, NAME = "/", "Run"


def layout(**_: str) -> Component:
    """The page; everything that moves is drawn into #board by assets/run.js."""
    return frame(
        NAME,
        [
            html.H1("Run", className="only-spoken"),
            html.Div(id="alarms", role="alert", className="alarms"),
            html.Div(id="said", role="status"),
            _start_form(),
            html.Div(
                [_strip(), _sweep_guidance(), html.Div(id="rails"), _numbers(), _sweep_begin()],
                id="board",
                hidden=True,
            ),
            _controls(),
            dcc.Store(id="run-ready"),
        ],
    )


def register(app: Dash) -> None:
    """Have the page's script take over once the page is there."""
    app.clientside_callback(
        ClientsideFunction("run", "begin"), Output("run-ready", "data"), Input("board", "id")
    )


def _start_form() -> Component:
    folder = context().folder
    setups = [html.Option(name, value=name) for name in folder.files(".toml")]
    setups += [html.Option(f"as in {name}", value=f"session:{name}") for name in folder.names()]
    ports = [html.Option("as the setup says", value="")]
    ports += [html.Option(str(port), value=port.path) for port in serial_ports()]
    fields = [
        html.Label(["Setup", html.Select(setups, id="start-setup")]),
        html.Label(["Port", html.Select(ports, id="start-port")]),
        html.Label(
            [
                "or another port",
                dcc.Input(id="start-other-port", type="text", placeholder="e.g. /dev/ttyACM0"),
            ]
        ),
        html.Label(
            [
                "Name of the session",
                dcc.Input(id="start-name", type="text", value=f"{datetime.now():%Y-%m-%d %H%M}"),
            ]
        ),
    ]
    return html.Section(
        [
            html.H2("Record a session"),
            html.Div(fields, className="limits"),
            html.Button("Start recording", id="start", type="button", className="main-action"),
            html.P("Put a setup file (.toml) into the folder first.") if not setups else None,
            html.P(f"⚠ {NO_PROTECTION}", className="message caution"),
        ],
        id="start-form",
        hidden=True,
    )


def _strip() -> Component:
    """One line of what the recording itself does."""
    parts = (
        ("session", "session"),
        ("clock", "recorded"),
        ("rate", "samples/s"),
        ("dropped", "dropped lines"),
        ("disk", "disk free"),
    )
    return html.Dl(
        [html.Div([html.Dt(name), html.Dd("–", id=f"live-{key}")]) for key, name in parts], className="strip"
    )


def _numbers() -> Component:
    """Speed and load, large; the banks' mixture stands with their rails."""
    return html.Dl(
        [
            html.Div([html.Dt("speed, 1/min"), html.Dd("–", id="live-rpm")]),
            html.Div([html.Dt("load", id="live-load-name"), html.Dd("–", id="live-load")]),
        ],
        className="numbers",
    )


def _controls() -> Component:
    return html.Div(
        [
            html.Label(["Mark's text", dcc.Input(id="mark-words", type="text", maxLength=200)]),
            html.Button("Mark now (key M)", id="mark", type="button"),
            html.Button("Stop recording", id="stop", type="button", className="main-action"),
            html.Label(
                ["Target mixture", dcc.Input(id="target", type="number", step="any", min=0)],
                id="target-label",
            ),
        ],
        id="controls",
        className="controls",
        hidden=True,
    )


def _sweep_begin() -> Component:
    """The guided sweep's cautions, and only below them its beginning."""
    return html.Details(
        [
            html.Summary("Guided mixture sweep"),
            html.Div(
                [
                    bullets(CAUTIONS),
                    html.Button("I have read this: begin the sweep", id="sweep-begin", type="button"),
                ],
                className="cautions",
            ),
        ],
        id="sweep-before",
    )


def _sweep_guidance() -> Component:
    """What to do now, above everything else, to be read from afar."""
    return html.Section(
        [
            html.P(id="sweep-said", role="status", className="big-said"),
            html.Div(
                [
                    html.Span("sweep so far", id="sweep-range"),
                    html.Progress(
                        id="sweep-progress", max="1", value="0", **{"aria-labelledby": "sweep-range"}
                    ),
                    html.Button("Leave the sweep", id="sweep-leave", type="button"),
                ],
                className="sweep-row",
            ),
            html.Div(id="sweep-estimate", role="status"),
        ],
        id="sweep-during",
        hidden=True,
        **{"aria-label": "Guided mixture sweep"},
    )
