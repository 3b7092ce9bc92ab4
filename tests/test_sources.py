"""What every source has to do alike, whatever bus it comes from: gaps, reconnects, clock, marks, alarms.

The clock is set by hand, so nothing here depends on how fast this computer is; bytes do travel through real
pseudo-terminals and the virtual CAN bus.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from source_rigs import RIGS, Rig, Values

import daq.modbus_reader
from daq.clock import sample_times
from daq.inbox import Inbox
from daq.physical import PhysicalTable, Status, physical_table
from daq.reader import Found, Lost, PortState, Received
from daq.recording import Recording
from daq.session import Session, SessionWriter, add_mark, open_session
from daq.setupfile import load_setup

SETUP = """
[engine]
name = "harbour launch"
egt_limit_C = 900
{instrument}
[[bank]]
name = "only"
cylinders = [1, 2]
[[probe]]
cylinder = 1
column = "egt1_C"
[[probe]]
cylinder = 2
column = "egt2_C"
[conditions]
rpm = "rpm"
"""
PERIOD_S = 0.05
BOOKKEEPING = {"start", "stop", "columns", "seal"}


class Bench:
    """A recording of one instrument, one turn after the other, on a clock that is set by hand."""

    def __init__(self, rig: Rig, folder: Path) -> None:
        self.rig = rig
        self.now_s = 1000.0
        setup_text = SETUP.format(instrument=rig.instrument)
        (folder / "setup.toml").write_text(setup_text, encoding="utf-8")
        setup = load_setup(folder / "setup.toml")
        self.folder = folder / "session"
        self.reader = rig.open(setup, folder, self.clock, self._sleep)
        self._writer = SessionWriter.create(self.folder, setup_text, clock=self.clock)
        self._inbox = Inbox(["main"], 1_000_000)
        self._recording = Recording(setup, self._inbox, self._writer)
        self._closed = False

    def clock(self) -> float:
        return self.now_s

    def _sleep(self, seconds: float) -> None:
        self.now_s += seconds

    @property
    def samples(self) -> int:
        return self._recording.intakes["main"].samples

    def said(self, time_s: float, values: Values, delay_s: float = 0.002) -> None:
        """The instrument says `values` at `time_s` [s after the start]; they are there `delay_s` [s] later."""
        self.rig.say(time_s, values)
        self.now_s = 1000.0 + time_s + delay_s
        self._read()

    def quiet(self, seconds: float) -> None:
        """Nothing is said for so long."""
        self.rig.be_silent()
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            before_s = self.now_s
            self._read(wait_s=0.0)
            self.now_s = max(self.now_s, before_s + 0.1)

    def expect(self, kind: type[Lost] | type[Found], timeout_s: float = 5.0) -> None:
        """Read until this happens."""
        deadline = time.monotonic() + timeout_s
        while not any(isinstance(event, kind) for event in self._read()):
            assert time.monotonic() < deadline, f"no {kind.__name__}"
            self.now_s += 0.01

    def session(self) -> Session:
        """End, and open what was recorded."""
        self._read()
        self.end()
        return open_session(self.folder)

    def end(self) -> None:
        if not self._closed:
            self._closed = True
            self._recording.end(self._writer.now_s)
            self.reader.close()
            self._writer.close()

    def _read(self, wait_s: float = 0.02) -> list[Received | Lost | Found]:
        """Take what is there, at first waiting for what may still be on its way through the terminal."""
        events = []
        while (event := self.reader.read(wait_s)) is not None:
            self._inbox.put("main", event)
            events.append(event)
            wait_s = 0.0
            if not isinstance(event, Received):
                break
        self._recording.turn(self._writer.now_s)
        return events


@pytest.fixture(params=RIGS)
def bench(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(daq.modbus_reader, "ANSWER_WITHIN_S", 1.0)  # real time: this computer may be busy
    rig = RIGS[request.param](tmp_path)
    made = Bench(rig, tmp_path)
    yield made
    made.end()
    rig.close()


def values(number: int) -> Values:
    """What sample `number` says; speeds in steps that every source can carry."""
    return 600.0 + number, 650.0 - 0.5 * number, 2000.0 + number


def talk(bench: Bench, first: int, n: int, start_s: float = 0.0) -> None:
    for number in range(first, first + n):
        bench.said(start_s + PERIOD_S * number, values(number))


def marks(session: Session, but: tuple[str, ...] = ()) -> list[str]:
    return [mark.kind for mark in session.marks if mark.kind not in {*BOOKKEEPING, "remark", *but}]


def said_C(session: Session) -> PhysicalTable:
    return physical_table(session)


def test_what_is_said_is_recorded_once_unchanged_and_in_order(bench: Bench) -> None:
    talk(bench, 0, 40)
    session = bench.session()
    table = said_C(session)
    expected = np.array([values(number) for number in range(40)])
    assert table.egt_C.shape == (40, 2)
    np.testing.assert_allclose(table.egt_C, expected[:, :2], rtol=0, atol=bench.rig.step_C / 2 + 1e-9)
    assert table.rpm is not None
    np.testing.assert_allclose(table.rpm, expected[:, 2], rtol=0, atol=1e-9)
    assert marks(session) == []
    assert session.stopped and not table.problems and table.gaps_s == ()
    assert session.tables["main"].columns == ("time_ms", "egt1_C", "egt2_C", "rpm")


def test_silence_is_a_gap_and_a_state_and_is_not_filled(bench: Bench) -> None:
    talk(bench, 0, 20)
    assert bench.reader.state is PortState.OPEN
    bench.quiet(5.0)
    assert bench.reader.state is PortState.SILENT
    count = bench.samples
    assert count == 20
    talk(bench, 120, 60)
    assert bench.reader.state is PortState.OPEN
    table = said_C(bench.session())
    (gap,) = table.gaps_s
    assert gap[0] == pytest.approx(19 * PERIOD_S, rel=0, abs=0.1)
    assert -0.1 < gap[1] - 120 * PERIOD_S < bench.rig.back_within_s
    assert not np.any((table.time_s > gap[0]) & (table.time_s < gap[1]))


def test_unplugged_and_back(bench: Bench) -> None:
    talk(bench, 0, 20)
    bench.rig.unplug()
    bench.expect(Lost)
    assert bench.reader.state is PortState.GONE
    bench.quiet(5.0)
    assert bench.reader.state is PortState.GONE
    bench.rig.plug()
    bench.expect(Found)
    first = int((bench.now_s - 1000.0) / PERIOD_S) + 1
    talk(bench, first, 20)
    session = bench.session()
    assert marks(session, but=("alarm", "alarm-over")) == ["gap", "reconnect"]
    gap, back = (mark for mark in session.marks if mark.kind in ("gap", "reconnect"))
    assert back.details["away_s"] == pytest.approx(back.time_s - gap.time_s, rel=0, abs=0.01)
    assert back.details["port"] == bench.reader.port
    table = said_C(session)
    assert table.rpm is not None
    numbers = table.rpm - values(0)[2]
    # a module that is polled again before it says anything new says the last once more
    assert np.unique(numbers).tolist() == [*range(20), *range(first, first + 20)]
    assert numbers.size == 40 if bench.rig.has_own_clock else numbers.size <= 42
    expected = np.array([values(int(number))[:2] for number in numbers])
    np.testing.assert_allclose(table.egt_C, expected, rtol=0, atol=bench.rig.step_C / 2 + 1e-9)
    assert len(table.gaps_s) == 1


def test_times_are_the_instruments_whatever_the_transport_does(bench: Bench) -> None:
    rng = np.random.default_rng(6)
    for number, delay_s in enumerate(rng.uniform(0.001, 0.040, 200)):
        bench.said(PERIOD_S * number, values(number), float(delay_s))
    session = bench.session()
    times = sample_times(session.tables["main"])
    number = session.tables["main"].column("rpm")[times.kept] - values(0)[2]
    late_s = times.time_s - PERIOD_S * number
    assert number.size >= 200 and not times.problems
    if bench.rig.has_own_clock:  # within the smallest delay and half a tick of the counter
        assert number.tolist() == list(range(200))
        assert np.all(np.abs(late_s - np.median(late_s)) < 0.001)
        assert 0.0 < np.median(late_s) < 0.004
    else:  # polled: a sample is from when the module was asked, and holds what it had then
        assert np.all((late_s > 0.0) & (late_s < 0.041 + PERIOD_S))


def test_a_clock_that_is_set_costs_no_sample(bench: Bench) -> None:
    """An instrument that restarts, a computer whose time of day is put back by an hour."""
    for number in range(40):
        bench.said(5000.0 + PERIOD_S * number, values(number))
    for number in range(40, 80):
        bench.rig.say(1400.0 + PERIOD_S * number, values(number))
        bench.now_s = 1000.0 + 5000.0 + PERIOD_S * number + 0.002
        bench._read()
    table = said_C(bench.session())
    assert table.time_s.size == 80
    np.testing.assert_allclose(table.time_s, 5000.0 + PERIOD_S * np.arange(80), rtol=0, atol=0.004)
    expected = np.array([values(number)[:2] for number in range(80)])
    np.testing.assert_allclose(table.egt_C, expected, rtol=0, atol=bench.rig.step_C / 2 + 1e-9)


def test_marks_of_the_operator_stand_among_the_samples(bench: Bench) -> None:
    talk(bench, 0, 20)
    add_mark(bench.folder, "operator", "sweep begins", time_s=0.95)
    talk(bench, 20, 20)
    session = bench.session()
    (mark,) = [mark for mark in session.marks if mark.kind == "operator"]
    assert (mark.text, mark.time_s) == ("sweep begins", 0.95)
    assert said_C(session).time_s.size == 40


def test_a_temperature_that_is_missing_is_no_reading_and_the_other_stays(bench: Bench) -> None:
    talk(bench, 0, 20)
    for number in range(20, 60):
        bench.said(PERIOD_S * number, (None, *values(number)[1:]))
    talk(bench, 60, 20)
    table = said_C(bench.session())
    last = table.egt_status[59]
    assert last.tolist() == [Status.NO_READING, Status.GOOD]
    assert np.isnan(table.egt_C[59, 0])
    assert table.egt_C[59, 1] == pytest.approx(values(59)[1], rel=0, abs=bench.rig.step_C)
    assert (table.egt_status[60:] == Status.GOOD).all()
    assert (table.egt_status[:, 1] == Status.GOOD).all()


def test_a_hot_cylinder_is_an_alarm(bench: Bench) -> None:
    talk(bench, 0, 10)
    for number in range(10, 60):
        bench.said(PERIOD_S * number, (955.0, 700.0, 2500.0))
    session = bench.session()
    assert [m.text for m in session.marks if m.kind == "alarm"] == [
        "cylinder 1: exhaust 955 °C is above the limit of 900 °C"
    ]
