"""Pictures of every page in both themes, on a laptop's and a phone's screen, to be looked at; no test.

    python tests/screenshots.py FOLDER

The sessions are the sample logs; the run page shows an invented inline four with a lean cylinder on a pty.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import threading
from pathlib import Path

import builders
from benchmark_dashboard import start_server, stop
from playwright.sync_api import Browser, Page, sync_playwright
from pty_rig import PtyInstrument
from run_page import begin_recording

SAMPLE_LOGS = Path(__file__).parent.parent / "sample_logs"
SIZES = {"laptop": (1366, 768), "phone": (390, 844)}
COOKIES = {"light": "light.C.lambda", "dark": "dark.F.afr"}
PAGES = {
    "idle": "/",
    "review": "/review?session=boat&over=boat+trimmed",
    "review-followed": "/review?session=boat&cylinder=5&start=100&end=330",
    "balance": "/balance?session=boat",
    "balance-faulty": "/balance?session=faulty",
    "trims": "/trims?session=boat",
    "sessions": "/sessions",
    "fitting": "/fitting",
    "choice": "/review",
}


def main() -> None:
    """Write a PNG of each page, size and theme."""
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        samples = {
            "boat": "work-boat",
            "boat trimmed": "work-boat-trimmed",
            "faulty": "inline-four-broken-probe",
        }
        for session, sample in samples.items():
            shutil.copytree(SAMPLE_LOGS / sample, folder / session)
        text = builders.setup_text("Harbour launch", {"all": (1, 2, 3, 4)}, unit="C")
        (folder / "launch.toml").write_text(text, encoding="utf-8")
        chromium = os.environ.get("EVENBURN_CHROMIUM") or shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        server, address = start_server(folder)
        try:
            for kind in COOKIES:
                for screen in SIZES:
                    page = opened(browser, address, kind, screen)
                    for name_of_page, path in PAGES.items():
                        picture(page, address, path, target / f"{name_of_page}-{screen}-{kind}.png")
                    page.context.close()
            live(browser, address, folder, target)
        finally:
            stop(server)
            browser.close()


def opened(browser: Browser, address: str, kind: str, screen: str) -> Page:
    """A page of a device with that screen and that choice of theme and units."""
    width, height = SIZES[screen]
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_cookies([{"name": "evenburn_display", "value": COOKIES[kind], "url": address}])
    page = context.new_page()
    page.set_default_timeout(60_000)
    return page


def picture(page: Page, address: str, path: str, file: Path) -> None:
    """The whole page as it is when nothing is being worked on any more."""
    page.goto(address.rstrip("/") + path)
    page.wait_for_selector("main h1", state="attached")
    page.reload()  # the first visit tells the server that the screen is narrow
    page.wait_for_selector("main h1", state="attached")
    for _ in range(3):  # what is ready may show what is to be waited for next
        page.wait_for_timeout(1500)
        page.wait_for_function(
            "() => !document.querySelector('.busy') && !document.querySelector('._dash-loading')"
        )
    page.screenshot(path=file, full_page=True)


def live(browser: Browser, address: str, folder: Path, target: Path) -> None:
    """The run page during a recording, one cylinder lean and one probe open, before and in a guided sweep."""
    instrument, over = PtyInstrument(folder / "port"), threading.Event()
    writer = threading.Thread(target=say_lines, args=(instrument, over))
    writer.start()
    page = opened(browser, address, "light", "laptop")
    page.goto(address)
    begin_recording(page, "launch.toml", instrument.path, "sweep of the launch")
    page.wait_for_selector("#board[data-t]")
    for kind in COOKIES:
        for screen in SIZES:
            watching = opened(browser, address, kind, screen)
            watching.goto(address)
            watching.reload()
            watching.wait_for_selector("#board[data-t]")
            watching.wait_for_timeout(4000)
            watching.screenshot(path=target / f"run-{screen}-{kind}.png", full_page=True)
            watching.click("#sweep-before summary")
            watching.screenshot(path=target / f"run-cautions-{screen}-{kind}.png", full_page=True)
            watching.context.close()
    page.click("#sweep-before summary")
    page.click("#sweep-begin")
    page.wait_for_timeout(3000)
    page.screenshot(path=target / "run-sweep-laptop-light.png", full_page=True)
    page.click("#stop")
    page.wait_for_selector("#start-form:not([hidden])")
    over.set()
    writer.join()
    instrument.unplug()


def say_lines(instrument: PtyInstrument, over: threading.Event) -> None:
    """50 lines a second: cylinder 3 is 24 °C hotter, the probe of cylinder 4 opens after 20 s."""
    columns = "time_ms,egt1_C,egt2_C,egt3_C,egt4_C,lambda_all_lambda,rpm,map_kPa"
    count = 0
    while not over.wait(0.02):
        head = f"#{columns}\n" if count % 100 == 0 else ""
        fourth = "open" if count > 1000 else f"{691 - count % 7 / 10:.1f}"
        line = f"{count * 20},{704 + count % 9 / 10:.1f},699.2,{724 + count % 5 / 4:.1f},{fourth},0.868,2400,61.5\n"
        with contextlib.suppress(TimeoutError):  # while nobody listens
            instrument.say((head + line).encode(), timeout_s=0.05)
        count += 1


if __name__ == "__main__":
    main()
