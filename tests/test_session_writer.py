"""Writing a session: what must not happen when the disk is full, the folder goes, or two write at once."""

from __future__ import annotations

import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from session_rig import COLUMNS, SETUP, Clock, host_s, row, write_session

from daq.errors import SessionError
from daq.session import SessionTail, SessionWriter, add_mark, open_session
from daq.session_marks import decode_record, encode_record


def begin(folder: Path, clock: Clock | None = None) -> SessionWriter:
    writer = SessionWriter.create(folder, SETUP, clock=clock or Clock())
    writer.header("main", COLUMNS)
    return writer


def append(writer: SessionWriter, numbers: range) -> None:
    writer.append("main", [host_s(n) for n in numbers], [row(n) for n in numbers])


def read_numbers(folder: Path) -> list[int]:
    return np.rint(open_session(folder).tables["main"].raw("time_ms") / 50).astype(int).tolist()


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    write_session(tmp_path / "s")
    before = {path.name: path.read_bytes() for path in (tmp_path / "s").iterdir()}
    with pytest.raises(SessionError, match="is not empty; a recording needs a new folder"):
        SessionWriter.create(tmp_path / "s", SETUP)
    assert before == {path.name: path.read_bytes() for path in (tmp_path / "s").iterdir()}


def test_an_empty_folder_may_be_recorded_in(tmp_path: Path) -> None:
    begin(tmp_path).close()
    assert open_session(tmp_path).stopped


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for path in (tmp_path / "file", tmp_path / "file" / "session"):
        with pytest.raises(SessionError, match="cannot record here"):
            SessionWriter.create(path, SETUP)


def test_a_csv_that_appears_before_its_turn_is_not_touched(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "s", SETUP, clock=Clock())
    (tmp_path / "s" / "main.csv").write_text("mine\n")
    with pytest.raises(SessionError, match="file exists"):
        writer.header("main", COLUMNS)
    assert (tmp_path / "s" / "main.csv").read_text() == "mine\n"


def test_a_read_only_folder_is_one_clear_line(tmp_path: Path) -> None:
    """In a process without root's rights, since root may write anywhere."""
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o555)
    for path in (folder, *folder.parents):
        if path.is_relative_to(tmp_path.parent.parent):
            path.chmod(path.stat().st_mode | 0o555)
    code = (
        "import os, sys\n"
        "from daq.errors import SessionError\n"
        "from daq.session import SessionWriter\n"
        "os.getuid() or os.setuid(65534)\n"
        "try:\n    SessionWriter.create(sys.argv[1], '')\n"
        "except SessionError as error:\n    print(error)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(folder / "s")], capture_output=True, text=True, check=False
    )
    assert run.stdout == f"{folder / 's'}: cannot record here (permission denied)\n", run.stderr


