"""Each page as a user walks it, in a real browser on a real server; a recording through a real device file."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import builders
import pytest
from pty_rig import PtyInstrument
from run_page import begin_recording

from daq.session import open_session
from dashboard.display import write_time

pytestmark = pytest.mark.browser
playwright = pytest.importorskip("playwright.sync_api")
expect = playwright.expect

SAMPLE_LOGS = Path(__file__).parent.parent / "sample_logs"
SETTINGS = {
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
}
LONGEST_MS = 30_000
PLOT = "const plot = document.querySelector('#review-traces .js-plotly-plot');"
FOLLOWING = "#review-traces .js-plotly-plot[data-following]"  # the page's script has taken the picture over
ON_A_LINE = """
    const line = plot._fullData.find((trace) => trace.name === "cylinder 3"), middle = line.x.length >> 1;
    const across = plot._fullLayout.xaxis, up = plot._fullLayout["yaxis" + line.yaxis.slice(1)];
    const box = plot.getBoundingClientRect();
    return [
        box.x + across._offset + across.l2p(line.x[middle]), box.y + up._offset + up.l2p(line.y[middle]),
    ];
"""
PAGES = ("/", "/review?session=boat", "/balance?session=boat", "/trims?session=boat", "/sessions", "/balance")


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    """Debian's Chromium, or the one that EVENBURN_CHROMIUM names."""
    found = os.environ.get("EVENBURN_CHROMIUM") or shutil.which("chromium")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no Chromium: install Debian's chromium, or name one in EVENBURN_CHROMIUM")
        pytest.skip("no Chromium: name one in EVENBURN_CHROMIUM")
    return {"executable_path": found, "args": sorted(SETTINGS)}


