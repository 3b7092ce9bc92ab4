"""Files made on demand: the trim report in its four forms, and the small pictures of the sessions page."""

from __future__ import annotations

import tempfile
from pathlib import Path

from flask import Flask, Response, request

from daq.errors import EvenburnError
from daq.setupfile import TrimLimits
from dashboard.context import context
from dashboard.trim_limits import limits_from

REPORTS = {
    "trims.html": "text/html; charset=utf-8",
    "trims.pdf": "application/pdf",
    "trims.csv": "text/csv; charset=utf-8",
    "trims.json": "application/json",
}
LONGEST_WAIT_S = 30.0


def register_downloads(server: Flask) -> None:
    """Add the routes."""
    server.add_url_rule("/download/<session>/<file>", "download", download)
    server.add_url_rule("/picture/<kind>/<session>", "picture", picture)


def download(session: str, file: str) -> Response | tuple[str, int]:
    """One form of the trim report with the limits in the query, as an attachment; nothing is left on the disk."""
    if file not in REPORTS:
        return "There is no such report.", 404
    try:
        limits = limits_from(request.args)
        content = report(session, file, limits)
    except EvenburnError as error:
        return str(error), 404
    response = Response(content, mimetype=REPORTS[file])
    name = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in session)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}-{file}"'
    return response


def report(session: str, file: str, limits: TrimLimits) -> bytes:
    """The bytes of one form of the report. Raises EvenburnError where the session cannot be analysed."""
    from analysis.trims import propose_trims
    from dashboard.report import write_reports

    progress = context().analyst.wait(session, LONGEST_WAIT_S)
    if progress.balance is None or progress.table is None:
        raise EvenburnError(progress.error or "this session is still being analysed; try again in a moment")
    with tempfile.TemporaryDirectory() as folder:
        write_reports(propose_trims(progress.balance, limits), progress.table, Path(folder))
        return (Path(folder) / file).read_bytes()


def picture(kind: str, session: str) -> Response | tuple[str, int]:
    """A session's small picture in the theme of the query, as SVG: 'time' or 'rail'."""
    try:
        progress = context().analyst.ask(session, urgent=False, needs_table=False)
    except EvenburnError as error:
        return str(error), 404
    pictures = progress.glances if kind == "rail" else progress.thumbnails
    svg = pictures[1 if request.args.get("theme") == "dark" else 0]
    return Response(svg, mimetype="image/svg+xml") if svg else ("", 204)
