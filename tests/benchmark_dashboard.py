"""How fast the dashboard is: byte at the port to pixel, first paint and zoom of a long session, payload.

    python tests/benchmark_dashboard.py [--seconds 30] [--hours 10]

Everything runs on this machine: a pty that prints 50 lines a second, the recorder, the server, and Chromium
without a graphics card. "Pixel" is the next animation frame after the page has drawn. No figure here is a test.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import builders
import numpy as np
from playwright.sync_api import Page, sync_playwright
from pty_rig import PtyInstrument
from run_page import begin_recording

from daq.session import open_session

RATE_HZ = 50
BANKS = {"port": (1, 3, 5, 7), "starboard": (2, 4, 6, 8)}
COLUMNS = [
    "time_ms",
    *(f"egt{c}_C" for c in range(1, 9)),
    *(f"lambda_{b}_lambda" for b in BANKS),
    "rpm",
    "map_kPa",
]
WATCH = """() => {
  window.drawn = [];
  new MutationObserver(() => {
    const t = Number(document.getElementById('board').dataset.t);
    requestAnimationFrame(() => window.drawn.push([t, performance.timeOrigin + performance.now()]));
  }).observe(document.getElementById('board'), { attributeFilter: ['data-t'] });
}"""
ZOOM = """([start, end]) => new Promise((done) => {
  const plot = document.querySelector('#review-traces .js-plotly-plot');
  const begun = performance.now(), before = plot.data[0].x;
  const painted = () => {  // first the browser's own painting of the old points, in the end that of new ones
    if (plot.data[0].x === before) return;
    plot.removeListener('plotly_afterplot', painted);
    requestAnimationFrame(() => done(performance.now() - begun));
  };
  plot.on('plotly_afterplot', painted);
  Plotly.relayout(plot, { 'xaxis2.range[0]': start, 'xaxis2.range[1]': end });
})"""


def main() -> None:
    """Run both measurements and print their figures."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=30.0, help="length of the live measurement")
    options.add_argument("--hours", type=float, default=10.0, help="length of the session to review")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        os.environ["XDG_CACHE_HOME"] = f"{name}/.cache"
        (folder / "engine.toml").write_text(builders.setup_text(banks=BANKS, unit="C"), encoding="utf-8")
        chromium = os.environ.get("EVENBURN_CHROMIUM") or shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        server, address = start_server(folder)
        try:
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.set_default_timeout(180_000)
            live(page, address, folder, chosen.seconds)
            review(page, address, folder, chosen.hours)
            stop(server)
            server, address = start_server(folder)
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            print(
                f"  first paint, new server, session read by an earlier one: {first_paint_s(page, address):.2f} s"
            )
        finally:
            stop(server)
            browser.close()


def stop(server: subprocess.Popen[str]) -> None:
    """End the dashboard as Ctrl-C does."""
    server.send_signal(signal.SIGINT)
    server.wait(20)


