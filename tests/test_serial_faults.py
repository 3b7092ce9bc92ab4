"""The recorder on real pseudo-terminals, against what happens in a workshop.

Each case names the marks it expects, and that every line that arrived whole is in the session: once,
unchanged, in order.
"""

from __future__ import annotations

import random
import sys
import threading
import time
from pathlib import Path

import pytest
from pty_rig import PtyInstrument, wait_for

import daq.recorder
from daq.checksum import crc16
from daq.errors import PortError, SessionError
from daq.reader import PortState
from daq.recorder import Recorder, RecorderStatus, record
from daq.session import SessionWriter, open_session
from daq.setupfile import load_setup
from daq.sources import open_readers

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

SETUP = """
[engine]
name = "work boat"
egt_limit_C = 900
[[instrument]]
name = "main"
[[bank]]
name = "port"
cylinders = [1]
[[probe]]
cylinder = 1
column = "egt1_mV"
cold_junction = "cj_C"
"""
COLUMNS = "time_ms,cj_C,egt1_mV"
HEADER = f"#{COLUMNS}\n".encode()
BOOKKEEPING = {"start", "stop", "columns"}


def checked(text: str) -> bytes:
    """A line with its CRC-16."""
    return f"{text}*{crc16(text.encode()):04X}\n".encode()


def lines(first: int, n: int, start_ms: int = 0) -> list[str]:
    """Samples number `first` to `first + n`, 20 ms apart, each different from all others."""
    return [
        f"{(start_ms + 20 * i) % 2**32},25.{i % 100:02d},{20 + i % 5000 / 1000:.3f}"
        for i in range(first, first + n)
    ]


class Rig:
    """A recording in progress of one or more instruments on pseudo-terminals."""

    def __init__(
        self, tmp_path: Path, setup: str = SETUP, names: tuple[str, ...] = ("main",), **options
    ) -> None:
        self.folder = tmp_path / "session"
        setup_path = tmp_path / "setup.toml"
        setup_path.write_text(setup, encoding="utf-8")
        self.instruments = {name: PtyInstrument(tmp_path / f"{name}.port") for name in names}
        self.main = self.instruments[names[0]]
        self.error: Exception | None = None
        self.statuses: list[RecorderStatus] = []
        self._stop = threading.Event()
        paths = {name: instrument.path for name, instrument in self.instruments.items()}
        arguments = {"on_status": self.statuses.append, **options}

        def run() -> None:
            try:
                record(setup_path, self.folder, paths, self._stop, **arguments)
            except Exception as error:
                self.error = error

        self.thread = threading.Thread(target=run)
        self.thread.start()
        wait_for(self._recording, "the recording starts")

    def _recording(self) -> bool:
        return not self.thread.is_alive() or any(t.name.startswith("read ") for t in threading.enumerate())

    def rows(self, file: str = "main.csv") -> list[str]:
        """The samples on the disk so far, as the instrument printed them."""
        try:
            text = (self.folder / file).read_text("ascii")
        except FileNotFoundError:
            return []
        return [line.partition(",")[2] for line in text.splitlines()[1:]]

    def wait_rows(self, n: int, file: str = "main.csv") -> None:
        wait_for(lambda: len(self.rows(file)) >= n, f"{n} samples in {file}")

    def wait_mark(self, kind: str) -> None:
        wait_for(lambda: self.has_mark(kind), f"a mark {kind}")

    def has_mark(self, kind: str) -> bool:
        return f'"kind":"{kind}"' in (self.folder / "marks.jsonl").read_text("utf-8")

    def finish(self):
        """Stop, and open what was recorded."""
        self._stop.set()
        self.thread.join(10.0)
        assert not self.thread.is_alive()
        for instrument in self.instruments.values():
            instrument.unplug()
        session = open_session(self.folder)
        assert not [mark.text for mark in session.marks if mark.kind == "failure"]
        return session


