"""What `evenburn balance` takes: CPU time beyond start-up by its parts, peak memory, and how both grow.

    python tests/benchmark_analysis.py [--hours 1 10] [--keep FOLDER]

Sessions of an unseen engine with eight cylinders at 50 Hz: a cold start, then holds and a sweep there and back, over
and over. Every figure comes from a process of its own. CPU time of the process, all its threads, is what counts: on a
busy machine the wall's clock says little.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import count, pairwise
from pathlib import Path

from unseen_engines import SCHEDULES, EngineTruth, Schedule, make_engine, setup_text
from unseen_engines.physics import simulate
from unseen_engines.schedule import CLOSING, opening
from unseen_engines.sensors import Readings, read

from daq.session import SessionWriter

RATE_HZ = 50
SEAL_EVERY = 10 * RATE_HZ
CYCLES_AT_ONCE = 3  # so much is simulated in one piece, and is in memory
TURNS = 5
#: hours -> most CPU time [s] beyond start-up
TARGETS_S = {1.0: 2.0, 10.0: 10.0}
LARGEST_MB, HELP_S = 1500.0, 0.3
IMPORTS = "import dashboard.commands.balance, analysis.balance, daq.physical, daq.session, dashboard.wording"
PARTS = ("open", "physical table", "balance")


def pieces(engine: EngineTruth, samples: int) -> Iterator[Readings]:
    """Readings of the engine's day in pieces that follow each other: started cold, then kept running."""
    cycle = SCHEDULES["return"][len(opening()) :]
    for number in count():
        schedule: Schedule = (*(opening() if number == 0 else CLOSING), *(cycle * CYCLES_AT_ONCE))
        readings = read(engine, simulate(engine, schedule, RATE_HZ, number), number)
        yield readings
        samples -= readings.time_s.size
        if samples <= 0:
            return


def rows(readings: Readings, first: int) -> Iterator[list[str]]:
    """The readings as an instrument prints them; `first`: number of the first one."""
    for k in range(readings.time_s.size):
        yield [
            str(5000 + (first + k) * 1000 // RATE_HZ),
            f"{readings.cold_junction_C[k]:.2f}",
            *(
                "open" if broken else f"{value:.4f}"
                for value, broken in zip(readings.egt_mV[k], readings.open_circuit[k], strict=True)
            ),
            *(f"{value:.4f}" for value in readings.lambda_V[k]),
            f"{readings.rpm[k]:.0f}",
            f"{readings.load_kPa[k]:.1f}",
            f"{readings.injector_ms[k]:.3f}",
        ]


def write(folder: Path, hours: float) -> None:
    """A session of `hours` in `folder`, sealed every 10 s like any other."""
    engine, total, written = make_engine("kinked", seed=5), round(hours * 3600 * RATE_HZ), 0
    columns = ["time_ms", "cj_C", *(f"egt{c}_mV" for c in engine.cylinders)]
    columns += [f"lambda_{name}_V" for name in engine.bank_names] + ["rpm", "map_kPa", "injector_ms"]
    now_s = [0.0]
    with SessionWriter.create(folder, setup_text(engine), clock=lambda: now_s[0]) as writer:
        writer.header("main", columns)
        batch: list[list[str]] = []
        for readings in pieces(engine, total):
            for row in rows(readings, written):
                if written == total:
                    break
                batch.append(row)
                written += 1
                if written % SEAL_EVERY == 0 or written == total:
                    host_s = [n / RATE_HZ + 0.003 for n in range(written - len(batch), written)]
                    now_s[0] = host_s[-1]
                    writer.append("main", host_s, batch)
                    writer.seal()
                    batch.clear()


def measure(folder: Path) -> dict[str, float]:
    """CPU time [s] of start-up and of each part, and the peak memory [MB] of this process."""
    from analysis.balance import balance
    from daq.physical import physical_table
    from daq.session import open_session

    times_s = [time.process_time()]
    session = open_session(folder)
    times_s.append(time.process_time())
    table = physical_table(session)
    del session
    times_s.append(time.process_time())
    found = balance(table)
    times_s.append(time.process_time())
    assert found.answered and not found.problems, found.problems
    parts = dict(zip(PARTS, (b - a for a, b in pairwise(times_s)), strict=True))
    peak_MB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return {**parts, "beyond start-up": times_s[-1] - times_s[0], "peak MB": peak_MB}


def in_a_fresh_process(folder: Path) -> dict[str, float]:
    """`measure` in a process of its own; the best of a few turns, since other work only ever slows one."""
    command = [sys.executable, __file__, "--measure", str(folder)]
    found = [json.loads(subprocess.run(command, check=True, capture_output=True).stdout) for _ in range(2)]
    return min(found, key=lambda one: one["beyond start-up"])


def cpu_s(*arguments: str) -> float:
    """CPU time [s] of Python with `arguments`, best of TURNS."""
    best_s = float("inf")
    for _ in range(TURNS):
        before = os.times()
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
        after = os.times()
        best_s = min(best_s, after[2] + after[3] - before[2] - before[3])  # of children: user, system
    return best_s


def tell(hours: float, found: dict[str, float], half: dict[str, float]) -> None:
    """The figures of one length beside those of half of it, and the targets."""
    parts = ", ".join(f"{name} {found[name]:.2f}" for name in PARTS)
    growth = found["beyond start-up"] / half["beyond start-up"]
    target_s = TARGETS_S.get(hours)
    print(
        f"{hours:g} h: {found['beyond start-up']:.2f} s CPU beyond start-up"
        + (f" (target {target_s:g})" if target_s else "")
        + f": {parts}; peak {found['peak MB']:.0f} MB (target {LARGEST_MB:.0f} at 10 h); of half the length "
        f"{growth:.2f} × the time and {found['peak MB'] / half['peak MB']:.2f} × the memory",
        flush=True,
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--hours", type=float, nargs="+", default=list(TARGETS_S))
    options.add_argument("--keep", type=Path, help="where the sessions are made, and used again")
    options.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.measure:
        print(json.dumps(measure(chosen.measure)))
        return
    print(f"evenburn --help: {cpu_s('-m', 'dashboard.cli', '--help'):.2f} s CPU (target {HELP_S:g})")
    print(f"start-up of evenburn balance: {cpu_s('-c', IMPORTS):.2f} s CPU", flush=True)
    with tempfile.TemporaryDirectory() as temporary:
        root = chosen.keep or Path(temporary)
        for hours in chosen.hours:
            found = {}
            for length in (hours / 2, hours):
                folder = root / f"{length:g}h"
                if not folder.exists():
                    write(folder, length)
                found[length] = in_a_fresh_process(folder)
            tell(hours, found[hours], found[hours / 2])


if __name__ == "__main__":
    main()
