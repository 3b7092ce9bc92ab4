"""The recorder's turns on a virtual clock: what is marked when, and that a failing part is said and survived."""

import pytest

from daq.inbox import Inbox
from daq.live_values import LiveValues
from daq.reader import Received
from daq.recording import Recording
from daq.session import SessionWriter, open_session
from daq.setupfile import parse_setup

SETUP = """
[engine]
name = "work boat"
[[bank]]
name = "port"
cylinders = [1]
[[probe]]
cylinder = 1
column = "egt1_C"
"""
HEADER = b"#time_ms,egt1_C\n"


class Virtual:
    """A recording whose clock moves when told."""

    def __init__(self, folder, setup=SETUP):
        self.now_s = 500.0
        self.folder = folder
        self.writer = SessionWriter.create(folder, setup, clock=lambda: self.now_s)
        self.inbox = Inbox(["main"], 1_000_000)
        self.recording = Recording(parse_setup(setup), self.inbox, self.writer)

    def say(self, data):
        self.inbox.put("main", Received(self.now_s, data))

    def pass_time(self, seconds):
        for _ in range(round(seconds * 10)):
            self.now_s += 0.1
            self.recording.turn(self.writer.now_s)

    def marks(self, kind):
        self.recording.end(self.writer.now_s)
        self.writer.close()
        return [m for m in open_session(self.folder).marks if m.kind == kind]


@pytest.fixture
def virtual(tmp_path):
    return Virtual(tmp_path / "session")


def test_dropped_lines_are_noted_every_ten_seconds_and_only_when_there_are_new_ones(virtual):
    virtual.say(HEADER + b"20,700.1\n" + b"40,bad\n" * 3)
    virtual.pass_time(35.0)
    virtual.say(b"60,bad\n40\n")
    virtual.pass_time(15.0)
    virtual.say(b"80,bad\n")
    noted = virtual.marks("dropped")
    assert [sum(m.details["lines"].values()) for m in noted] == [3, 2, 1]
    assert [m.details["total"] for m in noted] == [3, 5, 6]
    assert noted[0].time_s == pytest.approx(10.0, abs=0.2, rel=0)
    assert noted[1].time_s == pytest.approx(40.0, abs=0.2, rel=0)
    assert "wrong number of fields" in noted[1].text


def test_rates_are_taken_over_a_second(virtual):
    virtual.say(HEADER)
    for i in range(30):
        virtual.say(b"%d,700.1\n" % i * 5)
        virtual.pass_time(0.1)
    assert virtual.recording.rates_Hz["main"] == pytest.approx(50.0, abs=5.0, rel=0)
    virtual.pass_time(2.0)
    assert virtual.recording.rates_Hz["main"] == 0.0
    virtual.writer.close()


def test_alarms_that_fail_are_said_once_and_the_samples_go_on(virtual, monkeypatch):
    monkeypatch.setattr(LiveValues, "observe", lambda self, time_s: 1 / 0)
    virtual.say(HEADER)
    for i in range(50):
        virtual.say(b"%d,700.1\n" % i)
        virtual.pass_time(0.1)
    assert "alarms failed" in virtual.recording.problems["alarms"]
    assert virtual.recording.alarms == ()
    (failure,) = virtual.marks("failure")
    assert "division by zero" in failure.text
    assert open_session(virtual.folder).tables["main"].host_s.size == 50


def test_a_missing_column_is_a_problem_until_it_is_printed(virtual):
    virtual.say(b"#time_ms,egt2_C\n")
    virtual.pass_time(0.1)
    assert "egt1_C" in virtual.recording.problems["setup"]
    virtual.say(HEADER)
    virtual.pass_time(0.1)
    assert virtual.recording.problems == {}
    assert len(virtual.marks("setup")) == 1


def test_a_lost_probe_is_an_alarm_with_its_end(virtual):
    virtual.say(HEADER)
    for i in range(100):
        virtual.say(b"%d,%s\n" % (i, b"" if 20 <= i < 60 else b"700.1"))
        virtual.pass_time(0.1)
    assert virtual.recording.alarms == ()
    (alarm,), (over,) = (
        virtual.marks("alarm"),
        [m for m in open_session(virtual.folder).marks if m.kind == "alarm-over"],
    )
    assert alarm.details == {"alarm": "probe-lost", "subject": "cylinder 1", "value": 1.0, "limit": 0.5}
    assert alarm.text == "cylinder 1: the probe gives no reading"
    assert alarm.time_s == pytest.approx(3.0, abs=0.5, rel=0)
    assert over.time_s == pytest.approx(8.0, abs=0.5, rel=0)
