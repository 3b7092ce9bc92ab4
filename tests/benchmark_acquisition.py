"""How much the recorder takes, and what it costs: a benchmark to be run by hand, not a test.

    python tests/benchmark_acquisition.py [--seconds 20]

1. 24 columns at 2 000 lines/s through a pseudo-terminal: lines lost, delay, CPU time.
2. The same at 100 lines/s: CPU time of the recorder as a share of one core.
The lines are sent by a process of their own, at times on a fixed grid, and carry the time of sending. Whether memory
and descriptors stay flat over hours is looked at by `benchmark_soak.py`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

import numpy as np
import pandas as pd
from pty_rig import PtyInstrument, wait_for

import daq.recorder
from daq.recorder import record
from daq.session import SessionWriter

CYLINDERS = 8
COLUMNS = ("time_us", "cj_C", *(f"egt{i}_mV" for i in range(1, CYLINDERS + 1)), "map_kPa", "rpm")
COLUMNS = (*COLUMNS, *(f"spare{i}_V" for i in range(24 - len(COLUMNS))))
HEADER = "#" + ",".join(COLUMNS) + "\n"
REST = ",25.12" + ",31.206" * CYLINDERS + ",82.13,2998" + ",1.8325" * (24 - 12)
SETUP = (
    '[engine]\nname = "work boat"\negt_limit_C = 900\n[conditions]\nload = "map_kPa"\n'
    f'[[bank]]\nname = "all"\ncylinders = {list(range(1, CYLINDERS + 1))}\n'
) + "".join(
    f'[[probe]]\ncylinder = {i}\ncolumn = "egt{i}_mV"\ncold_junction = "cj_C"\n'
    for i in range(1, CYLINDERS + 1)
)


def send(device: PtyInstrument, rate_Hz: float, seconds: float) -> None:
    """`rate_Hz`·`seconds` lines, each stamped with the time of its sending [µs on the host's clock]."""
    device.say(HEADER.encode())
    began, sent, total = time.perf_counter(), 0, round(rate_Hz * seconds)
    while sent < total:
        now = time.perf_counter()
        due = min(total, int((now - began) * rate_Hz) + 1)
        if due > sent:
            line = f"{round(now * 1e6) % 2**32}{REST}\n".encode()
            device.say(line * (due - sent))
            sent = due
        else:
            time.sleep(max(0.0, began + sent / rate_Hz - now))


class TimedWriter(SessionWriter):
    """Notes how long [ms] after its arrival the oldest sample of each batch was handed to the disk."""

    kept_ms: ClassVar[list[float]] = []

    def append(self, instrument: str, host_s: Sequence[float], fields: Sequence[Sequence[str]]) -> None:
        super().append(instrument, host_s, fields)
        self.kept_ms.append(1e3 * (self.now_s - host_s[0]))


def through_a_port(rate_Hz: float, seconds: float) -> None:
    """Record `seconds` [s] of lines at `rate_Hz` and print what became of them."""
    folder = Path(tempfile.mkdtemp())
    (folder / "setup.toml").write_text(SETUP, encoding="utf-8")
    device, stop = PtyInstrument(folder / "port"), threading.Event()
    queue_fill: list[float] = []
    TimedWriter.kept_ms.clear()
    daq.recorder.SessionWriter = TimedWriter  # type: ignore[misc]
    recording = threading.Thread(
        target=record,
        args=(folder / "setup.toml", folder / "session", {"main": device.path}, stop),
        kwargs={"on_status": lambda status: queue_fill.append(status.instruments[0].queue_fill)},
    )
    recording.start()
    wait_for(lambda: any(t.name == "read main" for t in threading.enumerate()), "the recording starts")
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    sender = multiprocessing.get_context("fork").Process(target=send, args=(device, rate_Hz, seconds))
    sender.start()
    sender.join()
    cpu_s, wall_s = time.process_time() - cpu_s, time.perf_counter() - wall_s
    time.sleep(0.2)
    stop.set()
    recording.join()
    report(
        folder / "session", rate_Hz, round(rate_Hz * seconds), cpu_s / wall_s, max(queue_fill, default=0.0)
    )
    device.unplug()
    shutil.rmtree(folder)


def report(session: Path, rate_Hz: float, sent: int, cpu: float, queue_fill: float) -> None:
    table = pd.read_csv(session / "main.csv")
    marks = (session / "marks.jsonl").read_text(encoding="utf-8")
    started_s = float(marks.partition('"clock_s":')[2].partition(",")[0])
    seen_us = np.round((table["host_s"].to_numpy() + started_s) * 1e6) % 2**32
    delay_ms = np.mod(seen_us - table["time_us"].to_numpy(), 2**32) / 1e3
    trouble = [kind for kind in ("dropped", "overflow", "gap", "restart") if f'"kind":"{kind}"' in marks]
    p50, p99, worst = np.percentile(delay_ms, [50, 99, 100])
    kept_p50, kept_p99 = np.percentile(TimedWriter.kept_ms, [50, 99])
    print(
        f"{rate_Hz:6.0f} lines/s, 24 columns: {len(table)} of {sent} recorded, marks of trouble: {trouble or 'none'}; "
        f"sent to read p50 {p50:.2f} p99 {p99:.2f} worst {worst:.1f} ms, "
        f"read to written p50 {kept_p50:.0f} p99 {kept_p99:.0f} ms; CPU {100 * cpu:.1f} % of one core; "
        f"fullest queue {100 * queue_fill:.2f} %"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=20.0)
    chosen = options.parse_args()
    if sys.platform != "linux":
        sys.exit("this benchmark reads /proc: Linux only")
    through_a_port(2000.0, chosen.seconds)
    through_a_port(100.0, chosen.seconds)
