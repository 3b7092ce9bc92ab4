"""The CAN reader beyond what all sources do: frames of no use, bursts, logs that cannot be read, DBC files' places."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from source_rigs import CHANNELS, DBC

import daq.can_reader
from daq.can_reader import CanReader, log_lines
from daq.errors import PortError, SetupError, StreamError
from daq.line_stream import LineStreamParser, Sample
from daq.reader import PortState, Received
from daq.replay import replay
from daq.setupfile import CanBus, Instrument, load_setup
from daq.sources import open_readers

SIGNALS = {"egt1_C": "Temperature1", "rpm": "Speed"}


@pytest.fixture
def instrument(tmp_path: Path) -> Instrument:
    (tmp_path / "boat.dbc").write_text(DBC, encoding="utf-8")
    return Instrument(
        port=next(CHANNELS), can=CanBus(signals=SIGNALS, dbc=("boat.dbc",), interface="virtual")
    )


@pytest.fixture
def bus(instrument: Instrument) -> Iterator[can.BusABC]:
    with can.Bus(interface="virtual", channel=instrument.port, preserve_timestamps=True) as bus:
        yield bus


def frame(time_s: float, raw: int = 7500, **more: object) -> can.Message:
    """Temperature1: raw·0.1 − 50 °C."""
    keys = {"arbitration_id": 0x600, "data": raw.to_bytes(2, "big") + b"\0", "is_extended_id": False, **more}
    return can.Message(timestamp=time_s, **keys)


def samples(reader: CanReader) -> list[tuple[str, ...]]:
    parser, found = LineStreamParser(), []
    while isinstance(event := reader.read(0.0), Received):
        found += [item.fields for item in parser.feed(event.data) if isinstance(item, Sample)]
    assert not parser.counts.rejected
    return found


def test_frames_that_carry_no_data_of_ours_make_no_row(
    instrument: Instrument, tmp_path: Path, bus: can.BusABC
) -> None:
    reader = CanReader(instrument, None, tmp_path)
    bus.send(frame(1.0))
    bus.send(frame(1.1, is_error_frame=True, data=b""))
    bus.send(frame(1.2, is_remote_frame=True, data=b""))
    bus.send(frame(1.3, arbitration_id=0x601))
    bus.send(frame(1.4, data=b"\x1d"))  # cut short: no temperature in it
    bus.send(frame(1.5))
    assert [fields[:2] for fields in samples(reader)] == [("1000", "700"), ("1500", "700")]
    reader.close()


def test_a_burst_longer_than_one_reading_is_read_whole(
    instrument: Instrument, tmp_path: Path, bus: can.BusABC, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daq.can_reader, "FRAMES_AT_ONCE", 10)
    reader = CanReader(instrument, None, tmp_path)
    for number in range(95):
        bus.send(frame(0.05 * number, 7500 + number))
    found = samples(reader)
    assert [fields[1] for fields in found] == [f"{700 + number / 10:g}" for number in range(95)]
    reader.close()


def test_closing_twice_and_reading_afterwards(instrument: Instrument, tmp_path: Path) -> None:
    reader = CanReader(instrument, None, tmp_path)
    reader.close()
    reader.close()
    assert reader.state is PortState.CLOSED
    assert reader.read(0.0) is None


def test_a_bus_that_fails_while_it_is_let_go_of(instrument: Instrument, tmp_path: Path) -> None:
    class Failing:
        def shutdown(self) -> None:
            raise can.CanOperationError("no such device")

    CanReader(instrument, None, tmp_path, open_bus=lambda *_: Failing()).close()


def test_a_session_s_own_setup_finds_the_files_beside_the_folder(
    instrument: Instrument, tmp_path: Path
) -> None:
    """So that another session can be recorded "as in" an earlier one."""
    (tmp_path / "session").mkdir()
    CanReader(instrument, None, tmp_path / "session").close()
    with pytest.raises(SetupError, match="cannot be read"):
        CanReader(instrument, None, tmp_path / "session" / "deeper")


def test_a_bus_that_cannot_be_opened_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "boat.dbc").write_text(DBC, encoding="utf-8")
    (tmp_path / "setup.toml").write_text(
        '[engine]\nname = "x"\n[[instrument]]\nport = "can7"\n[instrument.can]\ndbc = ["boat.dbc"]\n'
        "bitrate_bps = 250000\n"
        'signals = {egt1_C = "Temperature1"}\n[[bank]]\nname = "only"\ncylinders = [1]\n'
        '[[probe]]\ncylinder = 1\ncolumn = "egt1_C"\n',
        encoding="utf-8",
    )
    with pytest.raises(PortError, match="socketcan can7: the CAN bus cannot be opened") as error:
        open_readers(load_setup(tmp_path / "setup.toml"), {}, lambda: 0.0, tmp_path)
    assert "\n" not in str(error.value)


LOG = "(1790000000.000000) can0 600#1D4C00\n(1790000000.100000) can0 600#1D5600\n"


def test_a_candump_log_by_hand(instrument: Instrument, tmp_path: Path) -> None:
    """As the can-utils write it with `candump -l`: seconds, interface, identifier#data in hexadecimal."""
    (tmp_path / "boat.log").write_text(LOG, encoding="ascii")
    parser = LineStreamParser()
    items = parser.feed(b"".join(log_lines(instrument, tmp_path / "boat.log", tmp_path)))
    found = [item for item in items if isinstance(item, Sample)]
    assert [sample.fields[1:] for sample in found] == [("700", ""), ("701", "")]
    assert found[1].counter - found[0].counter == 100
    assert found[0].counter == 1_790_000_000_000 % 2**32


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("boat.log", "this is no log\n", "is not a CAN log that can be read"),
        ("boat.log", "(1.0) can0 600#XYZ\n", "is not a CAN log that can be read"),
        ("boat.log", "(1.0) can0 123#00\n", "holds no usable sample"),
        ("boat.xyz", LOG, "is not a CAN log that can be read"),
        ("none.log", None, "cannot be read"),
    ],
)
def test_a_log_that_cannot_be_used_is_one_line(
    tmp_path: Path, name: str, content: str | None, said: str
) -> None:
    (tmp_path / "boat.dbc").write_text(DBC, encoding="utf-8")
    (tmp_path / "setup.toml").write_text(
        '[engine]\nname = "x"\n[[instrument]]\n[instrument.can]\ndbc = ["boat.dbc"]\n'
        'signals = {egt1_C = "Temperature1"}\n[[bank]]\nname = "only"\ncylinders = [1]\n'
        '[[probe]]\ncylinder = 1\ncolumn = "egt1_C"\n',
        encoding="utf-8",
    )
    if content is not None:
        (tmp_path / name).write_text(content, encoding="ascii")
    with pytest.raises(StreamError) as error:
        replay(tmp_path / "setup.toml", tmp_path / name, tmp_path / "session")
    assert said in str(error.value) and "\n" not in str(error.value)
    assert not (tmp_path / "session").exists()
