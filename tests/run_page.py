"""The run page's form as a person fills it in; for browser tests, the benchmark and the pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the tests are skipped, not broken, where it is not installed
    from playwright.sync_api import Page


def begin_recording(page: Page, setup: str, port: str, name: str) -> None:
    """Begin to record on the run page that is open: a setup of the folder, the path of a port, the session's name."""
    page.select_option("#start-setup", setup)
    page.fill("#start-other-port", port)
    page.fill("#start-name", name)
    page.click("#start")
