"""The live side: a session that grows is followed, whole lines only, and shown as what it says."""

from __future__ import annotations

import itertools
import json
import math
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import builders
import numpy as np
import pytest

from analysis.live_deviation import (
    BEAD_S,
    LiveSample,
    deviations_C,
    live_samples,
    trends_C_per_min,
    whiskers_C,
)
from daq.errors import PortError, SessionError
from daq.physical import physical_table
from daq.session import SessionWriter, open_session
from daq.setupfile import parse_setup
from dashboard.live import MOST_PAGES, Live, as_event
from dashboard.live_state import LiveState
from dashboard.live_tail import LiveTail
from dashboard.recording import Recording
from dashboard.session_folder import SessionFolder

LONGEST_S = 30.0
TEXT = builders.setup_text(unit="C")
SETUP = parse_setup(TEXT)
COLUMNS = (
    "time_ms",
    *(f"egt{c}_C" for c in range(1, 9)),
    "lambda_port_lambda",
    "lambda_starboard_lambda",
    "rpm",
    "map_kPa",
)


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < end, "this did not happen in time"
        time.sleep(0.01)


def row(milliseconds: int, hot: float = 0.0) -> tuple[str, ...]:
    """A sample: 700 °C everywhere, cylinder 5 `hot` °C more."""
    egt = [f"{700.0 + (hot if c == 5 else 0.0):.2f}" for c in range(1, 9)]
    return (str(milliseconds), *egt, "0.870", "0.880", "2400", "61.5")


def write(writer: SessionWriter, rows: list[tuple[str, ...]], start_s: float = 0.0) -> None:
    writer.append("main", [start_s + i * 0.02 for i in range(len(rows))], rows)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[SessionWriter]:
    writer = SessionWriter.create(tmp_path / "now", TEXT)
    writer.header("main", COLUMNS)
    yield writer
    writer.close()


def test_deviation_is_from_the_banks_mean_of_what_is_there() -> None:
    egt_C = np.full((2, 8), 700.0)
    egt_C[:, 2] += 40.0  # cylinder 5, in the setup's order 1 3 5 7 | 2 4 6 8
    egt_C[1, 3] = np.nan
    deviation = deviations_C(egt_C, SETUP)
    np.testing.assert_allclose(deviation[0], [-10, -10, 30, -10, 0, 0, 0, 0])
    np.testing.assert_allclose(deviation[1], [-40 / 3, -40 / 3, 80 / 3, np.nan, 0, 0, 0, 0])


def test_a_bank_with_one_reading_has_no_deviation() -> None:
    egt_C = np.full((1, 8), np.nan)
    egt_C[0, 0] = 700.0
    assert np.isnan(deviations_C(egt_C, SETUP)).all()


def test_whisker_of_quiet_probes_is_their_tolerance() -> None:
    # four class 2 probes at 700 °C: ±0.75 % = ±5.25 °C each (IEC 60584-1:2013, table 12), rectangular, and the
    # deviation from the mean of four: u² = (3/4)² u_p² + 3 (1/4)² u_p² = 3/4 u_p²; k = 2
    u_probe = 0.0075 * 700.0 / math.sqrt(3)
    expected = 2 * u_probe * math.sqrt(3 / 4)
    np.testing.assert_allclose(whiskers_C(np.full((500, 8), 700.0), SETUP), expected, rtol=1e-9)


def test_whisker_grows_with_scatter_and_is_absent_with_the_reading() -> None:
    rng = np.random.default_rng(1)
    noisy = np.full((500, 8), 700.0)
    noisy[:, 2] += rng.normal(0, 30, 500)
    noisy[:, 7] = np.nan
    quiet, loud = whiskers_C(np.full((500, 8), 700.0), SETUP), whiskers_C(noisy, SETUP)
    assert loud[2] > quiet[2] + 5
    assert np.isnan(loud[7])


def test_trend_of_a_ramp() -> None:
    time_s = np.arange(0, 10, 0.02)
    egt_C = 700.0 + np.outer(time_s, [0.5, -1.0, 0.0])
    egt_C[:, 2] = np.nan
    trend = trends_C_per_min(time_s, egt_C)
    np.testing.assert_allclose(trend[:2], [30.0, -60.0], rtol=1e-6)
    assert np.isnan(trend[2])