@pytest.fixture
def start(tmp_path):
    """Starts recordings; stops those that a failing test leaves behind, and looks for threads that stay."""
    before = set(threading.enumerate())
    rigs = []

    def begin(*args, **options) -> Rig:
        rigs.append(Rig(tmp_path, *args, **options))
        return rigs[-1]

    yield begin
    for rig in rigs:
        rig.finish()
    assert set(threading.enumerate()) <= before


def marks(session, *kinds):
    """The marks of these kinds (all but bookkeeping if none), as (kind, instrument)."""
    return [
        (m.kind, m.details.get("instrument"))
        for m in session.marks
        if (m.kind in kinds if kinds else m.kind not in BOOKKEEPING)
    ]


def dropped(session) -> dict[str, int]:
    """Lines dropped in all, by reason."""
    total: dict[str, int] = {}
    for mark in session.marks:
        if mark.kind == "dropped":
            for reason, count in mark.details["lines"].items():
                total[reason] = total.get(reason, 0) + count
    return total


def say(rig: Rig, samples: list[str]) -> None:
    rig.main.say("".join(f"{s}\n" for s in samples).encode())


def test_nothing_wrong_leaves_no_mark(start):
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 500))
    rig.main.say(b"#cool-down begins\n")
    say(rig, lines(500, 100))
    rig.wait_rows(600)
    session = rig.finish()
    assert rig.rows() == lines(0, 600)
    assert marks(session) == [("remark", "main")]
    assert session.stopped and not session.problems
    assert session.tables["main"].columns == tuple(COLUMNS.split(","))


def test_unplugged_and_back_under_another_name(start):
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 50))
    rig.wait_rows(50)
    first_name = Path(rig.main.path).resolve()
    rig.main.unplug()
    rig.wait_mark("gap")
    holder = PtyInstrument(rig.folder.parent / "takes the old name")
    rig.main.plug()
    plugged = time.monotonic()
    assert Path(rig.main.path).resolve() != first_name
    rig.wait_mark("reconnect")
    assert time.monotonic() - plugged < 2.0
    # an instrument that kept running: its header is not due, its first line is a torn one
    rig.main.say(b"99,27.5\n")
    say(rig, lines(60, 50))
    rig.wait_rows(100)
    session = rig.finish()
    holder.unplug()
    assert rig.rows() == lines(0, 50) + lines(60, 50)
    assert marks(session, "gap", "reconnect") == [("gap", "main"), ("reconnect", "main")]
    assert sum(dropped(session).values()) == 1


def test_a_line_torn_by_the_unplug_is_not_glued_to_what_comes_after(start):
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 10))
    rig.main.say(b"200,25.1")
    rig.wait_rows(10)
    time.sleep(0.1)  # the torn piece has no effect that could be waited for
    rig.main.unplug()
    rig.wait_mark("gap")
    rig.main.plug()
    rig.wait_mark("reconnect")
    rig.main.say(b"0,33.333\n" + HEADER)
    say(rig, lines(20, 10))
    rig.wait_rows(20)
    rig.finish()
    assert rig.rows() == lines(0, 10) + lines(20, 10)


NOISE = random.Random(20)
GARBAGE = {
    "random bytes": (bytes(b for b in NOISE.randbytes(20_000) if b != 0x0A) + b"\n", 1),
    # eight data bits and stop bits read ten times too slow: runs of 0x00, 0xE0, 0xFF and the like, no line
    # feed
    "wrong baud": (bytes(NOISE.choice(b"\x00\x80\xe0\xf8\xfe\xff") for _ in range(30_000)) + b"\n", 1),
    "NUL flood": (bytes(1_000_000) + b"\n", 1),
    "a line that never ends": (b"1,2.5," * 500_000 + b"\n", 1),
    "random lines": (b"".join(NOISE.randbytes(40).replace(b"\n", b"") + b"\n" for _ in range(500)), 500),
    "torn lines": (b"".join(checked(s)[: NOISE.randrange(1, 12)] + b"\n" for s in lines(0, 200)), 200),
}


