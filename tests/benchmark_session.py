"""How long a session takes to write, to open and to convert, and how much memory that needs.

    python tests/benchmark_session.py [HOURS]

24 columns at 50 Hz; one probe is open for a tenth of the time. Reading happens in a process of its own, so that its
peak memory is its own.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from builders import setup_text

from daq.physical import physical_table
from daq.session import SessionWriter, open_session

RATE_HZ = 50
COLUMNS = [
    "time_ms",
    "cj_C",
    *(f"egt{k}_mV" for k in range(1, 9)),
    "lambda_port_lambda",
    "lambda_starboard_lambda",
]
COLUMNS += ["rpm", "map_kPa", *(f"spare{k}_kPa" for k in range(1, 11))]


def write(folder: Path, hours: float) -> None:
    rows = [[f"{value:.3f}" for value in row] for row in np.random.default_rng(1).normal(30, 3, (500, 23))]
    started_s = time.process_time()
    with SessionWriter.create(folder, setup_text()) as writer:
        writer.header("main", COLUMNS)
        for second in range(round(3600 * hours)):
            numbers = range(RATE_HZ * second, RATE_HZ * (second + 1))
            fields = [[str(20 * n), *rows[n % 500]] for n in numbers]
            if second % 10 == 3:
                for row in fields:
                    row[4] = "open"
            writer.append("main", [n / RATE_HZ + 0.003 for n in numbers], fields)
            if second % 10 == 9:
                writer.seal()
        writer.close(time_s=3600 * hours)
    size = (folder / "main.csv").stat().st_size
    print(
        f"{hours:g} h, {size / 1e6:.0f} MB; to write without syncs: {time.process_time() - started_s:.2f} s CPU"
    )


def read(folder: Path) -> None:
    for _ in range(3):
        started_s = time.process_time()
        session = open_session(folder)
        opened_s = time.process_time()
        table = physical_table(session)
        converted_s = time.process_time()
        peak_MB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(
            f"open {opened_s - started_s:.2f} s CPU, convert {converted_s - opened_s:.2f} s CPU, "
            f"{table.time_s.size} samples, peak memory {peak_MB:.0f} MB"
        )
        assert not table.problems
        del session, table


def main() -> None:
    if len(sys.argv) > 2:
        read(Path(sys.argv[2]))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "session"
        write(folder, float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
        subprocess.run([sys.executable, __file__, "read", str(folder)], check=True)


if __name__ == "__main__":
    main()
