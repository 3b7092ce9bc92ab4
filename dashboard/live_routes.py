"""The Run page's routes: one stream of events, and the few things that can be asked for by JSON."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeAlias

from flask import Flask, Response, jsonify, request

from daq.errors import EvenburnError
from dashboard.context import context
from dashboard.wording import FINDING_WORDS, verdict, with_interval

Answer: TypeAlias = "Response | tuple[Response, int]"


def register_live(server: Flask) -> None:
    """Add the routes."""
    server.add_url_rule("/live/events", "live_events", events)
    server.add_url_rule("/live/estimate", "live_estimate", estimate)
    for name, act in (("start", _start), ("stop", _stop), ("mark", _mark), ("sweep", _sweep)):
        server.add_url_rule(f"/live/{name}", f"live_{name}", _answering(act), methods=["POST"])


def events() -> Answer:
    """The stream of server-sent events."""
    try:
        stream = context().live.events()
    except EvenburnError as error:
        return jsonify(said=str(error)), 503
    return Response(stream, mimetype="text/event-stream", headers={"Cache-Control": "no-store"})


def estimate() -> Answer:
    """The findings of the session that is being recorded, from what has been recorded so far."""
    try:
        name = context().live.current() or context().live.recording.name
        since_s = request.args.get("since", default=math.inf, type=float)
        progress = context().analyst.ask(name, since_s=since_s)
    except EvenburnError as error:
        return jsonify(said=str(error), over=True), 404
    found = progress.balance
    if found is None or not progress.over:
        said = progress.error or f"Analysing … {progress.waited_s:.0f} s"
        return jsonify(said=said, over=progress.over, since=progress.started_s)
    rows = [
        {
            "cylinder": c.cylinder,
            "finding": FINDING_WORDS[c.finding],
            "offset": with_interval(c.fuel_offset_percent, c.fuel_offset_u95_percent) + " %",
        }
        for c in found.cylinders
    ]
    return jsonify(said=verdict(found), over=True, rows=rows, session=name)


def _answering(act: Callable[[dict[str, Any]], dict[str, str]]) -> Callable[[], Answer]:
    """A route that does `act` with the JSON sent and says how it went."""

    def route() -> Answer:
        sent = request.get_json(silent=True)
        if not isinstance(sent, dict):
            return jsonify(said="a JSON object is expected"), 400
        try:
            return jsonify(act(sent))
        except EvenburnError as error:
            return jsonify(said=str(error)), 409

    return route


def _start(sent: dict[str, Any]) -> dict[str, str]:
    port = str(sent.get("port") or "").strip() or None
    name = context().live.start(str(sent.get("setup", "")), str(sent.get("name", "")), port)
    return {"said": f"Recording {name}."}


def _stop(_sent: dict[str, Any]) -> dict[str, str]:
    return {"said": "Stopped.", "session": context().live.stop()}


def _mark(sent: dict[str, Any]) -> dict[str, str]:
    return {"said": f"Marked at {context().live.mark(str(sent.get('text') or 'mark')):.1f} s."}


def _sweep(sent: dict[str, Any]) -> dict[str, str]:
    context().live.sweep(bool(sent.get("on")))
    return {"said": ""}
