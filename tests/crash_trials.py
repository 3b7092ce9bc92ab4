"""Kills a recording at random moments and cuts its files at random bytes, and reads what is left.

    python tests/crash_trials.py --count 1000

Three kinds of trial, `count` of each:
kill   SIGKILL while recording. What had been handed to the disk stays: at most a second may be lost.
power  the same, and each file is cut between its length at the last sync and its last length, sometimes filled
       up with zeros, as after a power cut: nothing from before the last sync may be lost.
cut    any file cut at any byte: the session opens with every line that is still whole.
No value that is read may differ from the one that was recorded. Recording runs 20 times faster than the clock on
the wall, so that a trial of half a second holds a seal.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from session_rig import COLUMNS, SETUP, row

from daq.session import SessionWriter, open_session

SPEED = 20.0
RATE_HZ = 200.0
BATCH_S = 0.1
SYNC_EVERY_S = 1.0
FILES = ("main.csv", "marks.jsonl", "setup.toml")
_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload([__name__])


@dataclass(frozen=True)
class Synced:
    """What a completed sync has made safe: samples, and the length of each of `FILES`."""

    samples: int
    lengths: tuple[int, int, int]


def record_until_killed(folder: Path, told: Connection) -> None:
    """Record samples of the rig without end; tells each sample number before it is written, and each sync."""
    started_s = time.perf_counter()

    def clock() -> float:
        return SPEED * (time.perf_counter() - started_s)

    writer = SessionWriter.create(folder, SETUP, clock=clock)
    writer.header("main", COLUMNS)
    lock = threading.Lock()
    taken = 0

    def tell(what: object) -> None:
        with lock:
            told.send(what)

    def sync() -> None:
        while True:
            time.sleep(SYNC_EVERY_S / SPEED)
            before = taken
            lengths = tuple((folder / name).stat().st_size for name in FILES)
            writer.sync()
            tell(Synced(before, lengths))

    threading.Thread(target=sync, daemon=True).start()
    while True:
        time.sleep(BATCH_S / SPEED)
        due = int(writer.now_s * RATE_HZ)
        tell(due)
        numbers = range(taken, due)
        writer.append("main", [n / RATE_HZ for n in numbers], [row(n) for n in numbers])
        taken = due


def record_and_kill(folder: Path, after_s: float) -> tuple[int, Synced]:
    """(samples that the recorder had when it was killed, the last sync that it completed)."""
    receive, send = _FORKS.Pipe(duplex=False)
    process = _FORKS.Process(target=record_until_killed, args=(folder, send), daemon=True)
    process.start()
    send.close()
    taken, synced = 0, Synced(0, (0, 0, 0))
    receive.poll(20.0)  # until it records
    deadline_s = time.perf_counter() + after_s
    try:
        while (left_s := deadline_s - time.perf_counter()) > 0:
            if receive.poll(left_s):
                taken, synced = _told(receive, taken, synced)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        while receive.poll():
            taken, synced = _told(receive, taken, synced)
    except EOFError:
        pass
    receive.close()
    return taken, synced


def _told(receive: Connection, taken: int, synced: Synced) -> tuple[int, Synced]:
    what = receive.recv()
    return (taken, what) if isinstance(what, Synced) else (what, synced)


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
    taken, _ = record_and_kill(folder, rng.uniform(0.0, 0.7))
    lost_s = (taken - samples_read(folder)) / RATE_HZ
    assert lost_s <= 1.0, f"{folder}: {lost_s} s lost"
    return lost_s


def power_trial(folder: Path, rng: random.Random) -> float:
    """Seconds lost to a power cut."""
    taken, synced = record_and_kill(folder, rng.uniform(0.1, 0.7))
    for name, safe in zip(FILES, synced.lengths, strict=True):
        length = (folder / name).stat().st_size
        os.truncate(folder / name, rng.randint(min(safe, length), length))
        if rng.random() < 0.3:
            os.truncate(folder / name, length)  # grows again, filled with zeros
    read = samples_read(folder)
    assert read >= synced.samples, f"{folder}: {read} samples of {synced.samples} that had been synced"
    return (taken - read) / RATE_HZ


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
    arguments = parser.parse_args()
    for kind in ("kill", "power", "cut"):
        lost_s = run(kind, arguments.count, arguments.seed, lambda text: print(text, end="", file=sys.stderr))
        print(
            f"\r{kind}: {len(lost_s)} trials, all opened, no wrong value; lost at most {max(lost_s):.3f} s, "
            f"median {float(np.median(lost_s)):.3f} s"
        )


if __name__ == "__main__":
    main()
