"""The session on disk: what is written is read back, and what was cut or changed is never read silently."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_rig import COLUMNS, SETUP, host_s, row, write_session

from daq.errors import EvenburnError, SessionError, SetupError
from daq.physical import physical_table
from daq.session import Session, SessionTail, open_session


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of 200 samples in four sealed parts, stopped in order."""
    return write_session(tmp_path_factory.mktemp("whole") / "session")


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    """A copy of it to harm."""
    return Path(shutil.copytree(whole, tmp_path / "session"))


def numbers_read(session: Session) -> list[int]:
    """Which samples of the rig were read, after checking that every value of them is right."""
    table = session.tables["main"]
    assert table.columns == COLUMNS
    numbers = np.rint(table.raw("time_ms") / 50).astype(int)
    expected = np.array([[number_of(text) for text in row(n)] for n in numbers]).reshape(-1, len(COLUMNS)).T
    np.testing.assert_array_equal(table.values, expected)
    np.testing.assert_allclose(table.host_s, [host_s(n) for n in numbers], rtol=0, atol=1e-6)
    return numbers.tolist()


def number_of(field: str) -> float:
    return {"": np.nan, "open": np.inf}.get(field) or float(field)


def change_byte(path: Path, position: int, mask: int = 0x01) -> None:
    content = bytearray(path.read_bytes())
    content[position] ^= mask
    path.write_bytes(content)


def test_fields_stand_in_the_csv_as_received(whole: Path) -> None:
    with (whole / "main.csv").open(newline="") as file:  # the csv module knows nothing of our reader
        lines = list(csv.reader(file))
    assert lines[0] == ["host_s", *COLUMNS]
    assert lines[1:] == [[f"{host_s(n):.6f}", *row(n)] for n in range(200)]


def test_seals_hold_by_an_independent_reading(whole: Path) -> None:
    content = (whole / "main.csv").read_bytes()
    records = [json.loads(line) for line in (whole / "marks.jsonl").read_text().splitlines()]
    parts = [record["files"]["main.csv"] for record in records if record["kind"] == "seal"]
    assert [part["from"] for part in parts] == [0, *(part["to"] for part in parts[:-1])]
    assert parts[-1]["to"] == len(content)
    for part in parts:
        assert zlib.crc32(content[part["from"] : part["to"]]) == int(part["crc32"], 16)


def test_every_mark_carries_its_own_checksum(whole: Path) -> None:
    for line in (whole / "marks.jsonl").read_bytes().splitlines():
        match = re.fullmatch(rb'(.*),"crc32":"([0-9a-f]{8})"\}', line)
        assert match is not None
        assert zlib.crc32(match[1] + b"}") == int(match[2], 16)


def test_a_whole_session_reads_back(whole: Path) -> None:
    session = open_session(whole)
    assert numbers_read(session) == list(range(200))
    assert session.stopped
    assert session.problems == ()
    assert session.name == "session"
    assert session.setup.engine.name == "harbour launch"
    assert [mark.kind for mark in session.marks] == ["start", *["remark"] * 4, "stop"]
    assert session.marks[1].time_s == pytest.approx(host_s(49), abs=1e-6)
    assert str(session.start["wall_clock"]).startswith("20")


def test_open_circuit_is_told_from_no_reading(whole: Path) -> None:
    table = open_session(whole).tables["main"]
    numbers = np.arange(200)
    np.testing.assert_array_equal(table.is_open("egt2_mV"), numbers % 7 == 0)
    missing = (numbers % 7 == 0) | (numbers % 9 == 0)
    np.testing.assert_array_equal(np.isnan(table.column("egt2_mV")), missing)
    assert not table.is_open("egt1_mV").any()
    with pytest.raises(KeyError):
        table.column("egt3_mV")


