"""Whether a long recording stays as small as it began, and loses nothing: run by hand, not a test.

    python tests/benchmark_soak.py [--hours 24] [--minutes 60]

1. `--hours` of virtual time, 20 lines/s, as fast as they can be written: a replugging every 10 minutes, damaged lines
   and remarks in between.
2. `--minutes` of real time: `evenburn record` in a process of its own reads a pseudo-terminal at 50 lines/s, which is
   unplugged for 3 s every 5 minutes. Lines carry their number, so that a single lost one is seen.
Memory is that of the recording process alone (anonymous, and what was swapped); descriptors are counted in /proc.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from benchmark_acquisition import COLUMNS, HEADER, REST, SETUP
from pty_rig import PtyInstrument, wait_for

from daq.inbox import Inbox
from daq.reader import Found, Lost, Received
from daq.recorder import QUEUE_BYTES
from daq.recording import Recording
from daq.session import SessionWriter, open_session
from daq.setupfile import parse_setup

RATE_HZ = 50
NUMBERED = REST.rpartition(",")[0] + ","  # the last column carries the line's number
LOOK_EVERY_S, REPLUG_EVERY_S, UNPLUGGED_S = 10.0, 300.0, 3.0


@dataclass(frozen=True)
class Look:
    """A process at one moment: hours since the beginning, memory [MB], open descriptors, CPU time [s]."""

    at_h: float
    memory_MB: float
    descriptors: int
    cpu_s: float


def look(pid: int, at_h: float) -> Look:
    """The process `pid` now."""
    process = Path(f"/proc/{pid}")
    status = (process / "status").read_text().splitlines()
    kB = sum(int(line.split()[1]) for line in status if line.startswith(("RssAnon:", "VmSwap:")))
    ticks = (process / "stat").read_text().rpartition(")")[2].split()[11:13]
    cpu_s = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
    return Look(at_h, kB / 1e3, len(list((process / "fd").iterdir())), cpu_s)


def tell(title: str, looks: list[Look], sent: int, written: int) -> None:
    """One line; memory at the end of each tenth, so that a plateau can be told from a slope."""
    tenths = [looks[round(k * (len(looks) - 1) / 10)].memory_MB for k in range(1, 11)]
    descriptors = [look.descriptors for look in looks[len(looks) // 10 :]]
    cpu = (looks[-1].cpu_s - looks[0].cpu_s) / (3600 * (looks[-1].at_h - looks[0].at_h))
    print(
        f"{title}: {written} of {sent} lines written; memory {' '.join(f'{MB:.1f}' for MB in tenths)} MB; "
        f"descriptors {min(descriptors)} to {max(descriptors)}, at the end {descriptors[-1]}; "
        f"CPU {100 * cpu:.2f} % of the time"
    )


def in_virtual_time(hours: float) -> None:
    """Drive the recorder's turns by a virtual clock, looking at this process every 10 virtual minutes."""
    folder = Path(tempfile.mkdtemp())
    now = [1000.0]
    writer = SessionWriter.create(folder / "session", SETUP, clock=lambda: now[0])
    inbox = Inbox(["main"], QUEUE_BYTES)
    recording = Recording(parse_setup(SETUP), inbox, writer)
    inbox.put("main", Received(now[0], HEADER.encode()))
    turn_s, lines, sent, looks = 0.5, 10, 0, [look(os.getpid(), 0.0)]
    for turn in range(1, round(hours * 3600 / turn_s) + 1):
        now[0] += turn_s
        if turn % 1200 == 600:
            inbox.put("main", Lost(now[0], "pulled"))
            inbox.put("main", Found(now[0] + 0.2, "/dev/ttyACM1", 0.2))
            inbox.put("main", Received(now[0] + 0.2, b"torn,1.0\n"))
        if turn % 100 == 50:
            inbox.put("main", Received(now[0], b"#warm-up\n12,\xff\xfe\n" + HEADER.encode()))
        stamps = [round((now[0] + i * turn_s / lines) * 1e6) % 2**32 for i in range(lines)]
        inbox.put("main", Received(now[0] + 0.3, "".join(f"{t}{REST}\n" for t in stamps).encode()))
        sent += lines
        recording.turn(writer.now_s + 0.4)
        if turn % 20 == 0:
            writer.sync()
        if turn % 1200 == 0:
            looks.append(look(os.getpid(), turn * turn_s / 3600))
    writer.close()
    tell(f"{hours:g} h of virtual time", looks, sent, recording.intakes["main"].samples)
    shutil.rmtree(folder)


def in_real_time(minutes: float) -> None:
    """Let `evenburn record` run beside this process, which is its instrument."""
    folder = Path(tempfile.mkdtemp())
    (folder / "setup.toml").write_text(SETUP, encoding="utf-8")
    device = PtyInstrument(folder / "port")
    recorder = subprocess.Popen(
        [
            *(sys.executable, "-m", "dashboard.cli", "record", str(folder / "setup.toml")),
            *("--out", str(folder / "session"), "--port", device.path),
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    marks = folder / "session" / "marks.jsonl"
    wait_for(lambda: marks.exists() and b'"start"' in marks.read_bytes(), "the recording starts", 60.0)
    looks, sent = play(device, recorder.pid, minutes)
    recorder.send_signal(signal.SIGINT)
    recorder.wait()
    device.unplug()
    session = open_session(folder / "session")
    seen = int(np.isin(np.arange(sent), session.tables["main"].column(COLUMNS[-1])).sum())
    kinds = sorted({mark.kind for mark in session.marks} - {"start", "stop"})
    tell(f"{minutes:g} min of real time", looks, sent, seen)
    print(f"  marks: {', '.join(kinds)}; problems: {session.problems or 'none'}; exit {recorder.returncode}")
    shutil.rmtree(folder)


def play(device: PtyInstrument, pid: int, minutes: float) -> tuple[list[Look], int]:
    """Send numbered lines on a fixed grid for `minutes`, replugging now and then: (looks, lines sent)."""
    began, paused_s, sent, looks = time.monotonic(), 0.0, 0, [look(pid, 0.0)]
    next_look_s, next_pull_s = LOOK_EVERY_S, REPLUG_EVERY_S
    device.say(HEADER.encode())
    while (elapsed_s := time.monotonic() - began) < 60 * minutes:
        if elapsed_s >= next_pull_s:
            replug(device)
            paused_s += time.monotonic() - began - elapsed_s
            next_pull_s += REPLUG_EVERY_S
        while sent < (time.monotonic() - began - paused_s) * RATE_HZ:
            device.say(f"{round(sent * 1e6 / RATE_HZ) % 2**32}{NUMBERED}{sent}\n".encode())
            sent += 1
        if elapsed_s >= next_look_s:
            looks.append(look(pid, elapsed_s / 3600))
            next_look_s += LOOK_EVERY_S
        time.sleep(1.0 / RATE_HZ)
    time.sleep(1.0)
    return looks, sent


def replug(device: PtyInstrument) -> None:
    """Pull the plug and put it back; what was sent is read before, since a cable's loss is not the recorder's."""
    time.sleep(1.0)
    device.unplug()
    time.sleep(UNPLUGGED_S)
    device.plug()
    time.sleep(UNPLUGGED_S)
    device.say(HEADER.encode())


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--hours", type=float, default=24.0)
    options.add_argument("--minutes", type=float, default=60.0)
    chosen = options.parse_args()
    if sys.platform != "linux":
        sys.exit("this benchmark reads /proc: Linux only")
    if chosen.hours:
        in_virtual_time(chosen.hours)
    if chosen.minutes:
        in_real_time(chosen.minutes)


if __name__ == "__main__":
    main()
