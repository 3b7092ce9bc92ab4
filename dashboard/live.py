"""What is live: finds the session that is being recorded, follows it, and sends it to every open Run page.

One thread reads for all pages, only while a page listens. Pages get server-sent events; each has at most two
messages waiting, the newest whole one (alarms, whiskers, counts) and the newest values, so a slow phone sees fewer
of them, misses no alarm and holds nobody up.
"""

from __future__ import annotations

import json
import logging
import shutil
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from analysis.live_deviation import live_samples
from analysis.sweep_guide import HOLD_S, SweepGuide
from daq.errors import EvenburnError, SessionError
from daq.mixture import STOICHIOMETRIC_AFR
from daq.physical import Mark
from daq.session import add_mark
from dashboard.live_state import LiveState
from dashboard.live_tail import LiveTail
from dashboard.recording import Recording
from dashboard.session_folder import SessionFolder

log = logging.getLogger(__name__)
LOOK_EVERY_S = 0.01
SLOW_EVERY_S = 0.5
FRESH_S = 4.0
MOST_PAGES = 8


class Live:
    """The live side of one server."""

    def __init__(self, folder: SessionFolder) -> None:
        self.folder = folder
        self.recording = Recording(folder)
        self.guide: SweepGuide | None = None
        self._news = threading.Condition()
        self._number = 0
        self._whole: tuple[int, dict[str, Any]] = (0, {})
        self._values: tuple[int, dict[str, Any]] = (0, {})
        self._problem = ""
        self._pages = 0
        self._closed = threading.Event()
        self._tail: LiveTail | None = None
        self._state: LiveState | None = None
        self._dropped: dict[str, int] = {}
        self._alarms: dict[str, str] = {}
        self._marks: list[str] = []
        self._thread: threading.Thread | None = None

    # --- for the pages -----------------------------------------------------------------------------------

    def events(self) -> Iterator[bytes]:
        """Server-sent events for one page until it goes away. Raises SessionError when too many are open."""
        with self._news:
            if self._pages >= MOST_PAGES:
                raise SessionError("too many live pages are open; close one")
            self._pages += 1
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="live", daemon=True)
                self._thread.start()
        return self._stream()

    def _stream(self) -> Iterator[bytes]:
        seen = 0
        try:
            yield b"retry: 1000\n\n"
            while not self._closed.is_set():
                with self._news:
                    if self._number == seen:
                        self._news.wait(5.0)
                    waiting = sorted(
                        (m for m in (self._whole, self._values) if m[0] > seen), key=lambda m: m[0]
                    )
                    seen = self._number
                # a comment now and then finds out that the page has gone
                yield from [as_event(message) for _, message in waiting] or [b": still here\n\n"]
        finally:
            with self._news:
                self._pages -= 1

    def start(self, setup: str, name: str, port: str | None) -> str:
        """Begin to record; see `Recording.start`. `setup` is a file of the folder, or 'session:NAME' for its setup."""
        kind, _, session = setup.partition(":")
        path = (
            self.folder.path(session) / "setup.toml"
            if kind == "session" and session
            else self.folder.file(setup, ".toml")
        )
        self.guide = None
        return self.recording.start(path, name, port)

    def stop(self) -> str:
        """End the recording that this server began; returns its name. Raises SessionError if it began none."""
        if not self.recording.running:
            raise SessionError("this dashboard has not started a recording that is still running")
        self.recording.stop()
        return self.recording.name

    def mark(self, text: str) -> float:
        """Mark the present moment in the session that is being recorded; returns its time [s]."""
        name = self.current()
        if name is None:
            raise SessionError("nothing is being recorded")
        return add_mark(self.folder.path(name), "operator", text[:200] or "mark")

    def sweep(self, wanted: bool) -> None:
        """Begin the guided sweep anew, or leave it."""
        if wanted and self.current() is None:
            raise SessionError("nothing is being recorded; start a recording first")
        self.guide = SweepGuide() if wanted else None

    def refuse_if_recording(self, name: str) -> None:
        """Raises SessionError if session `name` is being recorded."""
        if self.current() == name:
            raise SessionError(f"{name} is being recorded; stop it first")

    def current(self) -> str | None:
        """The session that is being recorded: by this server, or whichever grew within the last seconds."""
        if self.recording.running:
            return self.recording.name
        now = time.time()
        for name in self.folder.names()[:1]:
            files = [f for f in (self.folder.root / name).glob("*.csv") if not f.is_symlink()]
            if any(now - f.stat().st_mtime < FRESH_S for f in files) and not _has_stopped(
                self.folder.root / name
            ):
                return name
        return None

    def close(self) -> None:
        """End all streams and the recording that this server began."""
        self._closed.set()
        with self._news:
            self._news.notify_all()
        self.recording.close()
        if self._thread is not None:
            self._thread.join(5)

    # --- the reading thread ------------------------------------------------------------------------------

    def _run(self) -> None:
        slow_at = look_at = 0.0
        while not self._closed.is_set():
            with self._news:
                if self._pages == 0:
                    self._thread = None
                    return
            now = time.monotonic()
            try:
                if now >= look_at:
                    self._look_for_session()
                    look_at = now + 1.0
                came = self._take_samples()
            except Exception as error:  # whatever a session holds, the next look must still come
                known = isinstance(error, EvenburnError)
                if not known:
                    log.warning("a session could not be followed", exc_info=True)
                self._problem = (
                    str(error) if known else f"this session cannot be followed ({type(error).__name__})"
                )
                self._tail, came = None, False
                look_at = now + 1.0
            if now >= slow_at:
                self._publish(whole=self._slow_message())
                slow_at = now + SLOW_EVERY_S
            elif came and self._state is not None:
                self._publish(values={"state": "live", **self._state.quick()})
            self._closed.wait(LOOK_EVERY_S)

    def _look_for_session(self) -> None:
        name = self.current()
        if name is None:
            self._tail = self._state = None
            self._problem = ""
            return
        path = self.folder.root / name
        if self._tail is None or self._tail.folder != path:
            if not (path / "setup.toml").is_file():
                return  # the recorder is only just beginning
            self._tail = LiveTail(path)
            self._state = LiveState(self._tail.setup)
            self._dropped, self._alarms, self._marks = {}, {}, []

    def _take_samples(self) -> bool:
        if self._tail is None or self._state is None:
            return False
        news = self._tail.read()
        self._problem = ""
        self._take_marks(news.marks)
        if news.table is None:
            return False
        for sample in live_samples(news.table, self._tail.setup):
            self._state.add(sample)
        return True

    def _slow_message(self) -> dict[str, Any]:
        """Everything: what the page is about, whiskers, alarms, counts, disk, the guide."""
        if self._tail is None or self._state is None:
            mine = self.recording.running
            if self._problem:
                return {"state": "problem", "said": self._problem, "mine": mine}
            return {"state": "starting" if mine else "idle", "said": self.recording.failure(), "mine": mine}
        newest = self._state.newest
        if self.guide is not None and newest is not None:
            self.guide.watch(self._state.since(HOLD_S), tuple(self._alarms.values()))
        return {
            "state": "live",
            **self._state.quick(),
            **self._state.slow(),
            "session": self._tail.folder.name,
            "mine": self.recording.running,
            "layout": layout_of(self._state),
            "alarms": list(self._alarms.values()),
            "marks": self._marks[-3:],
            "dropped": sum(self._dropped.values()),
            "disk_GB": round(shutil.disk_usage(self._tail.folder).free / 1e9, 1),
            "guide": None if self.guide is None or newest is None else self.guide.as_message(newest.time_s),
        }

    def _take_marks(self, marks: Sequence[Mark]) -> None:
        """Alarms that are on, lines that were dropped, the last remarks: as the recorder noted them."""
        for mark in marks:
            subject = f"{mark.details.get('alarm')} {mark.details.get('subject')}"
            port = f"port {mark.details.get('instrument')}"
            if mark.kind == "alarm":
                self._alarms[subject] = mark.text
            elif mark.kind == "alarm-over":
                self._alarms.pop(subject, None)
            elif mark.kind == "gap":
                self._alarms[port] = mark.text
            elif mark.kind == "reconnect":
                self._alarms.pop(port, None)
            elif mark.kind == "dropped":
                total = mark.details.get("total")
                self._dropped[port] = total if isinstance(total, int) else 0
            elif mark.kind in {"operator", "remark"}:
                self._marks.append(mark.text)

    def _publish(self, whole: dict[str, Any] | None = None, values: dict[str, Any] | None = None) -> None:
        with self._news:
            self._number += 1
            if whole is not None:
                self._whole = (self._number, whole)
            if values is not None:
                self._values = (self._number, values)
            self._news.notify_all()


def layout_of(state: LiveState) -> list[dict[str, Any]]:
    """The banks with their cylinders, in the order of the values in a message."""
    return [
        {
            "bank": bank.name,
            "cylinders": list(bank.cylinders),
            "load_unit": state.setup.conditions.load_unit,
            "afr_of_lambda_1": STOICHIOMETRIC_AFR[state.setup.engine.fuel],
        }
        for bank in state.setup.bank
    ]


def _has_stopped(folder: Path) -> bool:
    """Whether the recording of a session was ended in order: its last marks say so."""
    try:
        with (folder / "marks.jsonl").open("rb") as file:
            file.seek(0, 2)
            file.seek(max(0, file.tell() - 4000))
            return b'"kind":"stop"' in file.read()
    except OSError:
        return False


def as_event(message: dict[str, Any]) -> bytes:
    """A server-sent event that carries `message` as JSON; what is not there is null, never NaN."""
    return b"data: " + json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n\n"