@pytest.fixture(scope="session")
def browser_context_args() -> dict[str, Any]:
    """A small laptop."""
    return {"viewport": {"width": 1366, "height": 768}, "accept_downloads": True}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two invented sessions and a setup for the pty instrument."""
    folder = tmp_path_factory.mktemp("sessions")
    shutil.copytree(SAMPLE_LOGS / "work-boat", folder / "boat")
    shutil.copytree(SAMPLE_LOGS / "work-boat-trimmed", folder / "boat trimmed")
    (folder / "launch.toml").write_text(
        builders.setup_text("Harbour launch", {"all": (1, 2, 3, 4)}, unit="C"), encoding="utf-8"
    )
    return folder


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[str]:
    """`evenburn view` on that folder: its address. It must stop cleanly, and soon, with pages still open."""
    command = [sys.executable, "-m", "dashboard.cli", "view", str(folder), "--port", "0", "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    line = process.stdout.readline()
    address = re.search(r"http://\S+?/", line)
    assert address is not None, line
    yield address[0]
    begun = time.monotonic()
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0
    assert time.monotonic() - begun < 10
    process.stdout.close()


@pytest.fixture
def watched(page: Any, server: str) -> Iterator[Any]:
    """A page that may ask only our own server for anything, and whose console must stay silent."""
    page.set_default_timeout(LONGEST_MS)
    expect.set_options(timeout=LONGEST_MS)
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "request", lambda r: wrong.append(r.url) if not r.url.startswith((server, "data:", "blob:")) else None
    )
    yield page
    assert wrong == []


def ready(page: Any, server: str, path: str) -> None:
    """Open a page and wait until nothing on it is still being worked on."""
    page.goto(server.rstrip("/") + path)
    page.wait_for_selector("main h1", state="attached")
    page.wait_for_function(
        "() => !document.querySelector('.busy') && !document.querySelector('._dash-loading')"
    )


class Launch:
    """An inline four at 50 lines a second on a pty; `lean_C` is what cylinder 3 reads more than the others."""

    def __init__(self, path: Path) -> None:
        self.instrument = PtyInstrument(path)
        self.lean_C = 0.0
        self.open_circuit = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        columns = "time_ms,egt1_C,egt2_C,egt3_C,egt4_C,lambda_all_lambda,rpm,map_kPa"
        begun, count = time.monotonic(), 0
        while not self._stop.is_set():
            head = f"#{columns}\n" if count % 100 == 0 else ""
            fourth = "open" if self.open_circuit else "699.0"
            values = f"{count * 20},701.0,700.0,{700.0 + self.lean_C:.1f},{fourth},0.870,2400,61.5"
            with contextlib.suppress(TimeoutError):  # while nobody listens
                self.instrument.say(f"{head}{values}\n".encode(), timeout_s=0.05)
            count += 1
            self._stop.wait(max(0.0, begun + count * 0.02 - time.monotonic()))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.instrument.unplug()


@pytest.fixture
def launch(tmp_path: Path) -> Iterator[Launch]:
    launch = Launch(tmp_path / "port")
    yield launch
    launch.close()


# The deviation at which bead number i stands between the two named lines of its rail [°C].
BEAD_BY_ITS_SCALE = """i => {
  const rail = document.querySelector("#rails .rail"), heights = [], names = [];
  rail.querySelectorAll("line.tick").forEach(line => heights.push(+line.getAttribute("y1")));
  rail.querySelectorAll("[data-side]").forEach(text => names.push(parseFloat(text.textContent.replace("−", "-"))));
  const bead = rail.querySelectorAll("g")[i].getAttribute("transform").match(/ ([-\\d.]+)\\)/);
  return names[0] + (bead[1] - heights[0]) / (heights[1] - heights[0]) * (names[1] - names[0]);
}"""


def test_record_see_it_go_lean_mark_and_stop(watched: Any, server: str, folder: Path, launch: Launch) -> None:
    page = watched
    ready(page, server, "/")
    begin_recording(page, "launch.toml", launch.instrument.path, "first run")
    deviation = page.locator("#rails .deviation")
    expect(deviation).to_have_count(4)
    expect(deviation.nth(2)).to_have_text("0")
    launch.lean_C = 40.0
    lean_since = time.monotonic()
    expect(deviation.nth(2)).to_have_text("+30")  # three quarters of it: the mean of four goes with it
    assert (
        time.monotonic() - lean_since < 5.0
    )  # within a second by its benchmark; here the machine may be busy
    expect(page.locator("#rails .absolute").nth(2)).to_have_text("740")
    shown_C = page.evaluate(BEAD_BY_ITS_SCALE, 2)
    assert shown_C == pytest.approx(30.0, abs=1.0), "the bead stands where the scale beside it says"
    expect(page.locator("#live-session")).to_have_text("first run")
    launch.open_circuit = True
    expect(deviation.nth(3)).to_have_text("open")
    expect(page.locator("#alarms")).to_contain_text("cylinder 4")
    page.fill("#mark-words", "cowl on")
    page.locator("body").click(position={"x": 700, "y": 5})
    page.keyboard.press("m")
    expect(page.locator("#said")).to_contain_text("Marked at")
    page.click("#stop")
    expect(page.locator("#start-form")).to_be_visible()
    session = open_session(folder / "first run")
    assert session.stopped and session.problems == ()
    assert [m.text for m in session.marks if m.kind == "operator"] == ["cowl on"]
    counter = session.tables["main"].column("time_ms")
    assert (counter[1:] - counter[:-1] == 20).all()  # no line was lost
    page.click("#said a")
    expect(page.locator("h1")).to_have_text("Balance of first run")


def test_a_recording_from_a_silent_port_can_be_stopped(
    watched: Any, server: str, folder: Path, tmp_path: Path
) -> None:
    page = watched
    instrument = PtyInstrument(tmp_path / "silent")
    ready(page, server, "/")
    begin_recording(page, "launch.toml", instrument.path, "silent run")
    expect(page.locator("#said")).to_contain_text("Waiting for the first samples")
    page.click("#stop")
    expect(page.locator("#start-form")).to_be_visible()
    instrument.unplug()


def test_guided_sweep_shows_its_cautions_before_anything_else(
    watched: Any, server: str, launch: Launch
) -> None:
    page = watched
    ready(page, server, "/")
    begin_recording(page, "launch.toml", launch.instrument.path, "sweep run")
    page.click("#sweep-before summary")
    expect(page.locator("#sweep-before")).to_contain_text("Moderate load only")
    expect(page.locator("#sweep-during")).to_be_hidden()
    page.click("#sweep-begin")
    expect(page.locator("#sweep-said")).to_contain_text("Steady at 2400 1/min")
    expect(page.locator("#target-0")).to_have_text("target 0.840")
    launch.open_circuit = True
    expect(page.locator("#alarms")).to_contain_text("cylinder 4")
    expect(page.locator("#stop")).to_be_in_viewport(ratio=1)
    page.click("#sweep-leave")
    expect(page.locator("#sweep-during")).to_be_hidden()
    page.click("#stop")
    expect(page.locator("#start-form")).to_be_visible()


def test_review_zoom_choose_a_stretch_follow_and_lay_over(watched: Any, server: str) -> None:
    page = watched
    ready(page, server, "/review?session=boat")
    expect(page.locator("#review-range-content h2")).to_have_text("The whole session")
    page.wait_for_selector(FOLLOWING)
    box = page.locator("#review-traces .nsewdrag").nth(1).bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + 60, steps=5)
    page.mouse.up()
    expect(page.locator("#review-range-content h2")).to_contain_text("In view: 2:")
    begins, *_, ends = page.evaluate(f"() => {{ {PLOT} return Array.from(plot._fullData[0].x); }}")
    assert 100 < begins < ends  # what was drawn of the rest is gone
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, box["y"] + 60)
    expect(page.locator("#review-range-content h2")).to_have_text("The whole session")
    expect(page.locator("#review-cylinders .followed")).to_have_count(0)  # as a single click would have
    page.fill("#mark-time", "42.5")
    page.fill("#mark-text", "cowl on")
    page.click("#mark-add")
    marked = "plot.data.some((trace) => (trace.hovertext || []).some((text) => text.endsWith('cowl on')))"
    page.wait_for_function(f"() => {{ {PLOT} return {marked}; }}")
    chosen = page.locator("#review-stretch input:checked")
    expect(chosen).to_have_value(",")
    page.locator("#review-stretch label", has_text=re.compile("^steady")).first.click()
    expect(page.locator("#review-range-content h2")).to_contain_text("In view:")
    while not chosen.locator("xpath=ancestor::label").inner_text().startswith("sweep"):
        page.keyboard.press("ArrowDown")
    start, end = [float(time_s) for time_s in chosen.input_value().split(",")]
    expect(page.locator("#review-range-content h2")).to_have_text(
        f"In view: {write_time(start)} to {write_time(end)}"
    )
    expect(page.locator("#review-range-content table")).to_contain_text("lean")
    page.get_by_role("link", name="5", exact=True).click()
    expect(page.get_by_role("link", name="5", exact=True)).to_have_class(re.compile("followed"))
    expect(page.locator("#review-range-content h2")).to_have_text(
        f"In view: {write_time(start)} to {write_time(end)}"
    )
    expect(chosen).to_have_value(f"{start:.3f},{end:.3f}")
    page.fill("#review-end", str(end - 10))
    page.click("#review-show")
    expect(page.locator("#review-range-content h2")).to_have_text(
        f"In view: {write_time(start)} to {write_time(end - 10)}"
    )
    expect(chosen).to_have_count(0)
    page.evaluate("scrollTo(0, 0)")
    plot = page.locator("#review-traces .nsewdrag").nth(1).bounding_box()
    page.mouse.dblclick(plot["x"] + plot["width"] * 0.5, plot["y"] + 60)
    expect(page.locator("#review-range-content h2")).to_have_text("The whole session")
    expect(chosen).to_have_value(",")
    page.wait_for_timeout(500)  # a click sooner would be the third of the double one
    bar = page.locator("#review-traces .barlayer .point").first.bounding_box()
    page.mouse.click(bar["x"] + bar["width"] / 2, bar["y"] + bar["height"] / 2)
    expect(chosen.locator("xpath=ancestor::label")).to_contain_text("steady")
    x, y = page.evaluate(f"() => {{ {PLOT} {ON_A_LINE} }}")
    page.mouse.click(x, y)
    expect(page.locator("#review-cylinders .followed")).to_have_text("3")
    expect(chosen.locator("xpath=ancestor::label")).to_contain_text("steady")
    page.get_by_text("Lay another session over this one").click()
    page.get_by_role("link", name="boat trimmed").click()
    expect(page.locator("#review-over-content")).to_contain_text("Dotted: boat trimmed, moved by")
    dotted = "plot.data.find((trace) => (trace.name || '').startsWith('boat trimmed:'))"
    page.wait_for_function(f"() => {{ {PLOT} return {dotted}; }}")
    page.fill("#review-shift", "10000")  # which leaves nothing of it in view
    page.wait_for_function(f"() => {{ {PLOT} return {dotted}.x.length < 3; }}")
    ready(page, server, "/review?session=boat&start=100&end=200")  # all is known: the page comes complete
    page.wait_for_selector(FOLLOWING)
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, box["y"] + 60)
    page.wait_for_function(f"() => {{ {PLOT} return Array.from(plot._fullData[0].x).at(-1) > 250; }}")
    ready(page, server, "/review?session=boat&cylinder=5")
    page.get_by_role("link", name="Balance", exact=True).click()  # the followed cylinder comes along
    expect(page.get_by_role("link", name="5", exact=True)).to_have_class(re.compile("followed"))


def test_correct_the_setup_and_see_the_session_analysed_again(
    watched: Any, server: str, folder: Path
) -> None:
    page = watched
    shutil.copytree(folder / "boat", folder / "mistaken")
    samples = (folder / "mistaken" / "main.csv").read_bytes()
    ready(page, server, "/review?session=mistaken")
    page.get_by_text("Correct the setup").click()
    page.locator("#swap-first").fill("5")
    page.locator("#swap-second").fill("7")
    page.click("#swap")
    expect(page.locator("#setup-said")).to_contain_text("Swapped")
    page.click("#setup-save")
    expect(page.locator("#setup-said")).to_contain_text("Saved")
    expect(page.locator("#review-range-content tr", has_text=re.compile(r"^7")).first).to_contain_text("lean")
    assert (folder / "mistaken" / "setup.toml.1").is_file()
    assert (folder / "mistaken" / "main.csv").read_bytes() == samples


def test_trims_follow_the_limits_and_are_exported(watched: Any, server: str, tmp_path: Path) -> None:
    page = watched
    ready(page, server, "/trims?session=boat")
    expect(page.locator(".cautions")).to_be_visible()
    row = page.locator(".steps tr", has_text=re.compile("^5"))
    expect(row).to_contain_text(
        re.compile(r"\+[2-3]\.\d %")
    )  # cylinder 5 of the work boat was made 3.1 % lean
    page.locator("#limit-step_percent").fill("1")
    page.keyboard.press("Tab")
    expect(row).to_contain_text("+1.0 %")
    with page.expect_download() as download:
        page.get_by_role("link", name="trims.pdf").click()
    download.value.save_as(tmp_path / "trims.pdf")
    assert (tmp_path / "trims.pdf").read_bytes().startswith(b"%PDF")


def test_balance_shows_the_picture_that_convinces(watched: Any, server: str) -> None:
    page = watched
    ready(page, server, "/balance?session=boat")
    expect(page.locator(".summary")).to_contain_text("cylinder")
    expect(page.get_by_text("each moved by its offset: one curve").first).to_be_visible()
    page.get_by_text(re.compile("^Cylinder 5:")).click()
    expect(page.get_by_text("Uncertainty budget of cylinder 5")).to_be_visible()


def test_delete_asks_first_and_moves_to_the_trash(watched: Any, server: str, folder: Path) -> None:
    page = watched
    shutil.copytree(folder / "boat", folder / "unwanted")
    ready(page, server, "/sessions")
    card = page.locator(".card", has_text="unwanted")
    button = card.get_by_role("button", name="Move to the trash")
    expect(button).to_be_hidden()
    card.get_by_text("Delete").click()
    button.click()
    expect(page.locator("#sessions-said")).to_contain_text("unwanted was moved")
    assert (folder / "trash" / "unwanted" / "main.csv").is_file()


def test_display_choices_last_and_reach_the_keyboard(watched: Any, server: str) -> None:
    page = watched
    ready(page, server, "/balance?session=boat")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Skip to the content")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Display":
            break
    page.keyboard.press("Enter")
    with page.expect_navigation():
        page.get_by_role("button", name="°F").click()
    expect(page.get_by_text(re.compile("°F")).first).to_be_attached()
    page.get_by_text("Display", exact=True).click()
    with page.expect_navigation():
        page.get_by_role("button", name="dark").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    expect(page.get_by_text(re.compile("± [0-9.]+ °F")).first).to_be_attached()


@pytest.mark.parametrize(("width", "theme"), [(1366, "light"), (390, "dark")])
def test_no_page_has_a_serious_accessibility_issue_or_scrolls_sideways(
    browser: Any, server: str, width: int, theme: str
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=theme)
    page = context.new_page()
    page.set_default_timeout(LONGEST_MS)
    for path in PAGES:
        ready(page, server, path)
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        found = axe.run(page).response["violations"]
        serious = [
            (v["id"], [n["target"] for n in v["nodes"]][:3])
            for v in found
            if v["impact"] in {"serious", "critical"}
        ]
        assert serious == [], f"{path} at {width} in {theme}"
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    context.close()
