"""`evenburn demo`: the whole job on a virtual engine, with nothing plugged in."""

from __future__ import annotations

import os
import tempfile
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from dashboard.commands.output import console, say
from dashboard.commands.stopping import until_stopped

ENGINE = "work-boat"
LOOK_S = 0.1


@click.command("demo")
@click.option("--no-browser", is_flag=True, help="Do not open the dashboard at the end.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Keep it there (else: a new folder)."
)
@click.option(
    "--speed", type=click.FloatRange(0.1, 100), default=100.0, show_default=True, help="Times real time."
)
def command(no_browser: bool, out: Path | None, speed: float) -> int:
    """A virtual work boat's engine is recorded through a virtual serial port, analysed, reported and shown.

    About four minutes of engine time: cold soak, warm-up, steady holds, one mixture sweep.
    """
    folder = out or Path(tempfile.mkdtemp(prefix="evenburn-demo-"))
    session = folder / ENGINE
    if os.name == "nt":
        replay_engine(session)
    else:
        record_engine(session, speed)
    answered = _report(session, folder / "report")
    if not no_browser:
        from dashboard.commands.view import open_dashboard

        open_dashboard(folder, port=0, browser=True)
    return 0 if answered else 1


def _report(session: Path, report: Path) -> bool:
    """Analyse `session`, print its findings, write its trim report; whether there is an answer."""
    from analysis.balance import balance
    from analysis.probe_check import probe_check
    from analysis.trims import propose_trims
    from daq.physical import physical_table
    from daq.session import open_session
    from dashboard.commands.balance import print_balance
    from dashboard.report import write_reports

    with console(to_stderr=True).status("Analysing …"):
        opened = open_session(session)
        physical = physical_table(opened)
        found = balance(physical)
    print_balance(found)
    trims = propose_trims(found, physical.setup.trims)
    paths = write_reports(
        trims, physical, report, session_folder=session, check=probe_check(physical, opened)
    )
    say()
    say(f"The session: {session}")
    say("The trim report: " + ", ".join(str(path) for path in paths))
    return found.answered


def record_engine(session: Path, speed: float) -> None:
    """Record the virtual engine through a pseudo-terminal, on the engine's own clock, with a progress bar."""
    from rich.progress import BarColumn, Progress, TextColumn

    from daq.recorder import record
    from daq.virtual_engine import VirtualEngine
    from daq.virtual_instrument import VirtualInstrument
    from daq.virtual_scenario import ENGINES, load_scenario

    engine = VirtualEngine(load_scenario(ENGINE)[0])
    setup, done = ENGINES / f"{ENGINE}.setup.toml", threading.Event()
    columns = (TextColumn("Recording {task.fields[port]}"), BarColumn(), TextColumn("{task.completed:.0f} s"))
    with (
        VirtualInstrument(engine, speed) as instrument,
        until_stopped() as stopped,
        ThreadPoolExecutor(1) as pool,
        Progress(*columns, console=console(to_stderr=True)) as progress,
    ):
        task = progress.add_task("", total=engine.duration_s, port=instrument.path)
        ports = {"main": instrument.path}
        recording = pool.submit(record, setup, session, ports, done, clock=lambda: instrument.sent_s)
        while not (instrument.wait_finished(LOOK_S) or recording.done() or stopped.is_set()):
            progress.update(task, completed=instrument.sent_s)
        progress.update(task, completed=instrument.sent_s)
        done.set()
        recording.result()
        if stopped.is_set():
            raise click.Abort


def replay_engine(session: Path) -> None:
    """The same without a serial port, for Windows, which has no pseudo-terminals: the engine's stream replayed."""
    from daq.replay import replay
    from daq.virtual_engine import VirtualEngine
    from daq.virtual_scenario import ENGINES, load_scenario

    with tempfile.TemporaryDirectory() as scratch:
        stream = Path(scratch, "stream.txt")
        stream.write_bytes(VirtualEngine(load_scenario(ENGINE)[0]).stream())
        replay(ENGINES / f"{ENGINE}.setup.toml", stream, session)