def sample(time_s: float, hot: float = 0.0) -> LiveSample:
    egt_C = np.full(8, 700.0)
    egt_C[2] += hot
    return LiveSample(time_s, egt_C, np.zeros(8, np.uint8), np.array([0.87, 0.88]), 2400.0, 61.5)


def test_a_cylinder_that_goes_lean_shows_in_full_within_a_second() -> None:
    state = LiveState(SETUP)
    for i in range(500):
        state.add(sample(i * 0.02))
    for i in range(500, 550):
        state.add(sample(i * 0.02, hot=40.0))
    assert BEAD_S < 1.0
    assert state.quick()["d"][2] == pytest.approx(30.0, abs=0.5)


def test_messages_hold_no_nan() -> None:
    state = LiveState(SETUP)
    nothing = LiveSample(
        1.0, np.full(8, np.nan), np.full(8, 2, np.uint8), np.full(2, np.nan), math.nan, math.nan
    )
    for i in range(10):
        state.add(LiveSample(1.0 + i, *list(vars(nothing).values())[1:]))
    message = {**state.quick(), **state.slow()}
    assert json.loads(as_event(message).removeprefix(b"data: "))["d"] == [None] * 8
    assert message["lost"] == ["open"] * 8


def test_only_the_last_minute_is_kept_and_a_step_back_in_time_begins_anew() -> None:
    state = LiveState(SETUP)
    for i in range(200):
        state.add(sample(i * 1.0))
    assert len(state.since(1000.0)) <= 61
    state.add(sample(0.5))
    assert len(state.since(1000.0)) == 1


def test_live_values_are_those_of_the_session_read_later(tmp_path: Path, writer: SessionWriter) -> None:
    tail = LiveTail(tmp_path / "now")
    assert tail.read().table is None
    write(writer, [row(i * 20, hot=i) for i in range(40)])
    first = tail.read().table
    write(writer, [row(i * 20, hot=i) for i in range(40, 60)], start_s=0.8)
    second = tail.read().table
    assert tail.read().table is None
    writer.close()
    later = physical_table(open_session(tmp_path / "now"))
    assert first is not None and second is not None
    np.testing.assert_allclose(np.concatenate([first.egt_C, second.egt_C]), later.egt_C)
    live = [s for part in (first, second) for s in live_samples(part, SETUP)]
    np.testing.assert_allclose([s.lambda_[0] for s in live], later.lambda_by_bank["port"])
    np.testing.assert_allclose([s.time_s for s in live], later.time_s, atol=0.03)


def test_tail_skips_what_is_no_sample(tmp_path: Path, writer: SessionWriter) -> None:
    tail = LiveTail(tmp_path / "now")
    with (tmp_path / "now" / "main.csv").open("ab") as file:
        file.write(b"1.0,2\nrubbish\n\xff\xfe\n" + b"0.5," + ",".join(row(500)).encode() + b"\n0.7,1")
    table = tail.read().table
    assert table is not None and table.time_s.size == 1


def test_tail_waits_for_the_columns(tmp_path: Path) -> None:
    with SessionWriter.create(tmp_path / "early", TEXT) as writer:
        tail = LiveTail(tmp_path / "early")
        assert tail.read().table is None
        writer.header("main", COLUMNS)
        assert tail.read().table is None
        write(writer, [row(0)])
        table = tail.read().table
    assert table is not None and table.time_s.size == 1


