"""Recording live at a terminal: one status line, and marks by the keyboard."""

from __future__ import annotations

import shutil
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.keys import key_presses
from dashboard.commands.output import printable
from dashboard.commands.stopping import until_stopped

if TYPE_CHECKING:
    from daq.recorder import RecorderStatus

LONGEST_MARK = 200
RUB_OUT = ("\x7f", "\b")


class StatusLine:
    """The terminal's last line: how the recording goes, and the mark being typed.

    Key m sets a numbered mark at once; a text typed and ended with Enter becomes a mark, Enter alone a numbered one.
    """

    def __init__(self, session: Path, seconds: float | None) -> None:
        self._session, self._seconds = session, seconds
        self._typed, self._number = "", 0
        self._line = ""
        self.latest: RecorderStatus | None = None

    def tell(self, status: RecorderStatus) -> None:
        """Show how the recording goes."""
        self.latest = status
        until = f" of {self._seconds:g}" if self._seconds else ""
        parts = [f"{status.elapsed_s:.0f}{until} s"]
        for i in status.instruments:
            dropped = sum(i.dropped.values())
            lost = f", {dropped} dropped" if dropped else ""
            parts.append(f"{i.name} {i.state}: {i.samples} samples, {i.rate_Hz:.0f}/s{lost}")
        parts += [f"ALARM {text}" for text in status.alarms]
        self._line = " | ".join((*parts, *status.problems))
        self._show()

    def press(self, key: str) -> None:
        """Take a key."""
        if key in ("\r", "\n") or (key in "mM" and not self._typed):
            self._mark()
        elif key in RUB_OUT:
            self._typed = self._typed[:-1]
        elif key.isprintable():
            self._typed = (self._typed + key)[:LONGEST_MARK]
        self._show()

    def _mark(self) -> None:
        from daq.session import add_mark

        text = self._typed.strip()
        if not text:
            self._number += 1
            text = f"mark {self._number}"
        self._typed = ""
        time_s = add_mark(self._session, "operator", text)
        click.echo(f"\r\x1b[2K  {time_s:.1f} s: {printable(text)}", err=True)

    def _show(self) -> None:
        line = printable(f"> {self._typed} | {self._line}" if self._typed else self._line)
        click.echo("\r\x1b[2K" + line[: shutil.get_terminal_size().columns - 1], nl=False, err=True)


def record_live(
    setup: Path, session: Path, ports: Mapping[str, str], seconds: float | None = None
) -> RecorderStatus | None:
    """Record into the new folder `session` until Ctrl-C, SIGTERM, or `seconds` [s] have passed.

    Returns the last status that the recorder told. Raises SetupError, PortError, SessionError.
    """
    from daq.recorder import record

    line = StatusLine(session, seconds)
    at_terminal = sys.stderr.isatty()

    def tell(status: RecorderStatus) -> None:
        if at_terminal:
            line.tell(status)
        line.latest = status

    with until_stopped() as stopped, key_presses(line.press):
        timer = threading.Timer(seconds, stopped.set) if seconds else None
        if timer:
            timer.daemon = True
            timer.start()
        try:
            record(setup, session, ports, stop=stopped, on_status=tell)
        finally:
            if timer:
                timer.cancel()
    if at_terminal:
        click.echo(err=True)
    return line.latest
