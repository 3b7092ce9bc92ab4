"""An install without the extras neither imports nor needs them, and names the one that is missing."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import can
import pytest
from pty_rig import PtyInstrument, wait_for
from source_rigs import CHANNELS, DBC, ModbusLineRig

from daq.errors import PortError, SetupError
from daq.recorder import record
from daq.session import open_session
from daq.setupfile import load_setup
from daq.sources import open_readers

TAIL = '[[bank]]\nname = "only"\ncylinders = [1]\n[[probe]]\ncylinder = 1\ncolumn = "egt1_C"\n'
CAN = '[engine]\nname = "x"\n[[instrument]]\nport = "can0"\n[instrument.can]\ndbc = ["boat.dbc"]\n' + (
    'signals = {egt1_C = "Temperature1"}\n' + TAIL
)
MODBUS = '[engine]\nname = "x"\n[[instrument]]\nport = "/dev/ttyUSB9"\n[[instrument.modbus.block]]\n' + (
    'device = 1\nregister = 0\ncolumns = ["egt1_C"]\n' + TAIL
)

# Every import of these fails, as where the extras are not installed.
WITHOUT = """
import sys
class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {"can", "cantools", "pymodbus"}:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing())
"""


def run_without_extras(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", WITHOUT + code, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_a_line_stream_is_replayed_and_analysed_without_the_extras(tmp_path: Path) -> None:
    (tmp_path / "setup.toml").write_text('[engine]\nname = "x"\n' + TAIL, encoding="utf-8")
    lines = "".join(f"{20 * n},{600 + n % 3}.0\n" for n in range(500))
    (tmp_path / "stream.txt").write_text("#time_ms,egt1_C\n" + lines, encoding="ascii")
    ended = run_without_extras(
        """
import importlib, pkgutil, daq
for module in pkgutil.iter_modules(daq.__path__):
    importlib.import_module(f"daq.{module.name}")
from dashboard.cli import main
main(["record", sys.argv[1] + "/setup.toml", "--replay", sys.argv[1] + "/stream.txt", "--out", sys.argv[1] + "/s"])
""",
        str(tmp_path),
    )
    assert ended.returncode == 0, ended.stderr
    assert open_session(tmp_path / "s").tables["main"].host_s.size == 500


@pytest.mark.parametrize(
    ("setup", "said"),
    [
        (CAN, "A CAN bus needs the extra 'can': pip install \"evenburn[can]\" (cantools is missing)"),
        (
            MODBUS,
            "A Modbus module needs the extra 'modbus': pip install \"evenburn[modbus]\" (pymodbus is missing)",
        ),
    ],
)
def test_asking_for_a_bus_names_its_extra_in_one_line(tmp_path: Path, setup: str, said: str) -> None:
    (tmp_path / "setup.toml").write_text(setup, encoding="utf-8")
    port = PtyInstrument(tmp_path / "port")
    options = ["--port", port.path] if setup is MODBUS else []
    ended = run_without_extras(
        "from dashboard.cli import main\nmain(sys.argv[1:])",
        *("record", str(tmp_path / "setup.toml"), "--out", str(tmp_path / "s"), *options),
    )
    port.unplug()
    assert ended.returncode == 2
    assert ended.stderr == f"evenburn: {said}\n"
    assert not (tmp_path / "s").exists()


def test_a_session_that_came_from_a_bus_is_read_without_the_extras(tmp_path: Path) -> None:
    """Only recording needs them: what was recorded is a session like any other."""
    (tmp_path / "setup.toml").write_text(CAN, encoding="utf-8")
    ended = run_without_extras(
        "from daq.setupfile import load_setup\nprint(load_setup(sys.argv[1]).instrument[0].known_columns)",
        str(tmp_path / "setup.toml"),
    )
    assert ended.stdout == "('time_ms', 'egt1_C')\n", ended.stderr


def test_three_kinds_of_instrument_in_one_recording(tmp_path: Path) -> None:
    """A serial port, a CAN bus and a Modbus line, each read by its own thread, through `record` itself."""
    channel = next(CHANNELS)
    (tmp_path / "boat.dbc").write_text(DBC, encoding="utf-8")
    (tmp_path / "setup.toml").write_text(
        """[engine]
name = "harbour launch"
[[instrument]]
name = "lines"
[[instrument]]
name = "bus"
[instrument.can]
interface = "virtual"
dbc = ["boat.dbc"]
signals = {egt2_C = "Temperature1"}
[[instrument]]
name = "modules"
[instrument.modbus]
parity = "none"
polls_Hz = 20
[[instrument.modbus.block]]
device = 7
register = 0
scale = 0.1
columns = ["egt3_C"]
[[bank]]
name = "only"
cylinders = [1, 2, 3]
[[probe]]
cylinder = 1
column = "lines:egt1_C"
[[probe]]
cylinder = 2
column = "bus:egt2_C"
[[probe]]
cylinder = 3
column = "modules:egt3_C"
""",
        encoding="utf-8",
    )
    module = ModbusLineRig(tmp_path, [7003])
    lines = PtyInstrument(tmp_path / "lines port")
    stop, folder = threading.Event(), tmp_path / "session"
    ports = {"lines": lines.path, "bus": channel, "modules": str(module.path)}
    thread = threading.Thread(target=record, args=(tmp_path / "setup.toml", folder, ports, stop))
    thread.start()
    try:
        wait_for(lambda: any(t.name == "read lines" for t in threading.enumerate()), "the recording starts")
        with can.Bus(interface="virtual", channel=channel) as bus:
            lines.say(b"#time_ms,egt1_C\n")

            def all_heard() -> bool:
                lines.say(b"%d,701.0\n" % all_heard.calls)
                bus.send(
                    can.Message(arbitration_id=0x600, data=bytes.fromhex("1d4c00"), is_extended_id=False)
                )
                all_heard.calls += 20
                files = [folder / f"{name}.csv" for name in ports]
                return all(file.exists() and file.read_bytes().count(b"\n") > 5 for file in files)

            all_heard.calls = 0
            wait_for(all_heard, "samples of all three", 20.0)
    finally:
        stop.set()
        thread.join(20.0)
        module.close()
        lines.unplug()
    session = open_session(folder)
    found = {name: table.column(table.columns[1])[-1] for name, table in session.tables.items()}
    # 0x1d4c = 7500: 750 °C less 50
    assert found == {"lines": 701.0, "bus": 700.0, "modules": 700.3}
    assert session.start["ports"]["bus"] == f"virtual {channel}"
    assert any(mark.kind == "remark" and "boat.dbc (CRC-32" in mark.text for mark in session.marks)


def test_what_is_missing_is_said_before_anything_is_opened(tmp_path: Path) -> None:
    (tmp_path / "setup.toml").write_text(CAN.replace('port = "can0"\n', ""), encoding="utf-8")
    with pytest.raises(SetupError, match=r'name its CAN channel, e\.g\. port = "can0"'):
        open_readers(load_setup(tmp_path / "setup.toml"), {}, lambda: 0.0, tmp_path)
    (tmp_path / "boat.dbc").write_text(DBC, encoding="utf-8")
    (tmp_path / "setup.toml").write_text(
        CAN.replace("[instrument.can]", '[instrument.can]\ninterface = "nonsense"')
    )
    with pytest.raises(PortError, match="nonsense can0: the CAN bus cannot be opened"):
        open_readers(load_setup(tmp_path / "setup.toml"), {}, lambda: 0.0, tmp_path)