def test_a_session_that_cannot_be_followed_is_said_and_the_next_one_is_shown(
    tmp_path: Path, live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    with SessionWriter.create(tmp_path / "odd", TEXT) as writer:
        writer.header("main", COLUMNS)
        write(writer, [row(i * 20) for i in range(20)])
        with monkeypatch.context() as broken:
            broken.setattr(LiveTail, "read", lambda self: 1 / 0)
            assert "ZeroDivisionError" in messages(live, lambda m: m["state"] == "problem")["said"]
            after = [json.loads(e.removeprefix(b"data: ")) for e in some_events(live, 3)]
            assert [m["state"] for m in after] == ["problem"] * 3, "it is said until it is over"
        assert messages(live, lambda m: "layout" in m)["session"] == "odd"


def test_a_page_that_reads_slowly_misses_values_and_no_alarm(live: Live) -> None:
    live._pages = 1  # without the reading thread: only what is published here
    stream = live._stream()
    assert next(stream).startswith(b"retry")
    live._publish(whole={"alarms": ["cylinder 5 is hot"]})
    for t in range(50):
        live._publish(values={"t": t})
    assert [next(stream), next(stream)] == [
        as_event({"alarms": ["cylinder 5 is hot"]}),
        as_event({"t": 49}),
    ]
    stream.close()


def test_a_long_session_is_joined_near_its_end(tmp_path: Path, writer: SessionWriter) -> None:
    write(writer, [row(i * 20) for i in range(20_000)])
    table = LiveTail(tmp_path / "now").read().table
    assert table is not None
    assert 1000 < table.time_s.size < 20_000
    assert table.time_s[-1] == pytest.approx(399.98, abs=0.05)


def messages(live: Live, wanted: Callable[[dict], bool], longest_s: float = LONGEST_S) -> dict:
    """The first message that is `wanted`."""
    stream, deadline = live.events(), time.monotonic() + longest_s
    try:
        for event in stream:
            if time.monotonic() > deadline:
                break
            if event.startswith(b"data: "):
                message = json.loads(event.removeprefix(b"data: "))
                if wanted(message):
                    return message
    finally:
        stream.close()
    raise AssertionError("the message did not come")


def some_events(live: Live, count: int) -> list[bytes]:
    """The first `count` messages as they are sent."""
    stream = live.events()
    try:
        return list(itertools.islice((e for e in stream if e.startswith(b"data: ")), count))
    finally:
        stream.close()


@pytest.fixture
def live(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Live]:
    # these sessions do not grow: a slow machine must not find them old
    monkeypatch.setattr("dashboard.live.FRESH_S", 600.0)
    live = Live(SessionFolder(tmp_path))
    yield live
    live.close()


def test_idle_is_said(live: Live) -> None:
    assert messages(live, lambda m: True)["state"] == "idle"


def test_a_session_that_another_process_records_is_shown_and_can_be_marked(
    tmp_path: Path, writer: SessionWriter, live: Live
) -> None:
    write(writer, [row(i * 20, hot=40.0) for i in range(200)])
    message = messages(live, lambda m: m["state"] == "live" and "layout" in m and "u" in m)
    assert message["session"] == "now" and message["mine"] is False
    assert message["d"][2] == pytest.approx(30.0)
    assert message["rate"] == pytest.approx(50.0, abs=1.0)
    assert [bank["cylinders"] for bank in message["layout"]] == [[1, 3, 5, 7], [2, 4, 6, 8]]
    live.mark("cowl on")
    with pytest.raises(SessionError, match="has not started"):
        live.stop()
    assert messages(live, lambda m: "cowl on" in m.get("marks", []))
    assert [m.text for m in open_session(tmp_path / "now").marks if m.kind == "operator"] == ["cowl on"]


def test_alarms_stand_until_they_are_over(tmp_path: Path, writer: SessionWriter, live: Live) -> None:
    write(writer, [row(i * 20) for i in range(50)])
    writer.mark("alarm", "cylinder 5 is hot", alarm="hot", subject="cylinder 5")
    writer.mark("gap", "the port was lost", instrument="main")
    stream_message = messages(live, lambda m: len(m.get("alarms", [])) == 2)
    assert stream_message["alarms"] == ["cylinder 5 is hot", "the port was lost"]
    writer.mark("alarm-over", "over", alarm="hot", subject="cylinder 5")
    writer.mark("reconnect", "back", instrument="main")
    writer.mark("dropped", "dropped 3 lines", instrument="main", total=3)
    assert messages(live, lambda m: m.get("dropped") == 3)["alarms"] == []


def test_a_session_that_was_stopped_is_not_live(tmp_path: Path, writer: SessionWriter, live: Live) -> None:
    write(writer, [row(i * 20) for i in range(50)])
    assert live.current() == "now"
    with pytest.raises(SessionError, match="stop it first"):
        live.refuse_if_recording("now")
    writer.close()
    assert live.current() is None


def test_too_many_pages_are_refused_and_a_page_that_goes_makes_room(live: Live) -> None:
    streams = [live.events() for _ in range(MOST_PAGES)]
    for stream in streams:
        next(stream)
    with pytest.raises(SessionError, match="too many"):
        live.events()
    streams[0].close()
    live.events().close()
    for stream in streams[1:]:
        stream.close()


def test_closing_ends_every_stream_at_once(tmp_path: Path) -> None:
    live = Live(SessionFolder(tmp_path))
    ended = threading.Event()

    def listen() -> None:
        for _ in live.events():
            pass
        ended.set()

    thread = threading.Thread(target=listen)
    thread.start()
    until(lambda: live._thread is not None)
    begun = time.monotonic()
    live.close()
    assert ended.wait(LONGEST_S)
    thread.join()
    assert time.monotonic() - begun < 3.0


RECORDER = """
import pathlib, signal, sys, time
setup, out = sys.argv[1], pathlib.Path(sys.argv[3])
if "--port" in sys.argv and sys.argv[5] == "absent":
    sys.exit("absent: there is no such port")
signal.signal(signal.SIGINT, lambda *_: sys.exit(0))
out.mkdir()
(out / "setup.toml").write_text(pathlib.Path(setup).read_text())
time.sleep(60)
"""


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Recording]:
    (tmp_path / "engine.toml").write_text(TEXT, encoding="utf-8")
    recording = Recording(SessionFolder(tmp_path), (sys.executable, "-c", RECORDER))
    yield recording
    recording.close()


