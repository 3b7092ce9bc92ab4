"""An area of a page that waits for an analysis, says how it goes, and can be stopped."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any, Literal

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from daq.errors import EvenburnError, SessionError
from dashboard.analysing import Progress
from dashboard.context import context
from dashboard.pages.parts import PHASES, Children, message

Build = Callable[[dict[str, Any], Progress], Children]
POLL_MS = {"table": 200, "balance": 600}
Needs = Literal["table", "balance"]


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
            dcc.Interval(id=f"{area}-poll", interval=POLL_MS[needs], disabled=phase != "busy"),
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