def test_full_disk_ends_the_session_and_what_was_written_stays(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: the write that crosses it comes back short."""
    process = multiprocessing.get_context("spawn").Process(target=_fill_the_disk, args=(tmp_path / "s",))
    process.start()
    process.join()
    assert process.exitcode == 0
    lines = (tmp_path / "s" / "main.csv").read_bytes()
    assert len(lines) == 20_000
    assert not lines.endswith(b"\n")
    assert read_numbers(tmp_path / "s") == list(range(lines.count(b"\n") - 1))


def _fill_the_disk(folder: Path) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
    writer = begin(folder)
    message = ""
    for first in range(0, 1000, 10):
        try:
            append(writer, range(first, first + 10))
        except SessionError as error:
            message = str(error)
            break
    assert message.startswith(f"{folder / 'main.csv'}: recording ended, the disk took only part of a batch")
    for again in (lambda: append(writer, range(10)), writer.sync, lambda: writer.mark("mark", "late")):
        try:
            again()
        except SessionError as error:
            assert str(error) == message
        else:
            raise AssertionError("written after a torn line")
    writer.close()


def test_a_disk_that_refuses_outright(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = begin(tmp_path / "s")
    append(writer, range(10))

    def no_space(file: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", no_space)
    with pytest.raises(SessionError, match=r"main.csv: recording ended, no space left on device"):
        append(writer, range(10, 20))
    monkeypatch.undo()
    writer.close()
    assert read_numbers(tmp_path / "s") == list(range(10))


def test_a_failing_sync_ends_the_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = begin(tmp_path / "s")

    def broken(file: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("daq.session_files._sync_data", broken)
    with pytest.raises(SessionError, match="input/output error"):
        writer.sync()
    with pytest.raises(SessionError, match="input/output error"):
        append(writer, range(10))
    writer.close()


def test_a_folder_removed_while_recording_is_noticed(tmp_path: Path) -> None:
    writer = begin(tmp_path / "s")
    shutil.rmtree(tmp_path / "s")
    append(writer, range(10))  # goes nowhere, without an error: only the sync can tell
    with pytest.raises(SessionError, match="it was removed while recording"):
        writer.sync()
    writer.close()


def test_a_second_close_does_nothing_and_an_error_is_the_reason_of_the_stop(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), begin(tmp_path / "s") as writer:
        raise RuntimeError("wire fell off")
    writer.close()
    assert open_session(tmp_path / "s").marks[-1].details == {"reason": "error: wire fell off"}


def test_rows_that_do_not_fit_are_refused_whole(tmp_path: Path) -> None:
    writer = begin(tmp_path / "s")
    good = row(0)
    for bad in (good[:-1], (*good, "1"), (*good[:-1], "1,2"), (*good[:-2], "1\n2", "3"), (*good[:-1], '"1"')):
        with pytest.raises(ValueError, match="main"):
            writer.append("main", [0.0, 0.1], [good, bad])
    with pytest.raises(ValueError, match="2 times for 1 samples"):
        writer.append("main", [0.0, 0.1], [good])
    with pytest.raises(ValueError, match="has no header yet"):
        writer.append("second", [0.0], [good])
    writer.append("main", [], [])
    writer.close()
    assert read_numbers(tmp_path / "s") == []


@pytest.mark.parametrize("name", ["", "..", "a/b", "a.b", "-rf", "a b", "main\n"])
def test_instrument_names_that_cannot_be_files(tmp_path: Path, name: str) -> None:
    writer = SessionWriter.create(tmp_path / "s", SETUP, clock=Clock())
    with pytest.raises(SessionError, match="cannot be a file name"):
        writer.header(name, COLUMNS)


@pytest.mark.parametrize("columns", [(), ("time_ms", ""), ("time_ms", "a,b"), ("time_ms", 'a"b')])
def test_columns_that_cannot_head_a_table(tmp_path: Path, columns: tuple[str, ...]) -> None:
    writer = SessionWriter.create(tmp_path / "s", SETUP, clock=Clock())
    with pytest.raises(SessionError, match="cannot head a table"):
        writer.header("main", columns)


def test_other_columns_begin_another_file_and_old_ones_go_on_in_theirs(tmp_path: Path) -> None:
    writer = begin(tmp_path / "s")
    append(writer, range(2))
    writer.header("main", COLUMNS)
    writer.header("main", ("time_ms", "oil_C", "cj_C"))
    writer.header("main", ("time_ms", "fan"))  # printed no sample: no file
    writer.header("main", ("time_ms", "oil_C", "cj_C"))
    writer.append("main", [0.11], [("100", "80.5", "24.0")])
    writer.header("main", COLUMNS)
    append(writer, range(3, 5))
    writer.close()
    assert sorted(path.name for path in (tmp_path / "s").glob("*.csv")) == ["main.2.csv", "main.csv"]
    assert (
        tmp_path / "s" / "main.2.csv"
    ).read_text() == "host_s,time_ms,oil_C,cj_C\n0.110000,100,80.5,24.0\n"
    session = open_session(tmp_path / "s")
    table = session.tables["main"]
    assert table.columns == (*COLUMNS, "oil_C")
    np.testing.assert_array_equal(table.column("time_ms"), [0, 50, 100, 150, 200])
    np.testing.assert_array_equal(table.column("oil_C"), [np.nan, np.nan, 80.5, np.nan, np.nan])
    np.testing.assert_array_equal(table.column("cj_C"), [24.5, 24.5, 24.0, 24.5, 24.5])
    np.testing.assert_array_equal(table.column("rpm"), [2996, 2996, np.nan, 2996, 2996])
    assert session.problems == ()


def test_sync_seals_about_every_10_s(tmp_path: Path) -> None:
    clock = Clock()
    writer = begin(tmp_path / "s", clock)
    sealed = []
    for second in range(1, 36):
        clock.now_s = 1000.0 + second
        append(writer, range(20 * second, 20 * second + 20))
        before = (tmp_path / "s" / "marks.jsonl").read_bytes().count(b'"seal"')
        writer.sync()
        if (tmp_path / "s" / "marks.jsonl").read_bytes().count(b'"seal"') > before:
            sealed.append(second)
    writer.close()
    assert sealed == [10, 20, 30]
    assert open_session(tmp_path / "s").problems == ()


def test_samples_are_on_the_disk_before_the_seal_that_vouches_for_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    writer = begin(tmp_path / "s", clock)
    append(writer, range(10))
    clock.now_s += 20.0
    seals_seen: list[int] = []
    real = os.fsync

    def watched(file: int) -> None:
        seals_seen.append((tmp_path / "s" / "marks.jsonl").read_bytes().count(b'"seal"'))
        real(file)

    monkeypatch.setattr("daq.session_files._sync_data", watched)
    writer.sync()
    assert seals_seen == [0, 1]
    writer.close()


def test_appends_go_on_while_another_thread_syncs(tmp_path: Path) -> None:
    clock = Clock()
    writer = begin(tmp_path / "s", clock)
    done = threading.Event()

    def sync() -> None:
        while not done.is_set():
            clock.now_s += 11.0
            writer.sync()

    thread = threading.Thread(target=sync)
    thread.start()
    for first in range(0, 4000, 20):
        append(writer, range(first, first + 20))
    done.set()
    thread.join()
    writer.close()
    session = open_session(tmp_path / "s")
    assert session.problems == ()
    assert read_numbers(tmp_path / "s") == list(range(4000))


def test_marks_of_other_processes_arrive_whole_and_in_time(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "s", SETUP)
    before_s = writer.now_s
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_add_marks, args=(tmp_path / "s", n)) for n in range(2)]
    for process in processes:
        process.start()
    for _ in range(2000):
        writer.mark("remark", "x" * 500)
    for process in processes:
        process.join()
        assert process.exitcode == 0
    after_s = writer.now_s
    writer.close()
    session = open_session(tmp_path / "s")
    marks = [mark for mark in session.marks if mark.kind == "mark"]
    assert sorted(mark.text for mark in marks) == sorted(
        f"{n} {i} " + "y" * 300 for n in range(2) for i in range(50)
    )
    assert all(before_s <= mark.time_s <= after_s for mark in marks)
    assert session.problems == ()


def _add_marks(folder: Path, number: int) -> None:
    for i in range(50):
        add_mark(folder, "mark", f"{number} {i} " + "y" * 300)


def test_a_mark_after_the_end_needs_its_time(tmp_path: Path) -> None:
    write_session(tmp_path / "s", samples=20)
    with pytest.raises(SessionError, match="give the mark's time in seconds"):
        add_mark(tmp_path / "s", "mark", "trim 1 applied")
    assert add_mark(tmp_path / "s", "mark", "trim 1 applied", time_s=0.5, step=1) == 0.5
    mark = next(mark for mark in open_session(tmp_path / "s").marks if mark.kind == "mark")
    assert (mark.time_s, mark.text, mark.details) == (0.5, "trim 1 applied", {"step": 1})
    with pytest.raises(SessionError, match="cannot be written"):
        add_mark(tmp_path / "nowhere", "mark", "text", time_s=1.0)


def test_a_mark_after_a_torn_line_is_not_swallowed_by_it(tmp_path: Path) -> None:
    write_session(tmp_path / "s", samples=20)
    with (tmp_path / "s" / "marks.jsonl").open("ab") as file:
        file.write(b'{"time_s":3,"kind":"ma')
    add_mark(tmp_path / "s", "mark", "plug 2 changed", time_s=4.0)
    session = open_session(tmp_path / "s")
    assert session.marks[-1].text == "plug 2 changed"
    assert len(session.problems) == 1


@pytest.mark.parametrize(
    "text", ["", "plain", 'with "quotes" and\nline end', "Ölkühler ±3 °C", '","crc32":"00000000"}']
)
def test_marks_survive_any_text(text: str) -> None:
    line = encode_record(1.25, "mark", text, {"step": 2})
    assert line.count(b"\n") == 1
    assert decode_record(line.rstrip(b"\n")) == {"time_s": 1.25, "kind": "mark", "text": text, "step": 2}
    for position in range(len(line) - 1):
        changed = bytearray(line[:-1])
        changed[position] ^= 0x01
        decoded = decode_record(bytes(changed))
        assert decoded is None or decoded["text"] == text


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"no mark",
        b"[1]",
        b'{"time_s":1}',
        b'{"kind":"mark"}',
        b'{"time_s":true,"kind":"mark"}',
        b'{"time_s":NaN,"kind":"mark"}',
        b'{"time_s":1e400,"kind":"mark"}',
        b'{"time_s":1,"kind":"seal","files":{"main.csv":{"from":0,"to":9,"crc32":"0","until_s":1}}}',
        b'{"time_s":1,"kind":"stop"}',
    ],
)
def test_what_is_no_mark(line: bytes) -> None:
    assert decode_record(line) is None


def test_the_tail_gives_each_sample_once(tmp_path: Path) -> None:
    writer = begin(tmp_path / "s")
    tail = SessionTail(tmp_path / "s")
    first = tail.poll()
    assert first.tables["main"].host_s.size == 0
    assert [mark.kind for mark in first.marks] == ["start"]
    append(writer, range(10))
    writer.mark("alarm", "cylinder 2 is hot")
    second = tail.poll()
    np.testing.assert_array_equal(second.tables["main"].column("time_ms"), 50.0 * np.arange(10))
    np.testing.assert_array_equal(second.tables["main"].is_open("egt2_mV"), np.arange(10) % 7 == 0)
    assert [mark.kind for mark in second.marks] == ["alarm"]
    assert not second.stopped
    with (tmp_path / "s" / "main.csv").open("a") as file:
        file.write("0.5,500,24.5,3")
        file.flush()
        assert tail.poll().tables["main"].host_s.size == 0
        file.write("0,28,2.5,2996\n")
    assert tail.poll().tables["main"].column("egt1_mV").tolist() == [30.0]
    writer.header("main", ("time_ms", "oil_C"))
    writer.append("main", [0.6], [("550", "80")])
    assert tail.poll().tables["main"].column("oil_C").tolist() == [80.0]
    writer.close()
    assert tail.poll().stopped
    assert tail.poll().marks == ()


def test_the_tail_may_begin_near_the_end(tmp_path: Path) -> None:
    write_session(tmp_path / "s")
    lines = (tmp_path / "s" / "main.csv").read_bytes().splitlines(keepends=True)
    for size in (0, len(lines[-1]), len(lines[-1]) + 1, len(lines[-1]) + len(lines[-2]), 10**9):
        table = SessionTail(tmp_path / "s", backlog_bytes=size).poll().tables["main"]
        whole = sum(np.cumsum([len(line) for line in lines[:0:-1]]) <= size)
        assert table.host_s.size == whole


def test_the_tail_says_when_the_folder_has_gone(tmp_path: Path) -> None:
    write_session(tmp_path / "s")
    tail = SessionTail(tmp_path / "s")
    shutil.rmtree(tmp_path / "s")
    with pytest.raises(SessionError, match="cannot be read"):
        tail.poll()
    with pytest.raises(SessionError, match="is not a session"):
        SessionTail(tmp_path / "s")
