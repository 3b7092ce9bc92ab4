"""The same engine on every bus: whatever brings the readings, the findings are those of its line stream.

The engine is the virtual work boat; its line stream in millivolts is replayed, and the same readings are sent as
J1939 and controller frames (live on the virtual bus, and as a candump log) and as registers of a Modbus module.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import can
import cantools
import pytest
from source_rigs import CHANNELS, ModbusLineRig

import daq.modbus_reader
from analysis.balance import balance
from analysis.result import Balance
from daq.can_reader import CanReader
from daq.inbox import Inbox
from daq.line_stream import LineStreamParser, Sample
from daq.mixture import lambda_from_volts
from daq.modbus_reader import ModbusReader
from daq.physical import physical_table
from daq.reader import Reader
from daq.recording import Recording
from daq.replay import replay
from daq.session import SessionWriter, open_session
from daq.setupfile import Setup, load_setup
from daq.thermocouple import hot_junction_C
from daq.virtual_engine import VirtualEngine
from daq.virtual_scenario import load_scenario

Row = dict[str, float]
SCENARIO, LINE_SETUP = load_scenario("work-boat")

# the engine controller's own frame: both lambdas, manifold pressure, injector time
CONTROLLER = """\
VERSION ""
NS_ :
BS_:
BU_: Controller
BO_ 1600 Mixture: 8 Controller
 SG_ LambdaPort : 7|16@0+ (0.0001,0) [0|6.5] "lambda" Vector__XXX
 SG_ LambdaStarboard : 23|16@0+ (0.0001,0) [0|6.5] "lambda" Vector__XXX
 SG_ ManifoldPressure : 39|16@0+ (10,0) [0|400000] "Pa" Vector__XXX
 SG_ InjectorTime : 55|16@0+ (0.001,0) [0|65] "ms" Vector__XXX
"""
CAN_INSTRUMENT = """\
[[instrument]]
name = "main"
port = "{channel}"
[instrument.can]
interface = "virtual"
dbc = ["j1939-exhaust-ports", "controller.dbc"]
[instrument.can.signals]
rpm = "EngineSpeed"
lambda_port_lambda = "LambdaPort"
lambda_starboard_lambda = "LambdaStarboard"
map_kPa = "ManifoldPressure"
injector_ms = "InjectorTime"
"""
MODBUS_INSTRUMENT = """\
[[instrument]]
name = "main"
[instrument.modbus]
parity = "none"
polls_Hz = 2.5
[[instrument.modbus.block]]
device = 7
register = 0
type = "float32"
word_order = "little"
"""


def setup_text(instrument: str) -> str:
    """The line stream's setup with another source, whose temperatures and lambda come converted."""
    lines = []
    for line in LINE_SETUP.splitlines():
        key = line.partition(" ")[0]
        if key == "column" and "egt" in line:
            line = line.replace("_mV", "_C")
        elif key == "column" and "lambda_" in line:
            line = line.replace('_V"', '_lambda"')
        elif key in ("cold_junction", "volts", "lambda"):
            continue
        lines.append(line)
    before, _, after = "\n".join(lines).partition("[[instrument]]")
    return f"{before}{instrument}{after[after.index('[[bank]]') :]}"


def rows_of(stream: bytes) -> list[Row]:
    """Every sample of the engine's line stream in physical units, `time_s` being its own."""
    parser = LineStreamParser(mid_line=False)
    samples = [item for item in parser.feed(stream) if isinstance(item, Sample)]
    assert parser.columns is not None
    return [physical(dict(zip(parser.columns, map(float, item.fields), strict=True))) for item in samples]


def physical(raw: Row) -> Row:
    row = {
        "time_s": raw["time_ms"] / 1000,
        "rpm": raw["rpm"],
        "map_kPa": raw["map_kPa"],
        "injector_ms": raw["injector_ms"],
    }
    for column, value in raw.items():
        if column.endswith("_mV"):
            row[column.replace("_mV", "_C")] = float(hot_junction_C(value, raw["cj_C"]))
        elif column.startswith("lambda_"):
            row[column.replace("_V", "_lambda")] = float(lambda_from_volts(value, (0.5, 4.5), (0.65, 1.45)))
    return row


@pytest.fixture(scope="module")
def stream() -> bytes:
    return VirtualEngine(SCENARIO).stream()


@pytest.fixture(scope="module")
def rows(stream: bytes) -> list[Row]:
    return rows_of(stream)


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory, stream: bytes) -> Balance:
    """What the line stream's findings are."""
    folder = tmp_path_factory.mktemp("lines")
    (folder / "setup.toml").write_text(LINE_SETUP, encoding="utf-8")
    (folder / "stream.txt").write_bytes(stream)
    session = replay(folder / "setup.toml", folder / "stream.txt", folder / "session")
    return balance(physical_table(open_session(session)))


def assert_same_findings(session: Path, expected: Balance) -> None:
    found = balance(physical_table(open_session(session)))
    assert found.method == expected.method
    assert any(cylinder.finding != "even" for cylinder in expected.cylinders)
    for one, other in zip(found.cylinders, expected.cylinders, strict=True):
        assert (one.cylinder, one.finding) == (other.cylinder, other.finding)
        assert one.fuel_offset_percent == pytest.approx(other.fuel_offset_percent, rel=0, abs=0.1)
        assert one.egt_deviation_C == pytest.approx(other.egt_deviation_C, rel=0, abs=0.3)
        truth = SCENARIO.true_offsets_percent()[one.cylinder]
        assert one.fuel_offset_percent == pytest.approx(truth, rel=0, abs=0.6)