def test_recording_is_started_once_and_stopped_in_order(tmp_path: Path, recording: Recording) -> None:
    assert recording.start(tmp_path / "engine.toml", " first run ", None) == "first run"
    until(lambda: (tmp_path / "first run" / "setup.toml").is_file())
    with pytest.raises(SessionError, match="is being recorded"):
        recording.start(tmp_path / "engine.toml", "second", None)
    recording.stop()
    assert not recording.running and recording.failure() == ""


def test_the_recorders_last_words_are_shown(tmp_path: Path, recording: Recording) -> None:
    recording.start(tmp_path / "engine.toml", "run", "absent")
    until(lambda: not recording.running)
    assert recording.failure() == "absent: there is no such port"


def test_several_ports_reach_the_recorder_one_by_one(tmp_path: Path) -> None:
    (tmp_path / "engine.toml").write_text(TEXT, encoding="utf-8")
    recording = Recording(
        SessionFolder(tmp_path), (sys.executable, "-c", "import sys; sys.exit(str(sys.argv[4:]))")
    )
    recording.start(tmp_path / "engine.toml", "run", "main=/dev/a  aux=/dev/b")
    until(lambda: not recording.running)
    assert recording.failure() == "['--port', 'main=/dev/a', '--port', 'aux=/dev/b']"
    recording.close()


@pytest.mark.parametrize("port", ["socket://evil.test:80", "--help", "a -x", "rfc2217://x", "a\nb"])
def test_a_port_that_is_no_devices_name_is_refused(tmp_path: Path, recording: Recording, port: str) -> None:
    with pytest.raises(PortError):
        recording.start(tmp_path / "engine.toml", "run", port)
    assert not recording.running


@pytest.mark.parametrize("name", ["../out", "", "a/b", ".hidden", "trash", "x" * 200])
def test_a_session_is_recorded_inside_the_folder_only(
    tmp_path: Path, recording: Recording, name: str
) -> None:
    with pytest.raises(SessionError):
        recording.start(tmp_path / "engine.toml", name, None)


def test_a_second_instrument_keeps_its_newest_value(tmp_path: Path) -> None:
    text = '[[instrument]]\nname = "main"\n[[instrument]]\nname = "aux"\n' + TEXT.replace(
        'rpm = "rpm"', 'rpm = "aux:rpm"'
    )
    with SessionWriter.create(tmp_path / "two", text) as writer:
        writer.header("main", COLUMNS)
        writer.header("aux", ("time_ms", "rpm"))
        tail = LiveTail(tmp_path / "two")
        writer.append("aux", [0.0], [("0", "2400")])
        write(writer, [row(0)], start_s=0.01)
        first = tail.read().table
        write(writer, [row(20), row(40)], start_s=0.03)
        second = tail.read().table
    assert first is not None and first.rpm is not None and list(first.rpm) == [2400.0]
    assert second is not None and second.rpm is not None and list(second.rpm) == [2400.0, 2400.0]
