"""Analyses in the background: done once, told apart by their files, stopped on demand, never in each other's way."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import builders
import dashboard_work
import pytest

from dashboard.analysing import TABLES_KEPT, Analyst, Progress
from dashboard.session_folder import SessionFolder

LONGEST_S = 60.0


def make_sessions(root: Path, *names: str) -> SessionFolder:
    for name in names:
        (root / name).mkdir()
        (root / name / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
    return SessionFolder(root)


@contextmanager
def analyst_of(folder: SessionFolder, work: Callable) -> Iterator[Analyst]:
    analyst = Analyst(folder, work)
    try:
        yield analyst
    finally:
        analyst.close()


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < end, "this did not happen in time"
        time.sleep(0.01)


@pytest.mark.skipif(sys.platform == "win32", reason="there the analysis goes on while a page draws")
def test_the_analysis_rests_while_a_page_draws_from_its_first_answer_on(tmp_path: Path) -> None:
    """Told so any sooner the process would die of the signal that asks it to."""
    with analyst_of(make_sessions(tmp_path, "lean"), dashboard_work.rested) as analyst:
        analyst.ask("lean")

        def over() -> bool:
            analyst.stand_back()
            return analyst.ask("lean").over

        until(over)
        progress = analyst.ask("lean")
        assert (progress.phase, progress.error) == ("done", "")
        assert progress.balance is not None


def test_a_session_is_analysed_once_and_again_when_its_files_change(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "lean")
    with analyst_of(folder, dashboard_work.counted) as analyst:
        first = analyst.wait("lean", LONGEST_S)
        assert first.phase == "done"
        assert first.balance is not None and first.balance.cylinder(5).finding == "lean"
        assert first.table is not None and first.length_s == pytest.approx(399.8)
        assert first.engine == "Harbour tug"
        assert all("<svg" in picture for picture in (*first.thumbnails, *first.glances))
        assert analyst.ask("lean") is first
        (folder.root / "lean" / "main.csv").write_text("host_s\n")
        second = analyst.wait("lean", LONGEST_S)
        assert second is not first and second.phase == "done"
    assert len(list(tmp_path.glob("done-lean-*"))) == 2


def test_an_endless_analysis_can_be_stopped_and_the_next_one_runs(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "slow", "even")
    with analyst_of(folder, dashboard_work.endless) as analyst:
        analyst.ask("slow")
        until(lambda: analyst.ask("slow").phase == "reading")
        analyst.ask("even")
        analyst.stop("slow")
        assert analyst.ask("slow").phase == "stopped"
        assert analyst.wait("even", LONGEST_S).phase == "done"
        assert analyst.ask("slow").phase == "stopped"  # and stays so until asked for again
        analyst.again("slow")
        assert analyst.ask("slow").phase == "waiting"
        analyst.stop("slow")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("mistake", "main.csv: is missing"),
        ("defect", "cannot be analysed (ZeroDivisionError: division by zero)"),
        ("dies", "ended without an answer"),
    ],
)
def test_a_failure_is_one_line_and_the_next_session_is_fine(tmp_path: Path, name: str, said: str) -> None:
    folder = make_sessions(tmp_path, name, "even")
    with analyst_of(folder, dashboard_work.failing) as analyst:
        failed = analyst.wait(name, LONGEST_S)
        assert failed.phase == "failed"
        assert said in failed.error and "\n" not in failed.error
        assert analyst.wait("even", LONGEST_S).phase == "done"


def test_only_the_tables_looked_at_last_are_kept_but_every_balance(tmp_path: Path) -> None:
    names = ["lean", "even", "near-peak", "single-bank"]
    folder = make_sessions(tmp_path, *names)
    with analyst_of(folder, dashboard_work.invented) as analyst:
        for name in names:
            analyst.wait(name, LONGEST_S)
        known: list[Progress] = [analyst.ask(name, needs_table=False) for name in names]
        assert all(progress.balance is not None for progress in known)
        until(lambda: sum(analyst.ask(n, needs_table=False).table is not None for n in names) <= TABLES_KEPT)
        assert analyst.wait("lean", LONGEST_S).table is not None  # read again on demand


def test_what_a_page_waits_for_goes_before_what_the_list_wants(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "slow", "even", "lean", "near-peak")
    with analyst_of(folder, dashboard_work.endless) as analyst:
        analyst.ask("slow", urgent=False, needs_table=False)
        until(lambda: analyst.ask("slow", needs_table=False).phase == "reading")
        for name in ("even", "lean", "near-peak"):
            analyst.ask(name, urgent=False, needs_table=False)
        analyst.ask("near-peak")
        analyst.stop("slow")
        for name in ("near-peak", "even", "lean"):
            assert analyst.wait(name, LONGEST_S).phase == "done"
    when = {name: min(tmp_path.glob(f"done-{name}-*")).name for name in ("near-peak", "even", "lean")}
    assert min(when, key=lambda name: int(when[name].rpartition("-")[2])) == "near-peak"


def test_a_part_is_analysed_apart_and_brings_no_table(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "lean")
    with analyst_of(folder, dashboard_work.counted) as analyst:
        analyst.wait("lean", LONGEST_S)
        until(lambda: analyst.ask("lean", (10.0, 20.0)).over)
        part = analyst.ask("lean", (10.0, 20.0))
        assert part.balance is not None and part.table is None
        assert analyst.ask("lean", (10.0, 20.0)) is part


def test_of_the_parts_that_wait_only_the_newest_is_analysed(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "slow", "lean")
    with analyst_of(folder, dashboard_work.endless) as analyst:
        analyst.ask("slow")
        until(lambda: analyst.ask("slow").phase == "reading")
        for end_s in (10.0, 20.0, 30.0):
            analyst.ask("lean", (0.0, end_s))
        assert [job.part for _, _, job in analyst._wanted] == [(0.0, 30.0)]
        analyst.stop("slow")


def test_while_a_session_grows_a_result_begun_after_the_question_will_do(tmp_path: Path) -> None:
    folder = make_sessions(tmp_path, "lean")
    with analyst_of(folder, dashboard_work.invented) as analyst:
        asked_s = time.monotonic()
        analyst.wait("lean", LONGEST_S)
        (folder.root / "lean" / "main.csv").write_text("host_s\n")
        assert analyst.ask("lean", since_s=asked_s).phase == "done"
        assert analyst.ask("lean").phase == "waiting"
