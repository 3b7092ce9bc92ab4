"""The command line: what it prints, its exit status, and that a user's mistake is one line."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daq.session import open_session
from daq.virtual_engine import VirtualEngine
from daq.virtual_instrument import VirtualInstrument
from daq.virtual_scenario import ENGINES, load_scenario
from dashboard.cli import COMMANDS, main
from dashboard.commands import import_table
from dashboard.commands.output import printable

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
BOAT, TRIMMED, FOUR = (SAMPLES / n for n in ("work-boat", "work-boat-trimmed", "inline-four-broken-probe"))
FOUR_SETUP = ENGINES / "inline-four.setup.toml"
COMMAND = [sys.executable, "-m", "dashboard.cli"]
pty_only = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on Windows")


def run(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], input=typed)


def assert_one_line(result: Result, *said: str) -> None:
    """Status 2, nothing on standard output, one line on standard error that says all of `said`."""
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert result.stderr.startswith("evenburn: ") and result.stderr.count("\n") == 1, result.stderr
    for words in said:
        assert words in result.stderr


@contextmanager
def running(*words: str | Path, **options: object) -> Iterator[subprocess.Popen[str]]:
    """A command running in a process of its own; killed if a test leaves it running."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "BROWSER": "true"},
        **options,  # type: ignore[call-overload]
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def wait_for(happened: Callable[[], bool], process: subprocess.Popen[str], timeout_s: float = 40.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not happened():
        if process.poll() is not None:
            pytest.fail(f"the command ended early: {process.communicate()}")
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.05)


def lines(path: Path) -> int:
    return path.read_bytes().count(b"\n") if path.exists() else 0