# without a checksum a torn line may look whole, and nothing can tell
KINDS = [
    (kind, checksum) for kind in GARBAGE for checksum in (True, False) if checksum or kind != "torn lines"
]


@pytest.mark.parametrize(("kind", "with_checksum"), KINDS)
def test_garbage_between_whole_lines_is_counted_and_costs_none_of_them(start, kind, with_checksum):
    garbage, count = GARBAGE[kind]
    rig = start()
    rig.main.say(checked(f"#{COLUMNS}") if with_checksum else HEADER)
    for first in (0, 100):
        for text in lines(first, 100):
            rig.main.say(checked(text) if with_checksum else f"{text}\n".encode())
        rig.main.say(garbage)
    say_all = lines(200, 100)
    rig.main.say(b"".join(checked(s) if with_checksum else f"{s}\n".encode() for s in say_all))
    rig.wait_rows(300)
    session = rig.finish()
    assert rig.rows() == lines(0, 300)
    assert set(marks(session)) == {("dropped", "main")}
    assert sum(dropped(session).values()) == 2 * count


def test_two_headers_that_differ_begin_a_second_file_with_its_own_columns(start):
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 30))
    rig.main.say(HEADER)
    say(rig, lines(30, 30))
    rig.main.say(b"#time_ms,cj_C,egt1_mV,rpm\n")
    say(rig, [f"{s},3000" for s in lines(60, 40)])
    rig.wait_rows(40, "main.2.csv")
    session = rig.finish()
    assert rig.rows() == lines(0, 60)
    assert rig.rows("main.2.csv") == [f"{s},3000" for s in lines(60, 40)]
    assert session.tables["main"].columns == (*COLUMNS.split(","), "rpm")
    assert session.tables["main"].host_s.size == 100
    assert marks(session) == []


def test_a_counter_that_wraps_and_an_instrument_that_restarts(start):
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 100, start_ms=2**32 - 1000))
    rig.main.say(b"#board starts\n" + HEADER)
    say(rig, lines(0, 50, start_ms=7))
    rig.wait_rows(150)
    session = rig.finish()
    assert rig.rows() == lines(0, 100, start_ms=2**32 - 1000) + lines(0, 50, start_ms=7)
    assert marks(session) == [("wrap", "main"), ("remark", "main"), ("restart", "main")]
    assert (session.tables["main"].host_s[1:] >= session.tables["main"].host_s[:-1]).all()


def test_silence_is_an_alarm_that_ends_with_the_next_samples(start):
    began = time.perf_counter()
    rig = start(clock=lambda: began + 20 * (time.perf_counter() - began))
    rig.main.say(HEADER)
    say(rig, lines(0, 10))
    rig.wait_mark("alarm")
    for i in range(10, 2000):
        say(rig, lines(i, 1))
        if rig.has_mark("alarm-over"):
            break
        time.sleep(0.005)
    session = rig.finish()
    alarms = [(m.kind, m.details["alarm"], m.details["subject"]) for m in session.marks if "alarm" in m.kind]
    assert alarms[:2] == [("alarm", "silent", "instrument main"), ("alarm-over", "silent", "instrument main")]
    assert rig.rows() == lines(0, i + 1)


def test_a_hot_cylinder_is_a_mark_in_the_session(start):
    rig = start()
    rig.main.say(HEADER)
    for i in range(1000):
        rig.main.say(f"{20 * i},25.0,38.500\n".encode())
        if rig.has_mark("alarm"):
            break
        time.sleep(0.005)
    session = rig.finish()
    (alarm,) = [m for m in session.marks if m.kind == "alarm"]
    # 38.500 mV + E(25 °C) = 39.500 mV; the NIST table of type K has 39.471 at 954 °C, 39.511 at 955 °C
    assert alarm.text == "cylinder 1: exhaust 955 °C is above the limit of 900 °C"
    assert (alarm.details["alarm"], alarm.details["subject"]) == ("hot", "cylinder 1")
    assert alarm.time_s == pytest.approx(0.5, abs=0.9, rel=0)


