"""A season of sessions on one core and on all: how much sooner it is done, and what the processes cost.

    python tests/benchmark_season.py [--sessions 200]

Copies of the sessions in `sample_logs`, judged as `evenburn balance FOLDER` does. Time on the wall is what many cores
save, so the machine should be idle; CPU time shows what is paid for it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from pathlib import Path

from dashboard.season import judge, judge_all, sessions_of

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"


def timed(sessions: list[Path], workers: int) -> tuple[float, float]:
    """(seconds on the wall, CPU seconds of all processes) for the whole season."""
    wall_s, before = time.perf_counter(), os.times()
    outcomes = judge_all(sessions, workers=workers)
    wall_s, after = time.perf_counter() - wall_s, os.times()
    assert all(outcome.balance is not None and outcome.balance.answered for outcome in outcomes)
    return wall_s, sum(after[:4]) - sum(before[:4])


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--sessions", type=int, default=200)
    chosen = options.parse_args()
    samples = sessions_of([SAMPLES])
    judge(samples[0])  # imports
    with tempfile.TemporaryDirectory() as temporary:
        for number in range(chosen.sessions):
            shutil.copytree(samples[number % len(samples)], Path(temporary) / f"session-{number:04d}")
        sessions = sessions_of([Path(temporary)])
        alone_s, alone_cpu_s = timed(sessions, 1)
        together_s, together_cpu_s = timed(sessions, 0)
    print(
        f"{len(sessions)} sessions: one process {alone_s:.1f} s ({alone_cpu_s:.1f} s CPU), all cores "
        f"{together_s:.1f} s ({together_cpu_s:.1f} s CPU): {alone_s / together_s:.2f} times sooner; of a core "
        f"one process had {100 * alone_cpu_s / alone_s:.0f} %, all {100 * together_cpu_s / together_s:.0f} %"
    )


if __name__ == "__main__":
    main()
