"""Makes the sample logs again: python sample_logs/make_sample_logs.py [FOLDER]

Three sessions of invented engines, printed by the virtual engine, captured, and replayed into session folders:
the work boat before and after one trim step, and the inline four with a probe that breaks in mid-sweep.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import msgspec

from analysis.balance import balance
from analysis.trims import propose_trims
from daq.physical import physical_table
from daq.replay import replay
from daq.session import open_session
from daq.virtual_engine import VirtualEngine
from daq.virtual_scenario import Scenario, load_scenario

RATE_HZ = 10.0


def record(scenario: Scenario, setup_text: str, folder: Path) -> Path:
    """`scenario` as a session in `folder`."""
    with tempfile.TemporaryDirectory() as scratch:
        setup, stream = Path(scratch, "setup.toml"), Path(scratch, "stream.txt")
        setup.write_text(setup_text, encoding="utf-8")
        stream.write_bytes(VirtualEngine(scenario).stream())
        return replay(setup, stream, folder)


def trimmed(scenario: Scenario, session: Path) -> Scenario:
    """`scenario` after the trims that the program proposes for `session`, run on another day."""
    table = physical_table(open_session(session))
    steps = {
        t.cylinder: t.trim_percent or 0.0 for t in propose_trims(balance(table), table.setup.trims).cylinders
    }
    cylinders = tuple(
        msgspec.structs.replace(
            c, fuel_percent=100 * ((1 + c.fuel_percent / 100) * (1 + steps[c.number] / 100) - 1)
        )
        for c in scenario.cylinder
    )
    return msgspec.structs.replace(scenario, cylinder=cylinders, seed=scenario.seed + 1, ambient_C=19.0)


def main(folder: Path) -> None:
    """Write the three sessions into `folder`; those that are there already are an error."""
    boat, boat_setup = load_scenario("work-boat")
    boat = msgspec.structs.replace(boat, rate_hz=RATE_HZ)
    before = record(boat, boat_setup, folder / "work-boat")
    record(trimmed(boat, before), boat_setup, folder / "work-boat-trimmed")
    four, four_setup = load_scenario("inline-four")
    cylinders = tuple(
        msgspec.structs.replace(c, open_after_s=170.0) if c.number == 2 else c for c in four.cylinder
    )
    four = msgspec.structs.replace(four, rate_hz=RATE_HZ, cylinder=cylinders)
    record(four, four_setup, folder / "inline-four-broken-probe")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
