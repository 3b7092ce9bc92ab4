"""Breaks lines on purpose, one at a time, in a copy of the project, and sees whether the tests notice: run by hand.

    python tests/mutation_check.py [WORD …]        only mutants whose file or line holds one of the words

Where a number becomes °C, a line a sample, an offset a trim and a file a session, a wrong sign or a check left out
would be believed by everything after it. Exit status 0 if every mutant was noticed, 1 if one survived, 2 if a line that
was to be broken is no longer there.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COPIED = ("daq", "analysis", "dashboard", "tests", "sample_logs", "pyproject.toml")
LONGEST_S = 600.0  # a mutant that hangs its tests is noticed, too


@dataclass(frozen=True)
class Mutant:
    """In `file` the text `old`, which stands there once, becomes `new`; `tests` should fail then."""

    file: str
    old: str
    new: str
    tests: tuple[str, ...]


CONVERSION = ("test_thermocouple.py", "test_cold_junction.py", "test_mixture.py", "test_physical.py")
PARSER = ("test_line_stream.py", "test_checksum.py")
TRIMS = ("test_trims.py",)
READER = ("test_session.py", "test_session_writer.py")
HOLDS = ("test_holds.py",)
SWEEPS = ("test_bank_sweep.py",)
MUTANTS = (
    Mutant("daq/thermocouple.py", "voltage_mV + reference", "voltage_mV - reference", CONVERSION),
    Mutant("daq/thermocouple.py", "y += self.intercept", "y -= self.intercept", CONVERSION),
    Mutant("daq/thermocouple.py", "cold = emf < table.low", "cold = emf > table.low", CONVERSION),
    Mutant("daq/cold_junction.py", "c * log_ohm**3", "c * log_ohm**2", CONVERSION),
    Mutant("daq/physical.py", "t_C = t_C - probe.offset_C", "t_C = t_C + probe.offset_C", CONVERSION),
    Mutant("daq/physical.py", "column.time_s - delay_s", "column.time_s + delay_s", CONVERSION),
    Mutant(
        "daq/line_stream.py", "if digits is not None and not _matches", "if False and not _matches", PARSER
    ),
    Mutant(
        "daq/line_stream.py", "len(fields) != len(self.columns)", "len(fields) < len(self.columns)", PARSER
    ),
    Mutant("daq/line_stream.py", 'b"", False, True', 'b"", False, False', PARSER),
    Mutant("daq/line_stream.py", "if len(raw) > MAX_LINE_BYTES", "if len(raw) > 2 * MAX_LINE_BYTES", PARSER),
    Mutant("analysis/trims.py", "even = -offset_percent / fuel", "even = offset_percent / fuel", TRIMS),
    Mutant(
        "analysis/trims.py",
        "low = np.clip(even, -limits.step_percent * limits.leaning_share, 0.0)",
        "low = np.clip(even, -limits.step_percent, 0.0)",
        TRIMS,
    ),
    Mutant(
        "analysis/trims.py",
        "egt_deviation_C - bank.slope_C_per_percent",
        "egt_deviation_C + bank.slope_C_per_percent",
        TRIMS,
    ),
    Mutant("analysis/trims.py", '("lean", "rich") and offset', '("lean", "rich") or offset', TRIMS),
    Mutant("daq/session_csv.py", "seal.end) == seal.crc32", "seal.end) != -1", READER),
    Mutant("daq/session_csv.py", "return start + found + 1", "return start + found", READER),
    Mutant("daq/session_csv.py", 'replace(b"open", b"inf")', 'replace(b"open", b"nan")', READER),
    Mutant("daq/session_marks.py", "zlib.crc32(line) != int(checked[2], 16)", "zlib.crc32(line) < 0", READER),
    Mutant("daq/session_reader.py", "if path.is_symlink() and not", "if path.is_symlink() and", READER),
    Mutant("daq/session_reader.py", "np.argsort(host_s,", "np.argsort(-host_s,", READER),
    Mutant("analysis/holds.py", "OTHER_POINT_SLOPE_U = 0.3", "OTHER_POINT_SLOPE_U = 0.0", HOLDS),
    Mutant("analysis/operating_regions.py", "    4.0  # a port's own", "    0.4  # a port's own", HOLDS),
    Mutant("analysis/bank.py", "else 2.0 * hold.slope.u", "else 0.2 * hold.slope.u", SWEEPS),
    Mutant("analysis/bank_sweep.py", "rectangular_standard_uncertainty(half_width_C)))", "0.0))", SWEEPS),
    Mutant("analysis/bank_sweep.py", "abs(bend) > BEND_CERTAIN * u", "abs(bend) >= 0.0", SWEEPS),
    Mutant("analysis/bank_sweep.py", "moved = moved - np.median(moved)", "moved = moved + 0.0", SWEEPS),
)


def tests_pass(copy: Path, tests: tuple[str, ...]) -> bool:
    """Whether `tests` pass in the copy of the project."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=copy / "tests", env=environment, capture_output=True, timeout=LONGEST_S
        )
    except subprocess.TimeoutExpired:
        return False
    if done.returncode not in (0, 1, 2):  # 1: a test failed, 2: a module no longer imports
        raise SystemExit(f"pytest did not run: {done.stdout.decode()[-2000:]}{done.stderr.decode()[-2000:]}")
    return done.returncode == 0


def check_copy(copy: Path) -> None:
    """Leave unless the copy, and not the project itself, is what the tests import, and they pass in it."""
    code = "import daq.errors, analysis.trims; print(daq.errors.__file__, analysis.trims.__file__)"
    environment = {**os.environ, "PYTHONPATH": str(copy)}
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=copy / "tests", env=environment, capture_output=True, check=True
    )
    if found.stdout.decode().count(str(copy)) != 2:
        raise SystemExit("the tests would not import the copy")
    for tests in (CONVERSION, PARSER, TRIMS, READER):
        if not tests_pass(copy, tests):
            raise SystemExit(f"nothing is broken yet, and these fail: {', '.join(tests)}")


def noticed(copy: Path, mutant: Mutant) -> bool:
    """Whether the tests fail with `mutant` in the copy, which is as before afterwards."""
    file = copy / mutant.file
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace(mutant.old, mutant.new), encoding="utf-8")
    try:
        return not tests_pass(copy, mutant.tests)
    finally:
        file.write_text(text, encoding="utf-8")


def main(words: list[str]) -> int:
    chosen = [m for m in MUTANTS if not words or any(word in m.file + m.old for word in words)]
    gone = [m for m in chosen if (ROOT / m.file).read_text(encoding="utf-8").count(m.old) != 1]
    for mutant in gone:
        print(f"{mutant.file}: {mutant.old!r} does not stand there once; name another line to break")
    if gone or not chosen:
        return 2
    with tempfile.TemporaryDirectory() as temporary:
        copy = Path(temporary)
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__", ".*_cache"))
            else:
                shutil.copy2(source, copy / name)
        check_copy(copy)
        survived = []
        for mutant in chosen:
            if not noticed(copy, mutant):
                survived.append(mutant)
            verdict = "SURVIVED" if mutant in survived else "noticed"
            print(f"{verdict:9}{mutant.file}: {mutant.old}  ->  {mutant.new}", flush=True)
    print(f"{len(chosen) - len(survived)} of {len(chosen)} mutants noticed")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
