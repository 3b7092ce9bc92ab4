"""The serial reader on real pseudo-terminals: what arrives, and what it does while the device is away."""

import itertools
import sys
import termios
import time
from pathlib import Path

import pytest
import serial
from pty_rig import PtyInstrument

import daq.serial_reader
from daq.errors import PortError
from daq.ports import PortFinder, SerialPort, UsbIdentity
from daq.reader import LONGEST_RETRY_S, SILENT_AFTER_S, Found, Lost, PortState, Received
from daq.serial_reader import SerialReader
from daq.setupfile import Instrument


class Clock:
    """A clock that moves when told, or when somebody sleeps on it."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds


@pytest.fixture
def instrument(tmp_path):
    device = PtyInstrument(tmp_path / "instrument")
    yield device
    device.unplug()


@pytest.fixture
def reader(instrument):
    reader = SerialReader(lambda: instrument.path, 115200)
    yield reader
    reader.close()


def read_until(reader, kind, timeout_s=5.0):
    """Events up to and including the first of `kind`."""
    events, deadline = [], time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        event = reader.read(0.05)
        if event is not None:
            events.append(event)
            if isinstance(event, kind):
                return events
    raise AssertionError(f"no {kind.__name__} within {timeout_s} s, only {events}")


@pytest.mark.parametrize("way", ["_read_by_select", "_read_by_waiting"])
def test_every_byte_arrives_in_order_with_the_time_it_was_seen(instrument, reader, way, monkeypatch):
    monkeypatch.setattr(daq.serial_reader, "_read_available", getattr(daq.serial_reader, way))
    sent, got, times = bytes(range(256)) * 40, b"", [time.perf_counter()]
    instrument.say(sent[:5000])
    instrument.say(sent[5000:])
    while len(got) < len(sent):
        (event,) = read_until(reader, Received)
        got += event.data
        times.append(event.host_s)
    assert got == sent
    assert times == sorted(times)
    assert reader.read(0.0) is None


def test_unplug_is_one_event_and_no_spinning(instrument):
    clock = Clock()
    reader = SerialReader(lambda: instrument.path, 115200, clock, clock.sleep)
    instrument.say(b"whole\n")
    assert [type(e) for e in read_until(reader, Received)] == [Received]
    instrument.unplug()
    assert [type(e) for e in read_until(reader, Lost)] == [Lost]
    assert reader.state is PortState.GONE
    began, calls = clock.now_s, 0
    while clock.now_s < began + 60.0:
        assert reader.read(0.2) is None
        calls += 1
    assert calls < 500
    reader.close()


@pytest.mark.parametrize("way", ["_read_by_select", "_read_by_waiting"])
def test_both_ways_of_reading_see_an_unplug_and_a_return(instrument, reader, way, monkeypatch):
    monkeypatch.setattr(daq.serial_reader, "_read_available", getattr(daq.serial_reader, way))
    instrument.unplug()
    assert [type(e) for e in read_until(reader, Lost)] == [Lost]
    instrument.plug()
    assert [type(e) for e in read_until(reader, Found)] == [Found]


def test_the_waits_between_looks_grow_to_one_second_so_that_a_return_is_seen_within_two(instrument):
    clock, looks = Clock(), []

    def find():
        looks.append(clock.now_s)
        return instrument.path

    reader = SerialReader(find, 115200, clock, clock.sleep)
    instrument.unplug()
    read_until(reader, Lost)
    for _ in range(200):
        reader.read(0.1)
    waits = [b - a for a, b in itertools.pairwise(looks[1:])]
    assert waits[0] == pytest.approx(0.1, abs=1e-6, rel=0)
    assert max(waits) == pytest.approx(LONGEST_RETRY_S, abs=1e-6, rel=0)
    assert waits == sorted(waits)
    instrument.plug()
    back_s = clock.now_s
    (found,) = read_until(reader, Found)
    assert found.host_s - back_s <= 2.0
    assert found.away_s == pytest.approx(found.host_s - 100.0, abs=1e-6, rel=0)
    reader.close()


def test_a_device_that_returns_under_another_name_is_found_by_the_finder(tmp_path):
    first, second = PtyInstrument(tmp_path / "a"), PtyInstrument(tmp_path / "b")
    where = [first.path]
    reader = SerialReader(lambda: where[0], 115200)
    try:
        first.unplug()
        read_until(reader, Lost)
        where[0] = second.path
        (found,) = read_until(reader, Found)
        assert (found.port, reader.port) == (second.path, second.path)
        second.say(b"again\n")
        (event,) = read_until(reader, Received)
        assert event.data == b"again\n"
    finally:
        reader.close()
        second.unplug()


def test_a_renumbered_device_is_told_from_a_stranger_at_its_old_name(tmp_path):
    ours, stranger = PtyInstrument(tmp_path / "ttyACM0"), PtyInstrument(tmp_path / "ttyACM1")

    def plugged(device, serial_number):
        return SerialPort(device.path, "board", UsbIdentity(0x1209, 1, serial_number))

    ports = [plugged(ours, "A17"), plugged(stranger, "B03")]
    find = PortFinder(Instrument(port=ours.path), list_ports=lambda: tuple(ports))
    reader = SerialReader(find, 115200)
    try:
        ours.unplug()
        read_until(reader, Lost)
        ours.path, stranger_path = str(tmp_path / "ttyACM7"), stranger.path
        Path(stranger_path).rename(tmp_path / "ttyACM0")
        stranger.path = str(tmp_path / "ttyACM0")
        ports[:] = [plugged(stranger, "B03")]
        stranger.say(b"nobody may hear this\n")
        for _ in range(12):
            assert reader.read(0.05) is None
        ours.plug()
        ports.append(plugged(ours, "A17"))
        assert read_until(reader, Found)[-1].port == ours.path
        ours.say(b"ours\n")
        assert read_until(reader, Received)[-1].data == b"ours\n"
    finally:
        reader.close()
        ours.unplug()
        stranger.unplug()


def test_a_port_that_another_program_holds_on_return_is_waited_for(instrument, reader):
    instrument.unplug()
    read_until(reader, Lost)
    instrument.plug()
    holder = serial.Serial(instrument.path, exclusive=True)
    for _ in range(8):
        assert reader.read(0.05) is None
    holder.close()
    read_until(reader, Found)


def test_state_follows_silence(instrument):
    clock = Clock()
    reader = SerialReader(lambda: instrument.path, 115200, clock, clock.sleep)
    assert reader.state is PortState.OPEN
    clock.now_s += SILENT_AFTER_S + 0.1
    assert reader.state is PortState.SILENT
    instrument.say(b"x")
    read_until(reader, Received)
    assert reader.state is PortState.OPEN
    reader.close()
    reader.close()
    assert reader.state is PortState.CLOSED
    assert reader.read(0.0) is None


@pytest.mark.parametrize(
    "failure",
    [
        OSError(5, "Input/output error"),
        serial.SerialException("device reports readiness to read but returned no data"),
        termios.error(5, "Input/output error"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
        ValueError("file descriptor cannot be a negative integer (-1)"),
    ],
)
def test_every_way_of_failing_is_a_loss_not_a_crash(reader, failure, monkeypatch):
    def fail(*_):
        raise failure

    monkeypatch.setattr(daq.serial_reader, "_read_available", fail)
    assert isinstance(reader.read(0.0), Lost)
    monkeypatch.undo()
    assert isinstance(read_until(reader, Found)[-1], Found)


def test_a_port_absent_at_the_start_is_the_users_to_mend(tmp_path):
    with pytest.raises(PortError, match="no such serial port"):
        SerialReader(lambda: str(tmp_path / "nothing"), 115200)


@pytest.mark.skipif(sys.platform != "linux", reason="counts open files in /proc")
def test_replugging_leaks_no_open_files(instrument):
    clock = Clock()
    reader = SerialReader(lambda: instrument.path, 115200, clock, clock.sleep)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(20):
        instrument.unplug()
        read_until(reader, Lost)
        reader.read(0.0)
        instrument.plug()
        read_until(reader, Found)
    assert len(list(Path("/proc/self/fd").iterdir())) <= before
    reader.close()
