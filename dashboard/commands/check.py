"""`evenburn check`: are the probes fit to judge an engine by?"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.live import record_live
from dashboard.commands.output import bullets, console, say, table
from dashboard.commands.record import by_instrument

if TYPE_CHECKING:
    from analysis.probe_check import ProbeCheck
    from daq.recorder import RecorderStatus


@click.command("check")
@click.argument("target", metavar="SESSION_OR_PORT")
@click.argument("setup", type=click.Path(path_type=Path), required=False)
@click.option(
    "--seconds", type=click.FloatRange(min=2), default=20.0, show_default=True, help="Listen so long."
)
def command(target: str, setup: Path | None, seconds: float) -> int:
    """Are all probes alive, right way round, alike when cold, on the port they claim?

    SESSION_OR_PORT is a session's folder, read under SETUP or its own setup, or [NAME=]PORT of an instrument that
    is listened to. Best before the engine runs: cold, then each port warmed alone, with a mark 'warm N' typed and
    ended with Enter. Exit status 1 if there is a fault.
    """
    from daq.setupfile import load_setup

    parsed = None if setup is None else load_setup(setup)
    if Path(target).is_dir():
        check, status = _check(Path(target), setup), None
    elif setup is None or parsed is None:
        raise click.UsageError(f"{target!r} is no session; to check a port, name its setup file as well")
    else:
        ports = by_instrument((target,), [i.name for i in parsed.instrument], "SESSION_OR_PORT")
        with tempfile.TemporaryDirectory() as scratch:
            session = Path(scratch, "check")
            status = record_live(setup, session, ports, seconds)
            check = _check(session, None)
    print_check(check, status)
    return 1 if check.faults else 0


def _check(folder: Path, setup: Path | None) -> ProbeCheck:
    from analysis.probe_check import probe_check
    from daq.physical import physical_table
    from daq.session import open_session
    from daq.setupfile import load_setup

    session = open_session(folder)
    return probe_check(physical_table(session, None if setup is None else load_setup(setup)), session)


def print_check(check: ProbeCheck, status: RecorderStatus | None) -> None:
    """Each probe in a line, then what is to be done, then what could not be told; good news is counted."""
    from dashboard.check_wording import CHECK_COLUMNS, check_rows, item_sentence

    console().print(table(CHECK_COLUMNS, check_rows(check), "llllrrrrr"))
    say(
        "Cold offset: beside the median of all while the engine was cold, against the class's limit. The last column"
    )
    say("would match them there, as offset_C in the setup; it promises nothing at working temperature.")
    for verdict, title in (("fault", "Faults"), ("warning", "Warnings"), ("cannot tell", "Cannot tell")):
        bullets(title, [item_sentence(item) for item in check.items if item.verdict == verdict])
    good = sum(item.verdict == "good" for item in check.items)
    say()
    say(f"{good} of {len(check.items)} checks are good.")
    if status is not None and math.isfinite(status.disk_left_s):
        say(f"The disk lasts for {status.disk_left_s / 3600:.0f} h of recording at this rate.")
