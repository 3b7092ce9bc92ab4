"""`evenburn simulate`: a virtual engine as an instrument."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.output import say
from dashboard.commands.stopping import until_stopped


@click.command("simulate")
@click.argument("engine")
@click.option(
    "--port", type=click.Path(path_type=Path), required=True, metavar="PTY", help="Name for the port."
)
def command(engine: str, port: Path) -> None:
    """Run the virtual ENGINE (a name or a scenario file) on a virtual serial port until stopped.

    Each time the port is opened the engine starts from cold, as a board does that restarts.
    """
    from daq.virtual_engine import VirtualEngine
    from daq.virtual_instrument import VirtualInstrument
    from daq.virtual_scenario import ENGINES, load_scenario, scenario_names

    scenario, _ = load_scenario(engine)
    file = ENGINES / f"{engine}.toml" if engine in scenario_names() else Path(engine)
    with VirtualInstrument(VirtualEngine(scenario), link=port), until_stopped() as stopped:
        say(f"{scenario.name} is on {port} (Ctrl-C ends it).")
        say(f"To record it: evenburn record {file.with_suffix('.setup.toml')} --port {port} --out NEW_FOLDER")
        stopped.wait()
