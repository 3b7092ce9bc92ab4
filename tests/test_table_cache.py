"""What is kept of long sessions: the same table and the same results, and nothing else is ever believed."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from analysis.balance import balance
from daq.physical import PhysicalTable, physical_table
from daq.session import add_mark, open_session
from dashboard import table_cache
from dashboard.analysis_worker import Task, analyse_session
from dashboard.session_folder import SessionFolder

SAMPLE = Path(__file__).parent.parent / "sample_logs" / "work-boat"


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A session in a folder of its own, with an empty cache elsewhere that takes short sessions too."""
    monkeypatch.setattr(table_cache, "cache_folder", lambda: tmp_path / "cache" / "evenburn")
    monkeypatch.setattr(table_cache, "LEAST_SAMPLES", 1)
    shutil.copytree(SAMPLE, tmp_path / "sessions" / "boat")
    return tmp_path / "sessions" / "boat"


def keep(session: Path) -> PhysicalTable:
    table = physical_table(open_session(session))
    table_cache.store(session, SessionFolder(session.parent).fingerprint("boat"), table)
    return table


def kept(session: Path) -> PhysicalTable | None:
    return table_cache.load(session, SessionFolder(session.parent).fingerprint(session.name))


def entry(session: Path) -> Path:
    (only,) = (session.parent.parent / "cache" / "evenburn").iterdir()
    return only


def test_the_table_and_its_analysis_are_the_same_to_the_last_bit(session: Path) -> None:
    table = keep(session)
    again = kept(session)
    assert again is not None
    for field in fields(PhysicalTable):
        before, after = getattr(table, field.name), getattr(again, field.name)
        if isinstance(before, np.ndarray):
            assert before.dtype == after.dtype and before.tobytes() == after.tobytes(), field.name
        elif field.name == "lambda_by_bank":
            assert list(before) == list(after)
            assert all(before[bank].tobytes() == after[bank].tobytes() for bank in before)
        else:
            assert before == after, field.name
    assert balance(again).cylinders == balance(table).cylinders


@pytest.mark.parametrize("change", ["samples", "setup", "marks", "program", "moved", "setup, same time"])
def test_what_is_stale_is_not_believed(session: Path, monkeypatch: pytest.MonkeyPatch, change: str) -> None:
    keep(session)
    setup = session / "setup.toml"
    if change == "samples":
        with (session / "main.csv").open("a") as file:
            file.write("\n")
    elif change.startswith("setup"):
        stat = setup.stat()
        setup.write_text(setup.read_text(encoding="utf-8").replace("iec-2", "iec-1"), encoding="utf-8")
        if change.endswith("time"):
            os.utime(setup, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    elif change == "marks":
        add_mark(session, "operator", "cowl on", time_s=3.0)
    elif change == "program":
        monkeypatch.setattr(table_cache, "version", lambda _name: "0.0.1")
    elif change == "moved":
        session = session.rename(session.parent / "elsewhere")
    assert kept(session) is None


@pytest.mark.parametrize("damage", ["flipped", "cut", "pickled", "about cut", "about foreign", "array gone"])
def test_what_is_damaged_is_not_believed(session: Path, damage: str) -> None:
    keep(session)
    assert kept(session) is not None
    file, about = entry(session) / "egt_C.npy", entry(session) / "about.json"
    content = bytearray(file.read_bytes())
    if damage == "flipped":
        content[-1000] ^= 1
        file.write_bytes(content)
    elif damage == "cut":
        file.write_bytes(content[: len(content) // 2])
    elif damage == "pickled":
        np.save(file, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    elif damage == "about cut":
        about.write_bytes(about.read_bytes()[:-20])
    elif damage == "about foreign":
        about.write_text(json.dumps({**json.loads(about.read_text()), "cylinders": "x"}))
    elif damage == "array gone":
        file.unlink()
    assert kept(session) is None


def test_a_cache_that_comes_with_a_session_is_never_asked(session: Path) -> None:
    keep(session)
    shutil.move(entry(session), session / entry(session).name)
    assert kept(session) is None


def test_the_oldest_go_when_there_is_too_much(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = keep(session)
    first = entry(session)
    size = sum(file.stat().st_size for file in first.iterdir())
    monkeypatch.setattr(table_cache, "LARGEST_BYTES", int(1.5 * size))
    os.utime(first / "about.json", ns=(0, 0))
    second = session.parent / "second"
    shutil.copytree(session, second)
    table_cache.store(second, SessionFolder(session.parent).fingerprint("second"), table)
    assert kept(session) is None
    assert kept(second) is not None


def test_a_folder_that_cannot_be_written_is_no_error(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_cache, "cache_folder", lambda: session / "main.csv" / "evenburn")
    keep(session)
    assert kept(session) is None


def test_the_worker_keeps_what_it_read_and_reads_what_it_kept(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import dashboard.analysis_worker as worker

    def answers(known: bool) -> list[object]:
        monkeypatch.setattr(worker, "_last", None)
        found: list[object] = []
        analyse_session(Task(session, fingerprint, table_known=known), found.append)
        return found

    fingerprint = SessionFolder(session.parent).fingerprint("boat")
    first = answers(False)
    (session / "main.csv").rename(session / "hidden")  # only what was kept can answer now
    monkeypatch.setattr("daq.session.open_session", lambda _path: pytest.fail("the samples were read again"))
    second = answers(True)
    assert [type(answer).__name__ for answer in first] == ["PhysicalTable", "Balance"]
    assert [type(answer).__name__ for answer in second] == ["Balance"]
    assert second[0].cylinders == first[1].cylinders  # type: ignore[attr-defined]


def test_short_sessions_are_not_kept(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_cache, "LEAST_SAMPLES", 200_000)
    keep(session)
    assert kept(session) is None