def test_a_slow_disk_stalls_no_port_and_loses_nothing_while_the_queue_has_room(start, monkeypatch):
    append, gate = SessionWriter.append, threading.Event()

    def slow(self, *args):
        gate.wait(10.0)
        append(self, *args)

    monkeypatch.setattr(SessionWriter, "append", slow)
    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 20_000))  # 400 kB: far more than a pseudo-terminal takes by itself
    gate.set()
    rig.wait_rows(20_000)
    session = rig.finish()
    assert rig.rows() == lines(0, 20_000)
    assert marks(session) == []


def test_a_queue_that_overflows_is_one_hole_with_its_size_and_time(start, monkeypatch):
    append, gate = SessionWriter.append, threading.Event()

    def slow(self, *args):
        gate.wait(10.0)
        append(self, *args)

    monkeypatch.setattr(SessionWriter, "append", slow)
    monkeypatch.setattr(daq.recorder.Recorder.__init__, "__defaults__", (time.perf_counter, 60_000))
    rig = start()
    rig.main.say(HEADER)
    sent = lines(0, 20_000)
    say(rig, sent[:1])
    wait_for(lambda: (rig.folder / "main.csv").exists(), "the header is written")
    say(rig, sent[1:])
    gate.set()
    rig.wait_mark("overflow")
    say(rig, last := [f"{s}" for s in lines(20_000, 50)])
    wait_for(lambda: rig.rows()[-1:] == last[-1:], "samples after the hole")
    session = rig.finish()
    rows = rig.rows()
    (overflow,) = [m for m in session.marks if m.kind == "overflow"]
    assert rows == [s for s in sent + last if s in set(rows)]
    missing = sum(len(s) + 1 for s in sent + last) - sum(len(s) + 1 for s in rows)
    torn = 2 * max(len(s) + 1 for s in sent)  # the lines at the two edges of the hole
    assert overflow.details["lost_bytes"] <= missing <= overflow.details["lost_bytes"] + torn
    assert 0 <= overflow.details["from_s"] <= overflow.time_s


TWO = (
    SETUP.replace("[[bank]]", '[[instrument]]\nname = "wideband"\n[[bank]]')
    + '[[lambda_sensor]]\nbank = "port"\ncolumn = "wideband:front_lambda"\n'
)


def test_two_instruments_each_at_its_own_rate_and_one_lost_does_not_disturb_the_other(start):
    rig = start(TWO, ("main", "wideband"))
    wideband = rig.instruments["wideband"]
    rig.main.say(HEADER)
    wideband.say(b"#time_us,front_lambda\n0,0.91\n")
    wideband.unplug()
    rig.wait_mark("gap")
    say(rig, lines(0, 300))
    wideband.plug()
    rig.wait_mark("reconnect")
    wideband.say(b"#time_us,front_lambda\n" + b"".join(b"%d,0.9\n" % (i * 10_000) for i in range(30)))
    rig.wait_rows(300)
    rig.wait_rows(30, "wideband.csv")
    session = rig.finish()
    assert rig.rows() == lines(0, 300)
    assert marks(session, "gap", "reconnect") == [("gap", "wideband"), ("reconnect", "wideband")]
    assert {"main", "wideband"} == set(session.tables)


def test_a_column_that_no_instrument_prints_is_said_at_once_and_recorded_all_the_same(start):
    rig = start()
    rig.main.say(b"#time_ms,cj_C,egt2_mV\n")
    say(rig, lines(0, 10))
    rig.wait_rows(10)
    wait_for(lambda: rig.statuses, "a status")
    session = rig.finish()
    (mark,) = [m for m in session.marks if m.kind == "setup"]
    assert "egt1_mV" in mark.text
    assert mark.text in rig.statuses[-1].problems


