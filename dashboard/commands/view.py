"""`evenburn view`: the dashboard."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from dashboard.commands.output import say


@click.command("view")
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address to listen on; others need a token."
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="0 takes a free one."
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def command(folder: Path, host: str, port: int, no_browser: bool) -> None:
    """Open the dashboard on FOLDER, which holds sessions (default: here). Ctrl-C ends it."""
    open_dashboard(folder, host, port, browser=not no_browser)


def open_dashboard(folder: Path, host: str = "127.0.0.1", port: int = 8050, *, browser: bool) -> None:
    """Serve `folder` until stopped; say where, and open a browser there if `browser`."""
    from dashboard.server import serve

    def ready(address: str) -> None:
        say(f"The dashboard is at {address} (Ctrl-C ends it).")
        if browser:
            webbrowser.open(address)

    serve(folder, host, port, on_ready=ready)
