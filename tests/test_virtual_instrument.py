"""The virtual port: bytes go through a real device file whole, whatever the reader's pace."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.errors import PortError
from daq.ports import close_port, open_port
from daq.virtual_engine import VirtualEngine
from daq.virtual_instrument import VirtualInstrument
from daq.virtual_scenario import Disturbance, Phase, Scenario, VirtualCylinder

PATIENCE_S = 20.0


def small_engine(seconds: float = 30.0, rate_hz: float = 20.0) -> VirtualEngine:
    phase = Phase(seconds=seconds, rpm=2000, load_kPa=50, lambda_=(0.8, 1.0), remark="begin")
    cylinders = (VirtualCylinder(number=1, bank="all"), VirtualCylinder(number=2, bank="all"))
    return VirtualEngine(
        Scenario(name="two", cylinder=cylinders, phase=(phase,), disturbance=Disturbance(), rate_hz=rate_hz)
    )


@pytest.fixture
def instrument() -> Iterator[VirtualInstrument]:
    with VirtualInstrument(small_engine(), speed=None) as served:
        yield served


def read_bytes(descriptor: int, count: int, pause_s: float = 0.0) -> bytes:
    """`count` bytes, or what came until patience ran out."""
    received, deadline = bytearray(), time.monotonic() + PATIENCE_S
    while len(received) < count and time.monotonic() < deadline:
        received += os.read(descriptor, 512 if pause_s else 65536)
        time.sleep(pause_s)
    return bytes(received)


@pytest.mark.parametrize("pause_s", [0.0, 0.002])
def test_every_byte_arrives_through_the_port_at_any_pace(
    instrument: VirtualInstrument, pause_s: float
) -> None:
    expected = small_engine().stream()
    assert len(expected) > 22_048, "longer than what a pty holds by itself, or the test shows nothing"
    port = open_port(instrument.path, 115200)
    try:
        assert read_bytes(port.fileno(), len(expected), pause_s) == expected
        assert instrument.wait_finished(PATIENCE_S)
        assert instrument.sent_s == pytest.approx(30.0 - 1 / 20.0, rel=0, abs=1e-9)
    finally:
        close_port(port)


def test_each_opening_starts_the_engine_anew(instrument: VirtualInstrument) -> None:
    first_lines = b"".join(line.data for line, _ in zip(small_engine().lines(), range(30), strict=False))
    for _ in range(2):
        port = open_port(instrument.path, 115200)
        try:
            received, deadline = b"", time.monotonic() + PATIENCE_S
            # the tail of a line from before may come first, as from any board that is opened in mid-sentence
            while first_lines not in received and time.monotonic() < deadline:
                received += read_bytes(port.fileno(), 1)
            assert first_lines in received
        finally:
            close_port(port)


def test_a_reader_that_stops_reading_holds_the_writer_up(instrument: VirtualInstrument) -> None:
    port = open_port(instrument.path, 115200)
    try:
        first = read_bytes(port.fileno(), 1)
        assert not instrument.wait_finished(0.3)
        assert (
            first + read_bytes(port.fileno(), len(small_engine().stream()) - len(first))
            == small_engine().stream()
        )
    finally:
        close_port(port)


def test_lines_come_at_the_engine_s_own_pace() -> None:
    engine = small_engine(seconds=2.0)
    with VirtualInstrument(engine, speed=5.0) as instrument:
        port = open_port(instrument.path, 115200)
        try:
            begin_s = time.monotonic()
            assert read_bytes(port.fileno(), len(engine.stream())) == engine.stream()
            # 2 s at five times the speed; nothing can come early, a busy machine only makes it later
            assert time.monotonic() - begin_s > 0.35
        finally:
            close_port(port)


def test_a_link_names_the_port_and_goes_with_it(tmp_path: Path) -> None:
    link = tmp_path / "instrument"
    with VirtualInstrument(small_engine(), None, link) as instrument:
        assert instrument.path == str(link)
        port = open_port(str(link), 115200)
        assert read_bytes(port.fileno(), 8).startswith(b"#time_ms")
        close_port(port)
    assert not link.is_symlink()
    instrument.stop()


def test_a_link_that_cannot_be_made_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="cannot be named so"):
        VirtualInstrument(small_engine(), link=tmp_path / "no" / "such" / "folder")
