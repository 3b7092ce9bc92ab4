"""Many sessions at once: which ones are meant, that all cores agree with one, and that a bad one stops nothing."""

from __future__ import annotations

import json
import os
import shutil
import signal
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import dashboard.season
from analysis.result import CylinderBalance
from dashboard.cli import main
from dashboard.season import ENDED, Outcome, judge, judge_all, sessions_of

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
NAMES = ("inline-four-broken-probe", "work-boat")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two good sessions, one whose setup is lost, a session in the trash, and what is none."""
    folder = tmp_path_factory.mktemp("season")
    for name in NAMES:
        shutil.copytree(SAMPLES / name, folder / name)
    shutil.copytree(SAMPLES / NAMES[0], folder / "lost-setup")
    (folder / "lost-setup" / "setup.toml").unlink()
    shutil.copytree(SAMPLES / NAMES[0], folder / "trash" / "old")
    (folder / "notes").mkdir()
    (folder / "setup.txt").write_text("not a session")
    return folder


@pytest.fixture
def one_core(monkeypatch: pytest.MonkeyPatch) -> None:
    """No processes of their own, whose start takes longer than these sessions."""
    monkeypatch.setattr(dashboard.season, "_cores", lambda: 1)


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["balance", *map(str, words)])


def test_a_folder_of_sessions_means_those_right_inside_it_each_once(season: Path) -> None:
    inside = [season / name for name in ("inline-four-broken-probe", "lost-setup", "work-boat")]
    assert sessions_of([season]) == inside
    assert sessions_of([season / "work-boat", season, season / "." / "work-boat"]) == [inside[2], *inside[:2]]
    assert sessions_of([season / "notes", season / "no-such"]) == [season / "notes", season / "no-such"]


def test_a_link_in_a_folder_of_sessions_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").symlink_to(SAMPLES / "work-boat")
    assert sessions_of([tmp_path]) == [tmp_path]


def cylinders(outcome: Outcome) -> tuple[CylinderBalance, ...] | None:
    return None if outcome.balance is None else outcome.balance.cylinders


def test_two_processes_find_what_one_finds_and_a_bad_session_is_one_line(season: Path) -> None:
    sessions, told = sessions_of([season]), []
    together = judge_all(sessions, told.append, workers=2)
    assert [outcome.path for outcome in together] == sessions
    assert sorted(outcome.name for outcome in told) == sorted(outcome.name for outcome in together)
    for outcome in together:
        alone = judge(outcome.path)
        assert (outcome.engine, outcome.error) == (alone.engine, alone.error)
        assert cylinders(outcome) == cylinders(alone)
    assert [bool(outcome.error) for outcome in together] == [False, True, False]
    assert "setup.toml is missing" in together[1].error and "\n" not in together[1].error


def ended_by_the_system(path: Path) -> Outcome:
    """What a system that is out of memory does to the process that analyses this session."""
    if path.name == "large":
        os.kill(os.getpid(), signal.SIGTERM if os.name == "nt" else signal.SIGKILL)
    return Outcome(path, "an engine", None, "read")


def test_a_process_that_the_system_ends_costs_its_own_session_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.season, "judge", ended_by_the_system)
    sessions = [Path("a"), Path("large"), Path("b"), Path("c")]
    found = judge_all(sessions, workers=2)
    assert [outcome.error for outcome in found] == ["read", f"large: {ENDED}", "read", "read"]


def test_a_defect_or_a_hostile_file_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(path: Path) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr("daq.session.open_session", fail)
    assert judge(Path("x")) == Outcome(
        Path("x"), "", None, "x: cannot be analysed (ZeroDivisionError: by nothing)"
    )


@pytest.mark.usefixtures("one_core")
def test_the_season_is_a_line_each_and_a_table_of_who_was_named(season: Path) -> None:
    result = run(season)
    assert result.exit_code == 2, result.output
    lines = result.stdout.splitlines()
    assert lines[0].startswith("inline-four-broken-probe: Of 4 cylinders:")
    assert lines[1].startswith("lost-setup: Cannot be read: ") and "setup.toml is missing" in lines[1]
    assert lines[2].startswith("work-boat: Of 8 cylinders:")
    assert result.stdout.endswith("3 sessions: 2 answered, 0 cannot tell, 1 cannot be read.\n")
    row = next(line.split() for line in lines if line.startswith(" work boat") and "  5 " in line)
    assert row[-2:] == ["5", "1"]  # cylinder 5: named in one session
    heads = next(line for line in lines if "Cylinder" in line and "Lean" in line)
    five = next(line for line in lines if line.startswith(" work boat") and "  5 " in line)
    assert heads.index("Lean") <= five.rindex("1") <= heads.index("Lean") + len("Lean")


@pytest.mark.usefixtures("one_core")
def test_the_exit_status_is_that_of_the_worst_session(season: Path, tmp_path: Path) -> None:
    good = [season / name for name in NAMES]
    assert run(*good).exit_code == 0
    silent = tmp_path / "silent"
    shutil.copytree(SAMPLES / "work-boat", silent)
    rows = (silent / "main.csv").read_bytes().splitlines(keepends=True)
    (silent / "main.csv").write_bytes(b"".join(rows[:50]))
    marks = [m for m in (silent / "marks.jsonl").read_bytes().splitlines(keepends=True) if b'"seal"' not in m]
    (silent / "marks.jsonl").write_bytes(b"".join(marks))
    result = run(good[0], silent)
    assert result.exit_code == 1, result.output
    assert "2 sessions: 1 answered, 1 cannot tell, 0 cannot be read." in result.stdout


@pytest.mark.usefixtures("one_core")
def test_json_of_a_season_is_a_list_or_a_file_each(season: Path, tmp_path: Path) -> None:
    listed = run(season, "--json", "-")
    assert listed.exit_code == 2
    assert [entry["session"] for entry in json.loads(listed.stdout)] == list(NAMES)
    assert listed.stderr.startswith("evenburn: ") and listed.stderr.count("\n") == 1
    each = tmp_path / "each"
    assert run(season, "--json", f"{each}/").exit_code == 2
    assert sorted(file.name for file in each.iterdir()) == [f"{name}.json" for name in NAMES]
    documents = [json.loads((each / f"{name}.json").read_text(encoding="utf-8")) for name in NAMES]
    assert documents == json.loads(listed.stdout)
    single = tmp_path / "one.json"
    assert run(season / NAMES[0], "--json", single).exit_code == 0
    assert json.loads(single.read_text(encoding="utf-8")) == documents[0]
    assert run(season / NAMES[0], "--json", each).exit_code == 2  # there already, from before
    assert run(season / NAMES[0], "--json", each, "--force").exit_code == 0


def test_what_cannot_be_written_is_said_before_the_work(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dashboard.season, "judge_all", lambda *_: pytest.fail("worked first"))
    (tmp_path / "there.json").write_text("something")
    for words, said in (
        ((season, "--json", tmp_path / "there.json"), "use --force"),
        ((season, SAMPLES / "work-boat", "--json", f"{tmp_path}/"), "several sessions have this name"),
    ):
        result = run(*words)
        assert result.exit_code == 2 and result.stdout == ""
        assert said in result.stderr and result.stderr.count("\n") == 1
