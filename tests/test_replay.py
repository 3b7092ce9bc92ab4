"""Captured streams become sessions: what arrived whole is there, on the instrument's own time."""

from __future__ import annotations

import binascii
import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_rig import COLUMNS, SETUP, row

from daq.errors import EvenburnError, SessionError, SetupError, StreamError
from daq.physical import physical_table
from daq.replay import own_time, replay
from daq.session import open_session

HEADER = "#" + ",".join(COLUMNS)


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    path = tmp_path / "setup.toml"
    path.write_text(SETUP)
    return path


def stream(path: Path, lines: list[str], end: str = "\r\n") -> Path:
    path.write_bytes("".join(line + end for line in lines).encode())
    return path


def samples(numbers: range) -> list[str]:
    return [",".join(row(n)) for n in numbers]


def test_samples_as_received_on_the_instruments_own_time(tmp_path: Path, setup: Path) -> None:
    lines = [HEADER, *samples(range(100)), "# fan on", HEADER, *samples(range(100, 300))]
    folder = replay(setup, stream(tmp_path / "captured.txt", lines), tmp_path / "session")
    assert folder == tmp_path / "session"
    with (folder / "main.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["host_s", *COLUMNS]
    assert rows[1:] == [[f"{0.05 * n:.6f}", *row(n)] for n in range(300)]
    session = open_session(folder)
    assert session.problems == () and session.stopped
    assert [(m.kind, m.text, m.time_s) for m in session.marks if m.kind == "remark"] == [
        ("remark", "fan on", pytest.approx(4.95))
    ]
    assert (folder / "setup.toml").read_text() == SETUP
    np.testing.assert_allclose(physical_table(session).time_s, 0.05 * np.arange(300), rtol=0, atol=1e-9)


def test_time_begins_with_the_first_sample(tmp_path: Path, setup: Path) -> None:
    folder = replay(
        setup, stream(tmp_path / "s.txt", [HEADER, *samples(range(5000, 5010))]), tmp_path / "session"
    )
    np.testing.assert_allclose(open_session(folder).tables["main"].host_s, 0.05 * np.arange(10), atol=1e-9)


@pytest.mark.parametrize("checksum", ["xor", "crc16"])
def test_lines_with_checksums_lose_them_and_damaged_lines_are_counted(
    tmp_path: Path, setup: Path, checksum: str
) -> None:
    def checked(line: str) -> str:
        if checksum == "crc16":
            return f"{line}*{binascii.crc_hqx(line.encode(), 0xFFFF):04X}"
        value = 0
        for byte in line.encode():
            value ^= byte
        return f"{line}*{value:02X}"

    lines = [checked(HEADER), *map(checked, samples(range(100)))]
    lines[50] = lines[50].replace("30.0", "31.0")
    session = open_session(replay(setup, stream(tmp_path / "s.txt", lines), tmp_path / "session"))
    assert session.tables["main"].host_s.size == 99
    (dropped,) = [mark for mark in session.marks if mark.kind == "dropped"]
    assert dropped.details == {"instrument": "main", "lines": {"checksum does not match": 1}, "total": 1}


def test_a_truncated_stream_gives_what_arrived_whole(tmp_path: Path, setup: Path) -> None:
    path = stream(tmp_path / "s.txt", [HEADER, *samples(range(100))])
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(
        StreamError, match=r"breaks off in the middle of a line after .* s; what had arrived whole"
    ):
        replay(setup, path, tmp_path / "session")
    assert open_session(tmp_path / "session").tables["main"].host_s.size == 99


@pytest.mark.parametrize("end", [b"", b"\r", b"\n\n", b"\n# a remark without its line end"])
def test_a_last_line_that_only_lacks_its_end_does_not_break_off(
    tmp_path: Path, setup: Path, end: bytes
) -> None:
    path = stream(tmp_path / "s.txt", [HEADER, *samples(range(100))])
    path.write_bytes(path.read_bytes().rstrip() + end)
    assert open_session(replay(setup, path, tmp_path / "session")).tables["main"].host_s.size >= 99


def test_a_stream_without_header_uses_the_setups_columns(tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SETUP + f'[[instrument]]\nname = "main"\ncolumns = {list(COLUMNS)}\n')
    session = open_session(
        replay(setup, stream(tmp_path / "s.txt", samples(range(50))), tmp_path / "session")
    )
    assert session.tables["main"].host_s.size == 50


def test_a_restart_goes_on_one_period_later_and_a_wrap_is_no_gap(tmp_path: Path, setup: Path) -> None:
    def stamped(counters: list[int]) -> list[str]:
        return [",".join((str(c), *row(i)[1:])) for i, c in enumerate(counters)]

    before = [(2**32 - 500 + 50 * i) % 2**32 for i in range(30)]
    path = stream(
        tmp_path / "s.txt", [HEADER, *stamped(before), HEADER, *stamped([50 * i for i in range(30)])]
    )
    session = open_session(replay(setup, path, tmp_path / "session"))
    np.testing.assert_allclose(session.tables["main"].host_s, 0.05 * np.arange(60), rtol=0, atol=1e-9)
    assert [(m.kind, m.time_s) for m in session.marks if m.kind in ("wrap", "restart")] == [
        ("wrap", pytest.approx(0.5)),
        ("restart", pytest.approx(1.5)),
    ]
    table = physical_table(session)
    assert table.time_s.size == 60 and table.problems == ()


def test_other_columns_halfway(tmp_path: Path, setup: Path) -> None:
    wider = HEADER + ",oil_C"
    lines = [HEADER, *samples(range(20)), wider, *(line + ",80.5" for line in samples(range(20, 40)))]
    session = open_session(replay(setup, stream(tmp_path / "s.txt", lines), tmp_path / "session"))
    oil_C = session.tables["main"].column("oil_C")
    assert np.isnan(oil_C[:20]).all() and (oil_C[20:] == 80.5).all()
    assert physical_table(session).time_s.size == 40


TWO = '[[instrument]]\nname = "main"\n[[instrument]]\nname = "second"\n' + SETUP.replace(
    '"rpm"', '"second:rpm"'
)


def test_two_streams(tmp_path: Path) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(TWO)
    main = stream(tmp_path / "main.txt", [HEADER, *samples(range(100))])
    second = stream(
        tmp_path / "second.txt", ["#time_us,rpm", *(f"{200_000 * i},{1000 + i}" for i in range(26))]
    )
    session = open_session(replay(setup, {"main": main, "second": second}, tmp_path / "session"))
    rpm = physical_table(session).rpm
    assert rpm is not None
    np.testing.assert_allclose(rpm, 1000 + 0.25 * np.arange(100), rtol=0, atol=1e-6)


def refuse(error: type[EvenburnError], message: str, setup: Path, streams: object, folder: Path) -> None:
    with pytest.raises(error, match=message) as caught:
        replay(setup, streams, folder)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    assert not folder.exists()


def test_what_cannot_be_replayed_is_one_clear_line_and_leaves_nothing(tmp_path: Path, setup: Path) -> None:
    out = tmp_path / "session"
    path = tmp_path / "s.txt"
    refuse(StreamError, "cannot be read", setup, path, out)
    refuse(StreamError, "cannot be read", setup, tmp_path, out)
    path.write_bytes(b"")
    refuse(StreamError, "the file is empty", setup, path, out)
    stream(path, samples(range(10)))
    refuse(StreamError, "no header line", setup, path, out)
    stream(path, [HEADER])
    refuse(StreamError, "holds no usable sample", setup, path, out)
    stream(path, [HEADER, "1,2,3", "1,2,3"])
    refuse(StreamError, "2 × wrong number of fields", setup, path, out)
    path.write_bytes(bytes(range(256)) * 50)
    refuse(StreamError, "no header line", setup, path, out)
    stream(path, [HEADER.replace("egt2_mV", "egt_2_mV"), *samples(range(10))])
    refuse(SetupError, "egt2_mV.*did you mean 'egt_2_mV'", setup, path, out)
    refuse(SetupError, "cannot be read", tmp_path / "none.toml", path, out)
    refuse(SetupError, "no such instrument; it has main", setup, {"wide": path}, out)
    refuse(StreamError, "no captured stream", setup, {}, out)
    setup.write_text(TWO)
    refuse(StreamError, "main, second; give each stream as NAME=FILE", setup, path, out)
    stream(path, [HEADER, *samples(range(10))])
    refuse(SetupError, "nothing came from the instrument 'second'", setup, {"main": path}, out)


def test_an_existing_folder_is_not_touched(tmp_path: Path, setup: Path) -> None:
    path = stream(tmp_path / "s.txt", [HEADER, *samples(range(10))])
    replay(setup, path, tmp_path / "session")
    before = (tmp_path / "session" / "main.csv").read_bytes()
    with pytest.raises(SessionError, match="is not empty"):
        replay(setup, path, tmp_path / "session")
    assert (tmp_path / "session" / "main.csv").read_bytes() == before


def test_long_streams_are_sealed_every_10_s(tmp_path: Path, setup: Path) -> None:
    path = stream(tmp_path / "s.txt", [HEADER, *samples(range(40_000))])
    folder = replay(setup, path, tmp_path / "session")
    assert (folder / "marks.jsonl").read_bytes().count(b'"seal"') == 200
    content = bytearray((folder / "main.csv").read_bytes())
    content[len(content) // 2] ^= 4
    (folder / "main.csv").write_bytes(content)
    (damage,) = open_session(folder).damaged
    assert damage.end_s - damage.start_s == pytest.approx(10.0)


@settings(max_examples=200)
@given(
    steps=st.lists(st.integers(1, 10**6), min_size=2, max_size=40),
    start=st.integers(0, 2**32 - 1),
    restart=st.integers(0, 39),
)
def test_own_time_adds_up(steps: list[int], start: int, restart: int) -> None:
    true = np.concatenate([[0], np.cumsum(steps)])
    counter = np.mod(start + true, 2**32).astype(np.int64)
    found = own_time(counter, 1e-6)
    np.testing.assert_allclose(found.time_s, 1e-6 * true, rtol=0, atol=1e-9)
    assert found.restarts.size == 0
    assert found.wraps.size == (1 if counter[-1] < counter[0] else 0)


def test_one_wrong_stamp_is_put_between_its_neighbours() -> None:
    counter = 50 * np.arange(20)
    for wrong in (0, 2**31, 2**32 - 1, 3):
        harmed = counter.copy()
        harmed[10] = wrong
        found = own_time(harmed, 1e-3)
        np.testing.assert_allclose(found.time_s, 0.05 * np.arange(20), rtol=0, atol=1e-9)
        assert found.restarts.size == 0 and found.wraps.size == 0
    assert own_time(np.array([7]), 1e-3).time_s.tolist() == [0.0]
