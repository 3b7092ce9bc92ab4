"""`evenburn export`: a session as one table for other tools."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from dashboard.commands.output import say


@click.command("export")
@click.argument("session", type=click.Path(path_type=Path))
@click.option(
    "--to", "form", type=click.Choice(["csv", "parquet"]), required=True, help="The form of the table."
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The file to write."
)
@click.option("--raw", is_flag=True, help="What each instrument said instead, unconverted, on its own times.")
@click.option("--force", is_flag=True, help="Replace files that are there already.")
def command(session: Path, form: Literal["csv", "parquet"], out: Path, raw: bool, force: bool) -> None:
    """Write SESSION as physical values (°C, lambda, rpm, …) on one time base, units in the names.

    Beside FILE goes a setup file under which `evenburn import` makes a session of it again. With --raw a
    session of several instruments makes one file for each.
    """
    from daq.physical import physical_table
    from daq.session import open_session
    from dashboard.export import exported, exported_raw, named
    from dashboard.report import write_files

    opened = open_session(session)
    tables = opened.tables
    contents = (
        exported_raw(tables, form) if raw else exported(physical_table(opened), opened.setup_text, form)
    )
    paths = write_files(named(out, contents), out.parent, force)
    say("Written: " + ", ".join(str(path) for path in paths))
