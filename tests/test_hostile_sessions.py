"""A session from somebody else, made to be too large: refused with one clear line, or read without its rubbish.

Nothing here may take more memory or time than an ordinary session of the same size; one test looks at a process of its
own that reads all of them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.errors import EvenburnError
from daq.physical import physical_table
from daq.session import open_session
from daq.setupfile import load_setup

SAMPLE = Path(__file__).resolve().parents[1] / "sample_logs" / "inline-four-broken-probe"
FIRST_LINE = (SAMPLE / "main.csv").read_bytes().partition(b"\n")[0] + b"\n"
N_COLUMNS = FIRST_LINE.count(b",")


def append(name: str, *pieces: bytes) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        with (folder / name).open("ab") as file:
            file.writelines(pieces)

    return make


def csv_alone(data: bytes) -> Callable[[Path], None]:
    """main.csv replaced, and no marks that would vouch for it."""

    def make(folder: Path) -> None:
        (folder / "main.csv").write_bytes(data)
        (folder / "marks.jsonl").unlink()

    return make


def hole(name: str) -> Callable[[Path], None]:
    """A file of a terabyte that takes no room: what is not written is read as zeros."""

    def make(folder: Path) -> None:
        with (folder / name).open("ab") as file:
            file.truncate(1 << 40)

    return make


def years_apart(folder: Path) -> None:
    rest = b",20" * (N_COLUMNS - 1)
    rows = [f"{t:.3f},{int(t * 1000) % 2**32}".encode() + rest + b"\n" for t in (0.0, 0.1, 1e9, 1e9 + 0.1)]
    csv_alone(FIRST_LINE + b"".join(rows))(folder)


MARK = b'{"time_s":1,"kind":"remark","text":"'
NO_CSV = "neither marks.jsonl nor an instrument's CSV"
REFUSED = {
    "setup of 50 MB": (append("setup.toml", b"\n#", b"x" * 50_000_000), "larger than 1 MB"),
    "setup that is a hole": (hole("setup.toml"), "larger than 1 MB"),
    "key of 50 000 parts": (
        append("setup.toml", b"\n", b"a." * 50_000, b"b = 1\n"),
        "more than twenty parts",
    ),
    "key of quoted parts": (append("setup.toml", b"\n", b"'a' .\t" * 9_000, b"b = 1\n"), "more than twenty"),
    "setup 100 000 deep": (append("setup.toml", b"\nx = ", b"[" * 100_000), "is not valid TOML"),
    "a million columns": (
        csv_alone(b"host_s" + b",c" * 1_000_000 + b"\n1" + b",1" * 1_000_000 + b"\n"),
        NO_CSV,
    ),
    "first line of 50 MB": (csv_alone(b"host_s,time_ms," + b"x" * 50_000_000 + b"\n"), NO_CSV),
    "table that is a hole": (hole("main.csv"), "larger than 2 GB"),
    "30 years of samples": (years_apart, "span 11574 days"),
}
READ = {
    "mark of 50 MB": (append("marks.jsonl", MARK, b"x" * 50_000_000, b'"}\n'), "a damaged mark, or none"),
    "mark 100 000 deep": (append("marks.jsonl", MARK, b'","a":', b"[" * 100_000, b"\n"), "a damaged mark"),
    "marks that are a hole": (hole("marks.jsonl"), "larger than 64 MB; the rest is left out"),
    "line of 50 MB": (append("main.csv", b"9" * 50_000_000, b"\n"), "main.csv: 1 line is no sample"),
    "zeros at the end": (append("main.csv", b"\0" * 50_000_000), ""),
}
if sys.platform != "linux":  # elsewhere a hole may take the room that it seems to have
    for name in [name for name in (*REFUSED, *READ) if "hole" in name]:
        REFUSED.pop(name, None)
        READ.pop(name, None)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    copy = tmp_path / "session"
    shutil.copytree(SAMPLE, copy)
    yield copy
    shutil.rmtree(copy)  # large, and pytest keeps the folders of three runs


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_refused_in_one_short_line(name: str, folder: Path) -> None:
    make, said = REFUSED[name]
    make(folder)
    with pytest.raises(EvenburnError, match=said) as refused:
        physical_table(open_session(folder))
    assert len(str(refused.value)) < 500 and "\n" not in str(refused.value)
    assert str(folder) in str(refused.value)


@pytest.mark.parametrize("name", READ)
def test_what_can_be_read_is_read_without_the_rubbish(name: str, folder: Path) -> None:
    make, said = READ[name]
    make(folder)
    session, clean = open_session(folder), open_session(SAMPLE)
    assert (session.tables["main"].values.shape) == clean.tables["main"].values.shape
    assert [mark.text for mark in session.marks] == [mark.text for mark in clean.marks]
    assert any(said in problem for problem in session.problems) or not said
    assert all(len(problem) < 500 for problem in session.problems)
    assert len(physical_table(session).problems) == len(session.problems)


def test_a_setup_given_by_hand_is_no_larger_either(tmp_path: Path) -> None:
    (tmp_path / "setup.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(EvenburnError, match="larger than 1 MB"):
        load_setup(tmp_path / "setup.toml")


def test_dots_that_are_no_keys_are_no_deep_keys(folder: Path) -> None:
    """Tables of numbers, sentences and rows of dots in comments."""
    numbers = ", ".join(f"{k / 10:.1f}" for k in range(60))
    text = f"# ......................................\n# a. b. c. d.\n# {numbers}\n"
    (folder / "setup.toml").write_text(text + (folder / "setup.toml").read_text(encoding="utf-8"))
    assert load_setup(folder / "setup.toml") == open_session(SAMPLE).setup


READER = """
import sys
from daq.errors import EvenburnError
from daq.physical import physical_table
from daq.session import open_session
for folder in sys.argv[1:]:
    try:
        physical_table(open_session(folder))
    except EvenburnError:
        pass
print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM:')))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak memory from /proc")
def test_none_of_them_takes_much_memory(tmp_path: Path) -> None:
    folders = []
    for number, (make, _) in enumerate((*REFUSED.values(), *READ.values())):
        folders.append(tmp_path / str(number))
        shutil.copytree(SAMPLE, folders[-1])
        make(folders[-1])
    command = [sys.executable, "-c", READER, *map(str, folders)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=os.environ)
    for folder in folders:
        shutil.rmtree(folder)
    assert (
        int(done.stdout) / 1e3 < 400.0
    )  # MB; the modules alone take 100, a file of 50 MB is held once or twice