def start_server(folder: Path) -> tuple[subprocess.Popen[str], str]:
    """The dashboard on `folder` and its address."""
    command = [sys.executable, "-m", "dashboard.cli", "view", str(folder), "--port", "0", "--no-browser"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    found = re.search(r"http://\S+?/", server.stdout.readline())
    assert found is not None
    return server, found[0]


def live(page: Page, address: str, folder: Path, seconds: float) -> None:
    """Print how long after a line's last byte went into the port the page had drawn it."""
    sent: dict[int, float] = {}
    stop = threading.Event()
    instrument = PtyInstrument(folder / "port")
    writer = threading.Thread(target=say_lines, args=(instrument, sent, stop))
    writer.start()
    page.goto(address)
    begin_recording(page, "engine.toml", instrument.path, "latency")
    page.wait_for_selector("#board[data-t]")
    page.evaluate(WATCH)
    page.wait_for_timeout(seconds * 1000)
    drawn = page.evaluate("window.drawn")
    page.click("#stop")
    page.wait_for_selector("#start-form:not([hidden])")
    stop.set()
    writer.join()
    instrument.unplug()
    table = open_session(folder / "latency").tables["main"]
    counters = table.column("time_ms").astype(int)
    lost = int(np.count_nonzero(np.diff(counters) != 1000 // RATE_HZ))
    delays = []
    for time_s, pixel_ms in drawn:
        line = int(np.searchsorted(table.host_s, time_s + 0.0006)) - 1
        delays.append(pixel_ms - sent[int(counters[line])] * 1000)
    print(f"live, {RATE_HZ} lines/s, 8 cylinders: {len(drawn)} drawings in {seconds:.0f} s")
    print(f"  byte at the port to pixel: {quantiles(delays)} ms; lines lost by the recorder: {lost}")


def say_lines(instrument: PtyInstrument, sent: dict[int, float], stop: threading.Event) -> None:
    """50 lines a second, with the wall-clock time [s] at which each was sent, by its counter [ms]."""
    begun, count = time.monotonic(), 0
    rng = np.random.default_rng(1)
    while not stop.is_set():
        egt = ",".join(f"{t:.1f}" for t in 700 + rng.normal(0, 3, 8))
        head = f"#{','.join(COLUMNS)}\n" if count % 200 == 0 else ""
        line = f"{head}{count * 20},{egt},0.87,0.88,2400,61.5\n".encode()
        sent[count * 20] = time.time()
        with contextlib.suppress(TimeoutError):  # while nobody listens
            instrument.say(line, timeout_s=0.01)
        count += 1
        stop.wait(max(0.0, begun + count / RATE_HZ - time.monotonic()))


def review(page: Page, address: str, folder: Path, hours: float) -> None:
    """Print first paint, zoom and payload of a long session."""
    size_MB = write_long_session(folder / "long", hours)
    print(f"review, {hours:.0f} h at {RATE_HZ} Hz, 8 cylinders ({size_MB:.0f} MB)")
    print(f"  first paint, session not read before: {first_paint_s(page, address):.2f} s")
    page.wait_for_function("() => document.querySelector('#review-range-content h2')")
    other = page.context.browser.new_page()
    print(f"  first paint, session read before, browser cache cold: {first_paint_s(other, address):.2f} s")
    other.close()
    print(f"  first paint, session read before: {first_paint_s(page, address):.2f} s")
    page.wait_for_function("() => document.querySelector('#review-range-content h2')")
    page.wait_for_timeout(3000)
    rng, times, answers = np.random.default_rng(2), [], []
    page.on("response", lambda r: answers.append(r) if "/traces?" in r.url else None)
    for _ in range(40):
        start, length = rng.uniform(0, hours * 3000), rng.uniform(60, hours * 600)
        times.append(page.evaluate(ZOOM, [start, start + length]))
        page.wait_for_timeout(rng.uniform(300, 3000))  # the part that was in view may or may not be analysed
    print(f"  zoom: {quantiles(times)} ms")
    sizes = [len(a.body()) for a in answers]
    print(f"  payload of one zoom: {np.median(sizes) / 1000:.0f} kB")
    scripts = page.evaluate(
        "performance.getEntriesByType('resource').reduce((n, r) => n + r.decodedBodySize, 0)"
    )
    print(f"  everything the page loads: {scripts / 1e6:.1f} MB")


def first_paint_s(page: Page, address: str) -> float:
    """Seconds from asking for the review page to its picture on the screen."""
    begun = time.perf_counter()
    page.goto(f"{address}review?session=long", wait_until="commit")
    page.wait_for_selector("#review-traces .scatterlayer .js-line", state="attached", timeout=180_000)
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return time.perf_counter() - begun


def write_long_session(folder: Path, hours: float) -> float:
    """An invented session of holds, sweeps and idling; returns its size [MB]."""
    folder.mkdir()
    (folder / "setup.toml").write_text(builders.setup_text(banks=BANKS, unit="C"), encoding="utf-8")
    (folder / "marks.jsonl").write_text('{"time_s":0,"kind":"start","text":"recording started"}\n')
    n, rng = int(hours * 3600 * RATE_HZ), np.random.default_rng(3)
    time_s = np.arange(n) / RATE_HZ
    running = (time_s % 1800) > 120
    lambda_ = 0.86 + 0.11 * np.clip(np.sin(time_s / 240), 0, 1)
    rows = np.empty((n, 13))
    rows[:, 0] = time_s
    rows[:, 1:9] = np.where(running, 620 + 700 * (lambda_ - 0.8), 80)[:, None] + np.arange(8) * 3
    rows[:, 1:9] += rng.normal(0, 2, (n, 8))
    rows[:, 9:11] = lambda_[:, None]
    rows[:, 11] = np.where(running, 2400, 0)
    rows[:, 12] = np.where(running, 60, 100)
    import pandas as pd

    names = ["host_s", *COLUMNS[1:]]
    pd.DataFrame(rows, columns=names).to_csv(
        folder / "main.csv", index=False, float_format="%.3f", lineterminator="\n"
    )
    return (folder / "main.csv").stat().st_size / 1e6


def quantiles(values: Any) -> str:
    """'median 12, p95 30, worst 41'."""
    p50, p95, worst = np.percentile(values, [50, 95, 100])
    return f"median {p50:.0f}, p95 {p95:.0f}, worst {worst:.0f}"


if __name__ == "__main__":
    main()
