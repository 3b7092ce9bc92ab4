"""The reference sender, run by MicroPython itself where it is installed and by this Python besides.

What it prints goes through the parser of the recorder, which counts every line that it does not like.
"""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daq.checksum import crc16
from daq.line_stream import LineStreamParser, Remark, Sample
from daq.reader import Received
from daq.sender import line_sender
from daq.serial_reader import SerialReader

SENDER = Path(line_sender.__file__).parent
MICROPYTHON = shutil.which("micropython") or shutil.which(
    "micropython", path=str(Path(sys.executable).parent)
)
INTERPRETERS = [
    pytest.param([sys.executable], id="cpython"),
    pytest.param(
        [MICROPYTHON],
        id="micropython",
        marks=pytest.mark.skipif(MICROPYTHON is None, reason="no MicroPython Unix port is installed"),
    ),
]

# A board whose ticks wrap at 2^30 as MicroPython's do, just after 1 s; a converter that fails for a while.
BOARD = """
import sys
sys.path.insert(0, {sender!r})
import line_sender
WRAP = 1 << 30
class Board:
    ticks, reads = WRAP - 1000, 0
    def ticks_ms(self):
        return self.ticks
    def ticks_diff(self, a, b):
        return (a - b + WRAP // 2) % WRAP - WRAP // 2
    def sleep_ms(self, ms):
        self.ticks = (self.ticks + ms) % WRAP
    def read(self):
        self.reads += 1
        self.sleep_ms({busy_ms})
        if 100 <= self.reads < 110:
            raise OSError("no acknowledge on the bus")
        counts = 0x100000 + 257 * self.reads
        if self.reads % 2:
            counts |= 0x800000
        return [24.5, line_sender.counts_to_mV(counts, 2500.0, 32), None, "open"]
board = Board()
sender = line_sender.Sender(
    ("cj_C", "egt1_mV", "egt2_mV", "egt3_mV"), board.read, sys.stdout.write,
    board.ticks_ms, board.ticks_diff, board.sleep_ms,
)
for _ in range(600):
    sender.step()
"""


def said(interpreter: list[str], script: str, folder: Path) -> bytes:
    (folder / "board.py").write_text(script, encoding="utf-8")
    ended = subprocess.run(
        [*interpreter, str(folder / "board.py")], capture_output=True, timeout=60, check=False
    )
    assert ended.returncode == 0, ended.stderr.decode() + ended.stdout.decode()[-500:]
    return ended.stdout


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_every_line_is_taken_and_means_what_the_converter_said(
    interpreter: list[str], tmp_path: Path
) -> None:
    data = said(interpreter, BOARD.format(sender=str(SENDER), busy_ms=20), tmp_path)
    parser = LineStreamParser()
    items = parser.feed(data)
    assert not parser.counts.rejected
    assert parser.columns == ("time_ms", "cj_C", "egt1_mV", "egt2_mV", "egt3_mV")
    samples = [item for item in items if isinstance(item, Sample)]
    assert [sample.counter for sample in samples] == [50 * n for n in range(600)]
    assert parser.counts.headers == 3  # at 0, 10 and 20 s
    assert [item.text for item in items if isinstance(item, Remark)] == [
        "the converter does not answer: no acknowledge on the bus"
    ]
    for number, sample in enumerate(samples, start=1):
        if 100 <= number < 110:
            assert sample.fields[1:] == ("", "", "", "")
            continue
        # by hand: full scale of ±2500/32 mV at ±2^23 counts, two's complement
        counts = 0x100000 + 257 * number - (0x800000 if number % 2 else 0)
        assert float(sample.fields[2]) == pytest.approx(counts * 78.125 / 8388608, rel=0, abs=0.00005)
        assert (sample.fields[1], *sample.fields[3:]) == ("24.5000", "", "open")


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_converter_that_is_too_slow_gives_fewer_samples_and_no_bursts(
    interpreter: list[str], tmp_path: Path
) -> None:
    data = said(interpreter, BOARD.format(sender=str(SENDER), busy_ms=70), tmp_path)
    samples = [item for item in LineStreamParser().feed(data) if isinstance(item, Sample)]
    steps = {b.counter - a.counter for a, b in itertools.pairwise(samples)}
    assert steps == {70}


REAL_TIME = """
import sys, time
sys.path.insert(0, {sender!r})
import line_sender
def read():
    return [24.5, 31.25]
sender = line_sender.Sender(
    ("cj_C", "egt1_mV"), read, sys.stdout.write,
    getattr(time, "ticks_ms", lambda: int(time.monotonic() * 1000)),
    getattr(time, "ticks_diff", lambda a, b: a - b),
    getattr(time, "sleep_ms", lambda ms: time.sleep(ms / 1000)),
)
for _ in range(12):
    sender.step()
    getattr(sys.stdout, "flush", lambda: None)()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_recorder_s_port_hears_it_on_time(interpreter: list[str], tmp_path: Path) -> None:
    (tmp_path / "board.py").write_text(REAL_TIME.format(sender=str(SENDER)), encoding="utf-8")
    board, port = os.openpty()
    name = os.ttyname(port)
    reader = SerialReader(lambda: name, 115200)
    process = subprocess.Popen([*interpreter, str(tmp_path / "board.py")], stdout=board)
    parser, counters = LineStreamParser(), []
    deadline = time.monotonic() + 30.0
    while len(counters) < 12 and time.monotonic() < deadline:
        event = reader.read(0.1)
        if isinstance(event, Received):
            counters += [item.counter for item in parser.feed(event.data) if isinstance(item, Sample)]
    reader.close()
    assert process.wait(10) == 0
    os.close(board)
    os.close(port)
    assert not parser.counts.rejected
    assert len(counters) == 12
    assert counters[0] < 1000 and all(b - a >= 1 for a, b in itertools.pairwise(counters))


def test_its_checksum_is_the_recorder_s() -> None:
    """The check value of the catalogue of parametrised CRC algorithms for CRC-16/IBM-3740."""
    assert line_sender.crc16(b"123456789") == 0x29B1
    for text in (b"", b"0", b"#time_ms,cj_C", bytes(range(128))):
        assert line_sender.crc16(text) == crc16(text)


def test_it_says_what_is_to_be_filled_in() -> None:
    with pytest.raises(NotImplementedError, match="fill in read_converter"):
        line_sender.read_converter()