def test_a_listener_that_fails_is_counted_and_told_again(start):
    told = []

    def fail(status):
        told.append(status)
        raise RuntimeError("the page went away")

    rig = start(on_status=fail)
    rig.main.say(HEADER)
    say(rig, lines(0, 10))
    wait_for(lambda: len(told) >= 2, "two statuses")
    rig.finish()
    assert rig.rows() == lines(0, 10)
    assert [status.listener_errors for status in told[:2]] == [0, 1]
    (main,) = told[-1].instruments
    assert (main.name, main.state, main.samples, main.lost_bytes) == ("main", "open", 10, 0)
    assert told[-1].disk_free_bytes > 0


def test_a_disk_that_fails_ends_the_recording_with_one_clear_line(start, monkeypatch):
    def fail(self, *args):
        raise SessionError("main.csv: recording ended, no space left on device")

    rig = start()
    rig.main.say(HEADER)
    say(rig, lines(0, 10))
    rig.wait_rows(10)
    monkeypatch.setattr(SessionWriter, "append", fail)
    say(rig, lines(10, 10))
    rig.thread.join(5.0)
    assert not rig.thread.is_alive()
    assert isinstance(rig.error, SessionError) and "no space left" in str(rig.error)
    rig.finish()
    assert rig.rows() == lines(0, 10)


class FailingReader:
    """A reader with a defect."""

    state, port = PortState.OPEN, "nowhere"

    def read(self, timeout_s):
        raise ZeroDivisionError("a defect")

    def close(self):
        self.state = PortState.CLOSED


def test_a_reader_with_a_defect_leaves_the_others_recording(tmp_path):
    (tmp_path / "setup.toml").write_text(TWO, encoding="utf-8")
    setup = load_setup(tmp_path / "setup.toml")
    one = PtyInstrument(tmp_path / "port")
    good = open_readers(load_setup_of_main(tmp_path), {"main": one.path}, time.perf_counter)["main"]
    bad = FailingReader()
    writer = SessionWriter.create(tmp_path / "session", TWO)
    recorder = Recorder(setup, {"main": good, "wideband": bad}, writer)
    recorder.start()
    one.say(HEADER + b"20,25.1,30.0\n")
    wait_for(lambda: recorder.status().instruments[0].samples == 1, "a sample")
    assert recorder.status().instruments[1].state == "failed"
    recorder.stop()
    recorder.stop()
    one.unplug()
    assert bad.state is PortState.CLOSED
    gap = next(m for m in open_session(tmp_path / "session").marks if m.kind == "gap")
    assert gap.details["instrument"] == "wideband" and "a defect" in gap.text


def load_setup_of_main(tmp_path):
    (tmp_path / "one.toml").write_text(SETUP, encoding="utf-8")
    return load_setup(tmp_path / "one.toml")


def test_what_the_user_can_mend_is_said_before_anything_is_written(tmp_path):
    setup, out = tmp_path / "two.toml", tmp_path / "session"
    setup.write_text(TWO, encoding="utf-8")
    one = PtyInstrument(tmp_path / "port")
    cases = {
        "would both read": {"main": one.path, "wideband": str(Path(one.path).resolve())},
        "no such serial port": {"main": one.path, "wideband": str(tmp_path / "nothing")},
        "no such instrument": {"mian": one.path},
    }
    for said, ports in cases.items():
        with pytest.raises(PortError, match=said):
            record(setup, out, ports)
        assert not out.exists()
    one.unplug()


def test_a_folder_that_holds_something_is_never_written_to(tmp_path):
    (tmp_path / "session").mkdir()
    (tmp_path / "session" / "notes.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    one = PtyInstrument(tmp_path / "port")
    with pytest.raises(SessionError, match="not empty"):
        record(tmp_path / "setup.toml", tmp_path / "session", {"main": one.path})
    assert [p.name for p in (tmp_path / "session").iterdir()] == ["notes.txt"]
    one.unplug()
