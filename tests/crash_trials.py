"""Kills a recording at random moments and cuts its files at random bytes, and reads what is left.

    python tests/crash_trials.py --count 1000

Three kinds of trial, `count` of each:
kill   SIGKILL while recording. What had been handed to the disk stays: at most a second may be lost.
power  the same, and each file is cut between its length at the last sync and its last length, sometimes filled
       up with zeros, as after a power cut: nothing from before the last sync may be lost.
cut    any file cut at any byte: the session opens with every line that is still whole.
No value that is read may differ from the one that was recorded. Recording runs 20 times faster than the clock on
the wall, so that a trial of half a second holds a seal; a sync that takes 0.1 s then shows as 2 s lost to a power cut.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from session_rig import COLUMNS, row

from daq.session import open_session

SPEED = 20.0
RATE_HZ = 200.0
FILES = ("main.csv", "marks.jsonl", "setup.toml")
KINDS = ("kill", "power", "cut")


@dataclass(frozen=True)
class Killed:
    """What a recorder had told before it was killed.

    taken: samples it had. synced: how many of them a completed sync had made safe, with the length that each of
    `FILES` had then.
    """

    taken: int = 0
    synced: int = 0
    lengths: tuple[int, ...] = (0, 0, 0)


def record_and_kill(folder: Path, after_s: float) -> Killed:
    """Let `crash_recorder.py` record into `folder` and kill it `after_s` [s] after its first sample."""
    recorder = subprocess.Popen(
        [
            sys.executable,
            str(Path(__file__).with_name("crash_recorder.py")),
            str(folder),
            str(SPEED),
            str(RATE_HZ),
        ],
        stdout=subprocess.PIPE,
    )
    assert recorder.stdout is not None
    first = recorder.stdout.readline()
    timer = threading.Timer(after_s, recorder.send_signal, [signal.SIGKILL])
    timer.start()
    told = [first, *recorder.stdout]  # until the pipe breaks; the last line may be torn
    assert recorder.wait() == -signal.SIGKILL
    timer.join()
    recorder.stdout.close()
    killed = Killed()
    for line in told:
        if line.endswith(b"\n"):
            kind, samples, *lengths = line.split()
            if kind == b"taken":
                killed = replace(killed, taken=int(samples))
            else:
                killed = replace(killed, synced=int(samples), lengths=tuple(map(int, lengths)))
    return killed


def samples_read(folder: Path) -> int:
    """How many samples the session in `folder` gives; they must be the first ones, and right in every value."""
    session = open_session(folder)
    if not session.tables:
        return 0
    table = session.tables["main"]
    n = table.host_s.size
    assert not session.damaged, session.problems
    assert session.setup.engine.name == "harbour launch"
    texts = [row(number) for number in range(n)]
    expected = np.array([[_number(text) for text in fields] for fields in texts]).reshape(n, len(COLUMNS)).T
    assert np.array_equal(table.values, expected, equal_nan=True), f"{folder}: a wrong value"
    assert np.allclose(table.host_s, np.arange(n) / RATE_HZ, rtol=0, atol=1e-6), f"{folder}: a wrong time"
    return n


def _number(field: str) -> float:
    return {"": np.nan, "open": np.inf}.get(field) or float(field)


def kill_trial(folder: Path, rng: random.Random) -> float:
    """Seconds lost to a SIGKILL."""
    killed = record_and_kill(folder, rng.uniform(0.0, 0.7))
    lost_s = (killed.taken - samples_read(folder)) / RATE_HZ
    assert lost_s <= 1.0, f"{folder}: {lost_s} s lost"
    return lost_s


def power_trial(folder: Path, rng: random.Random) -> float:
    """Seconds lost to a power cut."""
    killed = record_and_kill(folder, rng.uniform(0.1, 0.7))
    for name, safe in zip(FILES, killed.lengths, strict=True):
        length = (folder / name).stat().st_size
        os.truncate(folder / name, rng.randint(min(safe, length), length))
        if rng.random() < 0.3:
            os.truncate(folder / name, length)  # grows again, filled with zeros
    read = samples_read(folder)
    assert read >= killed.synced, f"{folder}: {read} samples of {killed.synced} that had been synced"
    return (killed.taken - read) / RATE_HZ


def cut_trial(folder: Path, source: Path, rng: random.Random) -> float:
    """Seconds lost of what stood before the cut (a line that is cut through is no sample)."""
    shutil.copytree(source, folder)
    name = rng.choice(FILES)
    os.truncate(folder / name, rng.randrange((folder / name).stat().st_size))
    whole_lines = (folder / "main.csv").read_bytes().count(b"\n") - 1
    lost = max(whole_lines, 0) - samples_read(folder)
    assert lost == 0, f"{folder}: {lost} whole lines were not read"
    return lost / RATE_HZ


def run(kind: str, count: int, seed: int, progress: Callable[[str], None] = lambda text: None) -> list[float]:
    """Seconds lost in each of `count` trials of `kind`. Raises AssertionError at the first that is not right."""
    rng = random.Random(seed)
    lost_s = []
    with tempfile.TemporaryDirectory() as temporary:
        source = Path(temporary) / "source"
        if kind == "cut":
            record_and_kill(source, 1.2)
        for number in range(count):
            folder = Path(temporary) / f"trial-{number}"
            if kind == "cut":
                lost_s.append(cut_trial(folder, source, rng))
            else:
                lost_s.append((kill_trial if kind == "kill" else power_trial)(folder, rng))
            shutil.rmtree(folder)
            progress(f"\r{kind}: {number + 1}/{count}")
    return lost_s


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, action="append", help="only this kind; may be repeated")
    arguments = parser.parse_args()
    for kind in arguments.kind or KINDS:
        lost_s = run(kind, arguments.count, arguments.seed, lambda text: print(text, end="", file=sys.stderr))
        print(
            f"\r{kind}: {len(lost_s)} trials, all opened, no wrong value; lost at most {max(lost_s):.3f} s, "
            f"median {float(np.median(lost_s)):.3f} s"
        )


if __name__ == "__main__":
    main()