class Frames:
    """The engine's rows as frames: SAE J1939 for temperatures and speed, the controller's own for the rest."""

    def __init__(self, folder: Path) -> None:
        (folder / "controller.dbc").write_text(CONTROLLER, encoding="utf-8")
        database: Any = cantools.database.load_string(CONTROLLER, "dbc")
        self._mixture = database.get_message_by_name("Mixture")

    def of(self, row: Row, start_s: float) -> list[can.Message]:
        time_s = start_s + row["time_s"]
        ports = [round((row[f"egt{number}_C"] + 273) / 0.03125) for number in range(1, 9)]
        speed = round(row["rpm"] / 0.125)
        mixture = {
            "LambdaPort": row["lambda_port_lambda"],
            "LambdaStarboard": row["lambda_starboard_lambda"],
            "ManifoldPressure": 1000 * row["map_kPa"],
            "InjectorTime": row["injector_ms"],
        }
        contents = (
            (0x18FEA300, struct.pack("<4H", *ports[:4])),
            (0x18FEA200, struct.pack("<4H", *ports[4:])),
            (0x0CF00400, struct.pack("<3xH3x", speed)),
            (0x640, self._mixture.encode(mixture)),
        )
        return [
            can.Message(arbitration_id=i, data=data, timestamp=time_s + 0.001 * k, is_extended_id=i > 0x7FF)
            for k, (i, data) in enumerate(contents)
        ]


def can_setup(folder: Path, channel: str) -> Path:
    ports = "".join(f'egt{number}_C = "ExhaustPort{number}Temperature"\n' for number in range(1, 9))
    path = folder / "setup.toml"
    path.write_text(setup_text(CAN_INSTRUMENT.format(channel=channel) + ports), encoding="utf-8")
    return path


def test_a_candump_log(tmp_path: Path, rows: list[Row], expected: Balance) -> None:
    frames = Frames(tmp_path)
    with can.CanutilsLogWriter(tmp_path / "boat.log", channel="can0") as log:
        for row in rows:
            for message in frames.of(row, 1.79e9):
                log.on_message_received(message)
    first = (tmp_path / "boat.log").read_text("ascii").split()[:3]
    assert first[0].startswith("(179000000") and first[2].startswith("18FEA300#")
    session = replay(can_setup(tmp_path, "can0"), tmp_path / "boat.log", tmp_path / "session")
    assert_same_findings(session, expected)


class Live:
    """A recording on the engine's own time, one turn after the other."""

    def __init__(self, setup: Setup, text: str, folder: Path) -> None:
        self.now_s = 0.0
        self.folder = folder
        self._writer = SessionWriter.create(folder, text, clock=self.clock)
        self._inbox = Inbox(["main"], 4_000_000)
        self._recording = Recording(setup, self._inbox, self._writer)

    def clock(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def take(self, reader: Reader) -> None:
        while (event := reader.read(0.0)) is not None:
            self._inbox.put("main", event)
        self._recording.turn(self._writer.now_s)

    def end(self, reader: Reader) -> Path:
        reader.close()
        self._recording.end(self._writer.now_s)
        self._writer.close()
        return self.folder


def test_the_virtual_can_bus(tmp_path: Path, rows: list[Row], expected: Balance) -> None:
    frames, channel = Frames(tmp_path), next(CHANNELS)
    path = can_setup(tmp_path, channel)
    setup = load_setup(path)
    live = Live(setup, path.read_text("utf-8"), tmp_path / "session")
    reader = CanReader(setup.instrument[0], None, tmp_path, live.clock, live.sleep)
    with can.Bus(interface="virtual", channel=channel, preserve_timestamps=True) as bus:
        for number, row in enumerate(rows):
            for message in frames.of(row, 0.0):
                bus.send(message)
            live.now_s = row["time_s"] + 0.010
            if number % 4 == 3:
                live.take(reader)
        live.take(reader)
    assert_same_findings(live.end(reader), expected)


def test_a_modbus_module(
    tmp_path: Path, rows: list[Row], expected: Balance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daq.modbus_reader, "ANSWER_WITHIN_S", 2.0)  # real time: this computer may be busy
    columns = [column for column in rows[0] if column != "time_s"]
    path = tmp_path / "setup.toml"
    path.write_text(setup_text(f"{MODBUS_INSTRUMENT}columns = {columns}\n"), encoding="utf-8")
    setup = load_setup(path)
    live = Live(setup, path.read_text("utf-8"), tmp_path / "session")
    line = ModbusLineRig(tmp_path, [0] * 2 * len(columns))
    try:
        reader = ModbusReader(setup.instrument[0], lambda: str(line.path), live.clock, live.sleep)
        for row in rows[:: round(SCENARIO.rate_hz / 2.5)]:
            words = [struct.unpack(">2H", struct.pack(">f", row[column])) for column in columns]
            line.registers[:] = [word for pair in words for word in reversed(pair)]
            live.now_s = row["time_s"]
            live.take(reader)
        session = live.end(reader)
    finally:
        line.close()
    assert_same_findings(session, expected)
