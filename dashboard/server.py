"""The local web server: one Dash application on a production server, bound to this machine unless told otherwise."""

from __future__ import annotations

import contextlib
import logging
import signal
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import dash
from dash import Dash
from flask import Flask
from waitress.server import create_server

from daq.errors import EvenburnError
from dashboard import security
from dashboard.analysing import Analyst
from dashboard.analysis_worker import Work, analyse_session
from dashboard.context import Context, put
from dashboard.downloads import register_downloads
from dashboard.live import Live
from dashboard.live_routes import register_live
from dashboard.pages import PAGE_MODULES
from dashboard.session_folder import SessionFolder

THREADS = 16
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>{%metas%}<title>{%title%}</title>{%favicon%}{%css%}</head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body>
</html>"""
METAS = (
    {"name": "viewport", "content": "width=device-width, initial-scale=1"},
    {"name": "color-scheme", "content": "light dark"},
)
log = logging.getLogger(__name__)


class ServerError(EvenburnError):
    """The server cannot listen on the address it was given."""


def create_app(folder: str | Path, *, host: str = "127.0.0.1", work: Work = analyse_session) -> Dash:
    """The dashboard on a folder of sessions, as it will be served on `host`.

    work: how a session is analysed (tests give their own). Raises SessionError if `folder` is none.
    """
    sessions_folder = SessionFolder(folder)
    server = Flask(__name__)
    app = Dash(
        __name__,
        server=server,
        use_pages=True,
        pages_folder="",
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore=r"^screenshots.*",
        title="Evenburn",
        update_title="",
        index_string=INDEX,
        meta_tags=list(METAS),
        serve_locally=True,
        suppress_callback_exceptions=True,
        enable_mcp=False,
        add_log_handler=False,
        include_pages_meta=False,
        on_error=_explain,
    )
    door = security.Door(needs_token=not security.is_loopback(host))
    analyst = Analyst(sessions_folder, work)
    live = Live(sessions_folder)
    put(server, Context(sessions_folder, analyst, live, door))
    for page in PAGE_MODULES:
        dash.register_page(
            page.__name__, path=page.PATH, name=page.NAME, title=f"{page.NAME} – Evenburn", layout=page.layout
        )
        page.register(app)
    app.layout = dash.page_container
    register_live(server)
    register_downloads(server)
    security.register_invitation(server, door)
    security.guard(server, door, host, app.csp_hashes)
    server.register_error_handler(500, _defect)
    return app


def _explain(error: Exception) -> None:
    """A callback that failed leaves the page as it was; a user's mistake never gets here (pages show it)."""
    if isinstance(error, dash.exceptions.PreventUpdate):
        raise error
    log.warning("a page could not be updated: %s: %s", type(error).__name__, error)
    raise dash.exceptions.PreventUpdate


def _defect(error: Exception) -> tuple[str, int]:
    log.warning("a request failed: %s", error)
    return "This request could not be carried out.", 500


def close(app: Dash) -> None:
    """End what runs behind an app: live streams, a recording that it started, analyses."""
    parts: Context = app.server.config["EVENBURN"]
    parts.live.close()
    parts.analyst.close()


def serve(
    folder: str | Path,
    host: str = "127.0.0.1",
    port: int = 8050,
    *,
    on_ready: Callable[[str], None] = lambda address: None,
    stop: threading.Event | None = None,
) -> None:
    """Serve until interrupted, terminated or `stop` is set.

    on_ready: called once with the address to open, which holds a one-time token unless `host` is loopback.
    port 0 takes any free one. Raises ServerError if the address cannot be had.
    """
    app = create_app(folder, host=host)
    try:
        listener = socket.create_server((host, port), family=_family(host))
    except OSError as error:
        close(app)
        raise ServerError(f"{host} port {port}: cannot listen there ({error.strerror or error})") from None
    server = create_server(
        app.server,
        sockets=[listener],
        threads=THREADS,
        channel_timeout=60,
        ident="evenburn",
        clear_untrusted_proxy_headers=True,
    )
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a request that waits a moment is no news
    stop = stop or threading.Event()
    with _stopped_by_signals(stop):
        worker = threading.Thread(target=server.run, name="web server", daemon=True)
        worker.start()
        on_ready(_address(app, host, listener.getsockname()[1]))
        while not stop.wait(0.2) and worker.is_alive():
            pass
    close(app)
    server.task_dispatcher.shutdown(timeout=5)
    # by its own thread: another would close the sockets that it waits on
    server.trigger.pull_trigger(server.close)
    worker.join(5)
    listener.close()


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


def _address(app: Dash, host: str, port: int) -> str:
    """Where to open the dashboard, with a token where one is needed."""
    door: security.Door = app.server.config["EVENBURN"].door
    shown = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(host, host)
    name = f"[{shown}]" if ":" in shown else shown
    return f"http://{name}:{port}/" + (f"?token={door.invite()}" if door.needs_token else "")


class _stopped_by_signals(contextlib.AbstractContextManager[None]):
    """While open, interrupt and termination set an event instead of ending the process."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self._before: dict[int, Any] = {}

    def __enter__(self) -> None:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                self._before[number] = signal.signal(number, self._set)

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _set(self, _number: int, _frame: FrameType | None) -> None:
        self._stop.set()
