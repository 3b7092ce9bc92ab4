"""Records samples of the rig until it is killed, and tells what it has done; see `crash_trials.py`.

    python tests/crash_recorder.py FOLDER SPEED RATE_HZ

Prints `taken SAMPLES` before they are written, `synced SAMPLES LENGTH LENGTH LENGTH` after a sync. The session's
clock runs SPEED times as fast as the one on the wall.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

from session_rig import COLUMNS, SETUP, row

from daq.session_writer import SessionWriter

FILES = ("main.csv", "marks.jsonl", "setup.toml")
BATCH_S = 0.1
SYNC_EVERY_S = 1.0


def main(folder: Path, speed: float, rate_Hz: float) -> None:
    started_s = time.perf_counter()
    writer = SessionWriter.create(folder, SETUP, clock=lambda: speed * (time.perf_counter() - started_s))
    tell("synced", 0, 0, *((folder / name).stat().st_size for name in FILES[1:]))  # `create` has synced them
    writer.header("main", COLUMNS)
    taken = 0

    def sync() -> None:
        while True:
            time.sleep(SYNC_EVERY_S / speed)
            safe = [taken, *((folder / name).stat().st_size for name in FILES)]
            writer.sync()
            tell("synced", *safe)

    threading.Thread(target=sync, daemon=True).start()
    while True:
        due = int(writer.now_s * rate_Hz)
        tell("taken", due)
        numbers = range(taken, due)
        writer.append("main", [n / rate_Hz for n in numbers], [row(n) for n in numbers])
        taken = due
        time.sleep(BATCH_S / speed)


def tell(*words: object) -> None:
    """One line in one call, so that those of two threads do not mix."""
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]))