def test_a_recording_that_was_killed_says_so(tmp_path: Path) -> None:
    session = open_session(write_session(tmp_path / "s", samples=70, stop=False))
    assert numbers_read(session) == list(range(70))
    assert not session.stopped
    assert session.problems == ("the recording has no stop mark: it was cut off, or is still running",)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_cut_at_any_byte_it_opens_with_what_arrived_whole(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    copy = Path(shutil.copytree(whole, tmp_path_factory.mktemp("cut") / "session"))
    name = data.draw(st.sampled_from(["main.csv", "marks.jsonl", "setup.toml"]))
    size = data.draw(st.integers(0, (copy / name).stat().st_size - 1))
    os.truncate(copy / name, size)
    session = open_session(copy)
    content = (copy / "main.csv").read_bytes()
    if content or (copy / "marks.jsonl").stat().st_size:
        assert numbers_read(session) == list(range(max(0, content.count(b"\n") - 1)))
    assert session.setup.engine.name == "harbour launch"
    assert session.damaged == ()
    if name == "main.csv":
        assert any("main.csv: is cut short" in problem for problem in session.problems)


def test_a_cut_says_which_seconds_are_gone(copy: Path) -> None:
    content = (copy / "main.csv").read_bytes()
    kept = len(b"".join(content.splitlines(keepends=True)[:121])) + 5
    os.truncate(copy / "main.csv", kept)
    session = open_session(copy)
    assert numbers_read(session) == list(range(120))
    assert session.problems == (
        f"main.csv: is cut short at byte {kept}; it had {len(content)}: the samples from 6.0 to 10.0 s are gone",
    )


@settings(max_examples=150, deadline=None)
@given(share=st.floats(0, 1, exclude_max=True), mask=st.integers(1, 255))
def test_a_changed_byte_in_a_sealed_part_is_reported_and_left_out(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, share: float, mask: int
) -> None:
    copy = Path(shutil.copytree(whole, tmp_path_factory.mktemp("flip") / "session"))
    position = int(share * (copy / "main.csv").stat().st_size)
    bounds = seal_bounds(copy)
    change_byte(copy / "main.csv", position, mask)
    session = open_session(copy)
    part = next(i for i, end in enumerate(bounds) if position < end)
    if part < 3 or position < bounds[-1] - 1 or mask != ord("\n"):
        (damage,) = session.damaged
        assert (damage.file, damage.end_byte) == ("main.csv", bounds[part])
        assert damage.start_byte == (bounds[part - 1] if part else 0)
        assert damage.end_s == pytest.approx(host_s(50 * part + 49), abs=1e-6)
        assert any(f"bytes {damage.start_byte} to {damage.end_byte}" in text for text in session.problems)
        assert numbers_read(session) == [n for n in range(200) if n // 50 != part]
    else:  # the last line end became a zero byte: that is the tail a power cut leaves, and the last line has no end
        assert numbers_read(session) == list(range(199))
        assert session.problems


def seal_bounds(folder: Path) -> list[int]:
    records = [json.loads(line) for line in (folder / "marks.jsonl").read_text().splitlines()]
    return [record["files"]["main.csv"]["to"] for record in records if record["kind"] == "seal"]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_whatever_was_done_to_the_files_it_opens_or_says_why_not(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    copy = Path(shutil.copytree(whole, tmp_path_factory.mktemp("garbage") / "session"))
    for name in ("main.csv", "marks.jsonl", "setup.toml"):
        content = bytearray((copy / name).read_bytes())
        for _ in range(data.draw(st.integers(0, 3))):
            start = data.draw(st.integers(0, len(content)))
            stop = data.draw(st.integers(start, min(len(content), start + 200)))
            content[start:stop] = data.draw(st.binary(max_size=50) | st.just(b"\n") | st.just(b"\0" * 30))
        (copy / name).write_bytes(content)
    try:
        session = open_session(copy)
        physical_table(session)
    except EvenburnError as error:
        assert "\n" not in str(error)
    SessionTail(copy).poll() if is_text(copy / "setup.toml") else None


def is_text(path: Path) -> bool:
    try:
        path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return False
    return True


def test_damaged_neighbours_are_one_place(copy: Path) -> None:
    bounds = seal_bounds(copy)
    change_byte(copy / "main.csv", bounds[0] + 9)
    change_byte(copy / "main.csv", bounds[1] + 9)
    (damage,) = open_session(copy).damaged
    assert (damage.start_byte, damage.end_byte) == (bounds[0], bounds[2])
    assert (damage.start_s, damage.end_s) == pytest.approx((host_s(49), host_s(149)), abs=1e-6)


def test_a_damaged_mark_is_left_out_and_its_part_read_unchecked(copy: Path) -> None:
    content = (copy / "marks.jsonl").read_bytes()
    change_byte(copy / "marks.jsonl", content.index(b'"files"') + 25)
    session = open_session(copy)
    assert numbers_read(session) == list(range(200))
    (problem,) = session.problems
    assert problem.startswith("marks.jsonl: bytes ")
    change_byte(copy / "marks.jsonl", content.index(b"50 samples"))
    assert [mark.text for mark in open_session(copy).marks if mark.kind == "remark"] == [
        "100 samples",
        "150 samples",
        "200 samples",
    ]


def test_a_mark_typed_in_by_hand_is_read(copy: Path) -> None:
    with (copy / "marks.jsonl").open("a") as file:
        file.write('\n{"time_s": 3, "kind": "mark", "text": "changed plug 2"}\n')
    marks = [mark for mark in open_session(copy).marks if mark.kind == "mark"]
    assert [(mark.time_s, mark.text) for mark in marks] == [(3.0, "changed plug 2")]


@pytest.mark.parametrize(
    "tail", [b"\0" * 3, b"\0" * 100_000, b"10.004000,200", b"10.004000,200\0\0\0", b"10.0,1,2,3,4,5,6"]
)
def test_a_tail_without_line_end_or_of_zeros_is_no_data(copy: Path, tail: bytes) -> None:
    with (copy / "main.csv").open("ab") as file:
        file.write(tail)
    session = open_session(copy)
    assert numbers_read(session) == list(range(200))
    assert session.problems == ()


def test_zeros_where_sealed_samples_were_are_a_cut(copy: Path) -> None:
    content = (copy / "main.csv").read_bytes()
    (copy / "main.csv").write_bytes(content[:-100] + b"\0" * 100)
    session = open_session(copy)
    assert numbers_read(session) == list(range(content[:-100].count(b"\n") - 1))
    assert any("is cut short at byte" in problem for problem in session.problems)


@pytest.mark.parametrize(
    "line",
    [
        b"garbage\n",
        b"10.0,1,2,3,4,5\n",
        b"10.0,1,2,3,4,5,6,7\n",
        b"10.0,1,2,3,4,,1_0\n",
        b"10.0,1,2,3,4,5,--6\n",
        b"10.0,1,2,3,4,5,inf\n",
        b"10.0,1,2,3,4,5,1e999\n",
        b",1,2,3,4,5,6\n",
        b"10.0,1,2,\0,4,5,6\n",
        b'10.0,"1",2,3,4,5,6\n',
        b"\xff\xfe\n",
    ],
)
def test_lines_outside_the_seals_that_are_no_samples_are_counted_and_left_out(
    copy: Path, line: bytes
) -> None:
    good = b"10.004000,10000,24.5,30.200,28.200,2.500,2996\n"
    with (copy / "main.csv").open("ab") as file:
        file.write(line + good)
    session = open_session(copy)
    assert numbers_read(session) == list(range(201))
    assert session.problems == ("main.csv: 1 line is no sample and left out",)


def test_without_marks_it_still_opens(copy: Path) -> None:
    (copy / "marks.jsonl").unlink()
    session = open_session(copy)
    assert numbers_read(session) == list(range(200))
    assert "marks.jsonl is missing" in session.problems[0]


def test_a_missing_csv_is_reported(copy: Path) -> None:
    (copy / "main.csv").unlink()
    session = open_session(copy)
    assert session.tables == {}
    assert "main.csv: is missing" in session.problems


def test_other_files_in_the_folder_are_left_alone(copy: Path) -> None:
    (copy / "notes.csv").write_text("jet,size\n1,140\n")
    (copy / "report of monday.csv").write_text("a,b\n")
    assert list(open_session(copy).tables) == ["main"]


def test_a_session_without_samples_has_its_columns(tmp_path: Path) -> None:
    table = open_session(write_session(tmp_path / "s", samples=0)).tables["main"]
    assert table.columns == COLUMNS
    assert table.host_s.size == 0


def test_setup_cut_short_is_replaced_by_the_one_noted_at_the_start(copy: Path) -> None:
    os.truncate(copy / "setup.toml", SETUP.index("[conditions]"))  # still valid: no parser would notice
    session = open_session(copy)
    assert session.setup_text == SETUP
    assert any(problem.startswith("setup.toml: is cut short") for problem in session.problems)


def test_an_edited_setup_is_the_one_that_counts(copy: Path) -> None:
    (copy / "setup.toml").write_text(SETUP.replace("harbour launch", "harbour tug"))
    assert open_session(copy).setup.engine.name == "harbour tug"
    (copy / "setup.toml").write_text("[engine\n")
    with pytest.raises(SetupError, match=r"setup.toml: is not valid TOML"):
        _ = open_session(copy).setup


def refuse(path: Path, message: str) -> None:
    with pytest.raises(SessionError, match=message) as caught:
        open_session(path)
    assert "\n" not in str(caught.value)


def test_what_is_no_session_is_refused(copy: Path, tmp_path: Path) -> None:
    refuse(tmp_path / "nowhere", "does not exist")
    refuse(copy / "main.csv", "is not a folder")
    (tmp_path / "empty").mkdir()
    refuse(tmp_path / "empty", "setup.toml is missing")
    (tmp_path / "empty" / "setup.toml").write_text(SETUP)
    refuse(tmp_path / "empty", "neither marks.jsonl nor an instrument's CSV")
    (copy / "setup.toml").unlink()
    refuse(copy, "setup.toml is missing")
    (copy / "setup.toml").write_bytes(b"\xff\xfe")
    refuse(copy, "not a text file")


@pytest.mark.parametrize("name", ["main.csv", "marks.jsonl", "setup.toml"])
def test_links_that_leave_the_folder_are_refused(copy: Path, tmp_path: Path, name: str) -> None:
    (copy / name).rename(tmp_path / name)
    (copy / name).symlink_to(tmp_path / name)
    refuse(copy, "is a link to outside the session")
    (copy / name).unlink()
    (tmp_path / name).rename(copy / f"kept-{name}")
    (copy / name).symlink_to(f"kept-{name}")
    assert numbers_read(open_session(copy)) == list(range(200))


def test_a_pipe_is_not_waited_for(copy: Path) -> None:
    (copy / "main.csv").unlink()
    os.mkfifo(copy / "main.csv")
    refuse(copy, "is not an ordinary file")