# help and mistakes


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; from dashboard.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: print(sorted({'numpy', 'pandas', 'rich', 'plotly', 'typst'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("[]\n")
    for name, help_text in COMMANDS.items():
        assert name in done.stdout and help_text.split()[0] in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    assert result.output.startswith(f"Usage: evenburn {name}")


def test_without_a_command_the_help_is_shown() -> None:
    assert run().output == run("--help").output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("blance", "x"), "No such command 'blance'"),
        (("balance",), "Missing argument 'SESSION...'"),
        (("balance", "--jsn", "-", "x"), "--jsn"),
        (("balance", "no/such/folder"), "no/such/folder"),
        (("balance", FOUR_SETUP), str(FOUR_SETUP)),
        (("trims", "no/such/folder", "--out", "x"), "no/such/folder"),
        (("compare", BOAT, "no/such/folder"), "no/such/folder"),
        (("export", "no/such/folder", "--to", "csv", "--out", "x"), "no/such/folder"),
        (("export", BOAT, "--to", "xls", "--out", "x"), "xls"),
        (("import", "no-such.csv", FOUR_SETUP, "--dry-run"), "no-such.csv"),
        (("import", "x.csv", FOUR_SETUP), "--out"),
        (("view", "no/such/folder", "--no-browser"), "no/such/folder"),
        (("simulate", "no-such-engine", "--port", "x"), "no-such-engine"),
        (("record", "no-such.toml", "--out", "x"), "no-such.toml"),
        (("record", FOUR_SETUP, "--out", "x", "--port", "/no/port"), "/no/port"),
        (("record", FOUR_SETUP, "--out", "x", "--port", "a", "--replay", "b"), "--replay"),
        (("record", FOUR_SETUP, "--out", "x", "--replay", "no-such.txt"), "no-such.txt"),
        (("ports", "/no/port"), "/no/port"),
    ],
)
def test_a_mistake_is_one_line_and_status_2(
    words: Sequence[str | Path], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert_one_line(run(*words), said)
    assert list(tmp_path.iterdir()) == []


# record --replay, then the findings


@pytest.fixture(scope="module")
def stream(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the virtual inline four prints, 5 lines a second."""
    import msgspec

    scenario = msgspec.structs.replace(load_scenario("inline-four")[0], rate_hz=5.0)
    path = tmp_path_factory.mktemp("stream") / "four.txt"
    path.write_bytes(VirtualEngine(scenario).stream())
    return path


@pytest.fixture(scope="module")
def session(stream: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sessions") / "four"
    result = run("record", FOUR_SETUP, "--out", folder, "--replay", stream)
    assert result.exit_code == 0, result.output
    return folder


def test_replay_balance_and_trims_find_the_rich_cylinder(session: Path, tmp_path: Path) -> None:
    """The scenario's own truth: cylinder 3 gets more than its bank's mean, by daq/engines/inline-four.toml."""
    truth = load_scenario("inline-four")[0].true_offsets_percent()
    result = run("balance", session, "--json", "-")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["schema"] == "evenburn.balance/1" and document["method"] == "sweep"
    found = {c["cylinder"]: c["fuel_offset_percent"] for c in document["cylinders"]}
    assert found == pytest.approx(truth, abs=0.6)
    assert {c["cylinder"]: c["finding"] for c in document["cylinders"]}[3] == "rich"
    result = run(
        "trims", session, "--out", tmp_path / "report", "--step-percent", "2", "--leaning-share", "0.4"
    )
    assert result.exit_code == 0 and "Cautions:" in result.stdout
    document = json.loads((tmp_path / "report" / "trims.json").read_text(encoding="utf-8"))
    assert document["limits"]["step_percent"] == 2.0 and document["limits"]["leaning_share"] == 0.4
    trims = {c["cylinder"]: c["trim_percent"] for c in document["cylinders"]}
    assert trims[3] == -0.8  # 0.4 of 2 % is the most that may be taken away
    checksum = (tmp_path / "report" / "trims.html").read_text(encoding="utf-8")
    assert "main.csv" in checksum and "SHA-256" in checksum


def test_the_table_says_what_the_json_says(session: Path) -> None:
    document = json.loads(run("balance", session, "--json", "-").stdout)
    said = run("balance", session).stdout
    for cylinder in document["cylinders"]:
        offset = f"{cylinder['fuel_offset_percent']:+.1f}".replace("-", "−")
        assert f"{offset} ± {cylinder['fuel_offset_u95_percent']:.1f}" in said
        assert cylinder["finding"] in said
    assert "\x1b[" not in said


def test_data_that_cannot_answer_is_status_1_and_json_all_the_same(stream: Path, tmp_path: Path) -> None:
    """Only the cold soak and the start: nothing steady, no sweep."""
    short = tmp_path / "short.txt"
    short.write_bytes(b"".join(stream.read_bytes().splitlines(keepends=True)[:220]))
    assert run("record", FOUR_SETUP, "--out", tmp_path / "s", "--replay", short).exit_code == 0
    result = run("balance", tmp_path / "s", "--json", "-")
    assert result.exit_code == 1
    document = json.loads(result.stdout)
    assert {c["finding"] for c in document["cylinders"]} == {"undetermined"}
    assert all(c["reasons"] for c in document["cylinders"])
    result = run("trims", tmp_path / "s", "--out", tmp_path / "report")
    assert result.exit_code == 1 and "Cannot tell" in result.stdout
    assert (tmp_path / "report" / "trims.pdf").exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"no header here\n1,2,3\n", "header"),
        (b"#time_ms,cj_C,egt1_mV\n", "sample"),
        (b"#time_ms,cj_C,egt1_mV\n0,20.0,1.0\n50,20.0,1.0\n", "no such column"),
    ],
)
def test_a_stream_that_cannot_be_used_is_one_line(content: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "stream.txt").write_bytes(content)
    result = run("record", FOUR_SETUP, "--out", tmp_path / "s", "--replay", tmp_path / "stream.txt")
    assert_one_line(result, said)
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('fuel = "petrol"', 'fule = "petrol"'), "did you mean 'fuel'"),
        (("cylinders = [1, 2, 3, 4]", "cylinders = [1, 2, 3, 4, 1]"), "cylinder 1"),
        (('column = "egt1_mV"', 'column = "egt9_mV"'), "egt9_mV"),
        (("[engine]", "[engine"), "TOML"),
    ],
)
def test_a_wrong_setup_is_one_line(change: tuple[str, str], said: str, stream: Path, tmp_path: Path) -> None:
    text = FOUR_SETUP.read_text(encoding="utf-8")
    assert change[0] in text
    (tmp_path / "setup.toml").write_text(text.replace(*change, 1), encoding="utf-8")
    assert_one_line(run("record", tmp_path / "setup.toml", "--out", tmp_path / "s", "--replay", stream), said)


def test_a_truncated_stream_is_recorded_as_far_as_it_goes(stream: Path, tmp_path: Path) -> None:
    (tmp_path / "cut.txt").write_bytes(stream.read_bytes()[:-17])
    done = run("record", FOUR_SETUP, "--out", tmp_path / "s", "--replay", tmp_path / "cut.txt")
    assert_one_line(done, "breaks off in the middle of a line")
    kinds = [mark.kind for mark in open_session(tmp_path / "s").marks]
    assert kinds[0] == "start" and kinds[-1] == "stop"


def test_json_to_a_file_does_not_replace_one(session: Path, tmp_path: Path) -> None:
    target = tmp_path / "balance.json"
    assert run("balance", session, "--json", target).exit_code == 0
    before = target.read_text(encoding="utf-8")
    assert json.loads(before)["session"] == "four"
    again = run("balance", session, "--json", target)
    assert again.exit_code == 2 and "--force" in again.stderr
    assert run("balance", session, "--json", target, "--force").exit_code == 0
    assert target.read_text(encoding="utf-8") == before


# export, import, compare


def test_what_was_exported_reads_back_to_the_same_findings(tmp_path: Path) -> None:
    """A session with a probe that breaks: open circuits survive too."""
    assert run("export", FOUR, "--to", "csv", "--out", tmp_path / "four.csv").exit_code == 0
    result = run("import", tmp_path / "four.csv", tmp_path / "four.setup.toml", "--out", tmp_path / FOUR.name)
    assert result.exit_code == 0, result.output
    there, back = (json.loads(run("balance", s, "--json", "-").stdout) for s in (FOUR, tmp_path / FOUR.name))
    assert back == there
    again = run("export", FOUR, "--to", "csv", "--out", tmp_path / "four.csv")
    assert again.exit_code == 2 and "--force" in again.stderr


def test_export_to_parquet_and_raw(tmp_path: Path) -> None:
    import pandas as pd

    assert run("export", FOUR, "--to", "parquet", "--out", tmp_path / "a.parquet").exit_code == 0
    assert run("export", FOUR, "--to", "parquet", "--out", tmp_path / "b.parquet", "--raw").exit_code == 0
    assert run("export", FOUR, "--to", "csv", "--out", tmp_path / "b.csv", "--raw").exit_code == 0
    physical, raw = pd.read_parquet(tmp_path / "a.parquet"), pd.read_parquet(tmp_path / "b.parquet")
    said = open_session(FOUR).tables["main"]
    assert list(physical.columns[:2]) == ["time_s", "egt1_C"]
    assert set(physical["egt2_status"]) == {"", "open"}
    assert tuple(raw.columns) == ("host_s", *said.columns) and len(raw) == said.host_s.size
    text = pd.read_csv(tmp_path / "b.csv", dtype=str)
    assert (text["egt2_mV"] == "open").sum() == said.is_open("egt2_mV").sum() > 0


def test_export_to_parquet_says_which_extra_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    import importlib.util

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert_one_line(run("export", FOUR, "--to", "parquet", "--out", tmp_path / "x"), "evenburn[parquet]")


TABLE = "clock,EGT 1,EGT 2,EGT 3,EGT 4,lambda all,rpm,map_kPa,injector_ms\n" + "".join(
    f"{t},1300,1301,1302,1303,0.9,2400,62,4.5\n" for t in range(5)
)


def test_a_dry_run_shows_what_was_understood_and_writes_nothing(tmp_path: Path) -> None:
    exported = run("export", FOUR, "--to", "csv", "--out", tmp_path / "x.csv")
    assert exported.exit_code == 0
    (tmp_path / "table.csv").write_text(TABLE)
    setup = tmp_path / "x.setup.toml"
    result = run(
        "import", tmp_path / "table.csv", setup, "--dry-run", "--unit", "clock=s", "--unit", "EGT*=F"
    )
    assert result.exit_code == 0, result.output
    assert "egt1_C from 'EGT 1', F becomes C" in result.stdout
    assert "5 samples from 0 s to 4 s" in result.stdout and "Nothing was written" in result.stdout
    assert sorted(p.name for p in tmp_path.iterdir()) == ["table.csv", "x.csv", "x.setup.toml"]


def test_what_a_table_leaves_open_is_asked_at_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("export", FOUR, "--to", "csv", "--out", tmp_path / "x.csv")
    (tmp_path / "table.csv").write_text(TABLE)
    setup, out = tmp_path / "x.setup.toml", tmp_path / "new"
    assert_one_line(run("import", tmp_path / "table.csv", setup, "--out", out), "--unit 'clock=s'")
    monkeypatch.setattr(import_table, "at_terminal", lambda: True)
    answers = "9\n1\n" + "2\n" * 4  # no such number, seconds, then °F for each temperature
    result = run("import", tmp_path / "table.csv", setup, "--out", out, typed=answers)
    assert result.exit_code == 0, result.output
    told = next(line for line in result.stdout.splitlines() if line.startswith("The same without questions:"))
    assert told.endswith("--unit clock=s --unit 'EGT 1=F' --unit 'EGT 2=F' --unit 'EGT 3=F' --unit 'EGT 4=F'")
    session = open_session(out)
    assert session.tables["main"].column("egt1_C")[0] == pytest.approx((1300 - 32) / 1.8)


def test_compare_tells_that_the_trims_did_what_was_predicted(tmp_path: Path) -> None:
    result = run("compare", BOAT, TRIMMED, "--out", tmp_path / "report", "--json", "-")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    moved = {c["cylinder"]: c["moved"] for c in document["cylinders"]}
    assert moved[5] == moved[2] == "as predicted"
    names = sorted(path.name for path in (tmp_path / "report").iterdir())
    assert names == ["compare.csv", "compare.html", "compare.json", "compare.pdf"]
    assert json.loads((tmp_path / "report" / "compare.json").read_text(encoding="utf-8")) == document


def test_check_names_the_broken_probe(tmp_path: Path) -> None:
    result = run("check", FOUR)
    assert result.exit_code == 1
    assert "Faults:" in result.stdout and "ylinder 2: open circuit" in result.stdout
    assert run("check", BOAT).exit_code == 0
    assert run("check", BOAT, BOAT / "setup.toml").stdout == run("check", BOAT).stdout
    assert_one_line(run("check", "no-such-port"), "name its setup file")
    assert run("trims", FOUR, "--out", tmp_path).exit_code == 0
    page = (tmp_path / "trims.html").read_text(encoding="utf-8")
    assert "Evidence: probe check" in page and "Cold soak from" in page


# running, stopping


@pty_only
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_live_recording_stops_in_order(number: signal.Signals, tmp_path: Path) -> None:
    engine = VirtualEngine(load_scenario("inline-four")[0])
    out = tmp_path / "live"
    with (
        VirtualInstrument(engine) as instrument,
        running("record", FOUR_SETUP, "--out", out, "--port", instrument.path) as process,
    ):
        wait_for(lambda: lines(out / "main.csv") > 10, process)
        process.send_signal(number)
        assert process.wait(20) == 0
    session = open_session(out)
    assert session.stopped and session.tables["main"].host_s.size >= 9


@pty_only
def test_a_key_sets_a_mark(tmp_path: Path) -> None:
    engine = VirtualEngine(load_scenario("inline-four")[0])
    out = tmp_path / "live"
    keyboard, terminal = os.openpty()
    with (
        VirtualInstrument(engine) as instrument,
        running(
            "record", FOUR_SETUP, "--out", out, "--port", f"main={instrument.path}", stdin=terminal
        ) as process,
    ):
        wait_for(lambda: lines(out / "main.csv") > 5, process)
        os.write(keyboard, b"m")
        wait_for(lambda: b'"mark 1"' in (out / "marks.jsonl").read_bytes(), process)
        os.write(keyboard, b"\n")
        wait_for(lambda: b'"mark 2"' in (out / "marks.jsonl").read_bytes(), process)
        os.write(keyboard, b"trim 2\x7f1 applied\n")
        wait_for(lambda: b'"trim 1 applied"' in (out / "marks.jsonl").read_bytes(), process)
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    os.close(keyboard)
    os.close(terminal)
    marks = [mark.text for mark in open_session(out).marks if mark.kind == "operator"]
    assert marks == ["mark 1", "mark 2", "trim 1 applied"]


@pty_only
def test_simulate_is_a_port_until_it_is_stopped(tmp_path: Path) -> None:
    port = tmp_path / "port"
    with running("simulate", "inline-four", "--port", port) as process:
        wait_for(port.exists, process)
        heard = run("ports", port, "--seconds", "1.5")
        assert heard.exit_code == 0, heard.output
        assert "time_ms,cj_C,egt1_mV" in heard.stdout and "thermocouple" in heard.stdout
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    assert not port.is_symlink()


@pty_only
def test_check_listens_to_a_port(tmp_path: Path) -> None:
    engine = VirtualEngine(load_scenario("inline-four")[0])
    with VirtualInstrument(engine) as instrument:
        result = run("check", instrument.path, FOUR_SETUP, "--seconds", "2.5")
    assert result.exit_code == 0, result.output
    assert "egt4_mV" in result.stdout and "The disk lasts for" in result.stdout


@pty_only
def test_the_demo_does_the_whole_job(tmp_path: Path) -> None:
    result = run("demo", "--no-browser", "--out", tmp_path / "demo")
    assert result.exit_code == 0, result.output
    assert "5 " in result.stdout and "lean" in result.stdout
    session = open_session(tmp_path / "demo" / "work-boat")
    scenario = load_scenario("work-boat")[0]
    assert session.tables["main"].host_s.size == round(scenario.duration_s * scenario.rate_hz)
    assert sorted(p.name for p in (tmp_path / "demo" / "report").iterdir()) == [
        "trims.csv", "trims.html", "trims.json", "trims.pdf",
    ]  # fmt: skip


def test_view_serves_until_it_is_stopped(tmp_path: Path) -> None:
    with running("view", tmp_path, "--port", "0", "--no-browser") as process:
        assert process.stdout is not None
        said = process.stdout.readline()
        assert said.startswith("The dashboard is at http://127.0.0.1:")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0


def test_a_reader_who_leaves_ends_the_command_quietly() -> None:
    with running("balance", FOUR, "--json", "-") as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.wait(60) == 1
        assert process.stderr is not None
        assert process.stderr.read() == ""


def test_a_terminal_without_the_letters_loses_no_sign() -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    words = [*COMMAND, "balance", str(FOUR)]
    done = subprocess.run(words, capture_output=True, env=environment, check=True)
    assert re.search(rb"-\d\.\d \+/- \d\.\d", done.stdout) and b"?" not in done.stdout


def test_words_from_a_session_cannot_steer_a_terminal() -> None:
    assert printable("a\x1b[2Jb\x07c\u202ed") == "a [2Jb c d"
