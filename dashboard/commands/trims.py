"""`evenburn trims`: the trim report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.output import bullets, console, say, table

if TYPE_CHECKING:
    from analysis.result import Trims


@click.command("trims")
@click.argument("session", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Where to write it."
)
@click.option("--force", is_flag=True, help="Replace a report that is there already.")
@click.option("--step-percent", type=float, help="Largest change of a cylinder's fuel in one step, %.")
@click.option("--leaning-share", type=float, help="How much of that for taking fuel away, 0 to 1.")
@click.option("--threshold-percent", type=float, help="Smaller offsets are left alone, %.")
@click.option("--lambda-target", type=float, help="Move each bank's mean towards this lambda as well.")
def command(session: Path, out: Path, force: bool, **typed: float | None) -> int:
    """Write the trim report of SESSION: trims.html, trims.pdf, trims.csv, trims.json.

    The limits come from the session's setup unless given here. Exit status 1 if the data cannot answer for any
    cylinder; the report is written all the same and says why.
    """
    from analysis.balance import balance
    from analysis.probe_check import probe_check
    from analysis.trims import propose_trims
    from daq.physical import physical_table
    from daq.session import open_session
    from dashboard.report import write_reports
    from dashboard.trim_limits import limits_from

    opened = open_session(session)
    physical = physical_table(opened)
    trims = propose_trims(balance(physical), limits_from(typed, physical.setup.trims))
    paths = write_reports(
        trims, physical, out, force, session_folder=session, check=probe_check(physical, opened)
    )
    print_trims(trims)
    say("Written: " + ", ".join(str(path) for path in paths))
    return 0 if trims.balance.answered else 1


def print_trims(trims: Trims) -> None:
    """What to set, one line per cylinder, and the cautions."""
    from dashboard.wording import FINDING_WORDS, sentence, signed_or_missing, verdict, with_interval

    entries = {entry.cylinder: entry for entry in trims.balance.cylinders}
    rows = [
        (
            str(step.cylinder),
            step.bank,
            FINDING_WORDS[entries[step.cylinder].finding],
            with_interval(
                entries[step.cylinder].fuel_offset_percent, entries[step.cylinder].fuel_offset_u95_percent
            ),
            "none" if step.trim_percent == 0 else signed_or_missing(step.trim_percent, 1),
            with_interval(step.predicted_deviation_C, step.predicted_deviation_u95_C),
            step.reason,
        )
        for step in trims.cylinders
    ]
    columns = ("Cylinder", "Bank", "Finding", "Offset, %", "Trim, %", "Deviation after, °C", "Why")
    console().print(table(columns, rows, "lllrrrl"))
    say(verdict(trims.balance))
    bullets("Cautions", trims.cautions)
    bullets("What to log next", [sentence(step) for step in trims.balance.next_steps])
