"""Sessions are read and analysed in a process of their own, so that pages stay quick and the work can be stopped.

One session at a time; the one that a page waits for goes before those that only the list wants. Results are kept
until the session's files change; whole tables only for the sessions looked at last, since 10 h take 0.3 GB.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Literal

from analysis.result import Balance
from daq.errors import EvenburnError
from daq.physical import PhysicalTable
from dashboard.display import DARK, LIGHT
from dashboard.figures.thumbnail import glance_svg, thumbnail_svg
from dashboard.session_folder import Fingerprint, SessionFolder

Phase = Literal["waiting", "reading", "analysing", "done", "failed", "stopped"]
Work = Callable[[Path, Callable[[object], None]], None]
TABLES_KEPT = 2


@dataclass(frozen=True)
class Progress:
    """How far a session's analysis is. `table` comes before `balance`; `error` is one clear line.

    thumbnails, glances: small pictures (light, dark) of table and balance.
    """

    phase: Phase
    fingerprint: Fingerprint
    started_s: float
    table: PhysicalTable | None = None
    balance: Balance | None = None
    error: str = ""
    engine: str = ""
    length_s: float = 0.0
    thumbnails: tuple[str, str] = ("", "")
    glances: tuple[str, str] = ("", "")

    @property
    def over(self) -> bool:
        """Whether nothing more will come by itself."""
        return self.phase in {"done", "failed", "stopped"}

    @property
    def waited_s(self) -> float:
        """Seconds since it was asked for."""
        return time.monotonic() - self.started_s


def analyse_session(path: Path, hand_over: Callable[[object], None]) -> None:
    """The work itself: hand over the session's table, then its balance."""
    from analysis.balance import balance
    from daq.physical import physical_table
    from daq.session import open_session

    table = physical_table(open_session(path))
    hand_over(table)
    hand_over(balance(table))


def _serve(requests: Connection, work: Work) -> None:
    """The worker's loop: a path in; tables, balances, then 'done' or an error text out."""
    while True:
        try:
            path = requests.recv()
        except (EOFError, KeyboardInterrupt):
            return
        try:
            work(path, requests.send)
            requests.send("done")
        except EvenburnError as error:
            requests.send(error)
        except Exception as error:  # a defect or a hostile file must not end the worker; the page says so
            requests.send(EvenburnError(f"this session cannot be analysed ({type(error).__name__}: {error})"))


class Analyst:
    """Analyses sessions of one folder in the background; safe to ask from several threads."""

    def __init__(self, folder: SessionFolder, work: Work = analyse_session) -> None:
        self._folder = folder
        self._work = work
        self._known: dict[str, Progress] = {}
        self._looked_at: dict[str, float] = {}
        self._wanted: list[tuple[bool, float, str]] = []
        self._current = ""
        self._stop_current = False
        self._closed = False
        self._changed = threading.Condition()
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None
        self._thread = threading.Thread(target=self._run, name="analyst", daemon=True)
        self._thread.start()

    def ask(self, name: str, *, urgent: bool = True, needs_table: bool = True) -> Progress:
        """The state of session `name`, whose analysis begins if it has not. Raises SessionError if unknown."""
        fingerprint = self._folder.fingerprint(name)
        with self._changed:
            if needs_table:
                self._looked_at[name] = time.monotonic()
            known = self._known.get(name)
            fresh = known is not None and (known.fingerprint == fingerprint or known.phase == "waiting")
            if known and fresh and (known.phase != "done" or known.table is not None or not needs_table):
                self._hurry(name, urgent)
                return known
            if known and name == self._current:
                return known
            begun = Progress("waiting", fingerprint, time.monotonic())
            if known and known.fingerprint == fingerprint:
                begun = replace(known, phase="waiting", started_s=begun.started_s)
            self._known[name] = begun
            self._wanted.append((not urgent, time.monotonic(), name))
            self._changed.notify_all()
            return begun

    def again(self, name: str) -> None:
        """Forget what is known of a session, e.g. after it was stopped."""
        with self._changed:
            self._known.pop(name, None)

    def stop(self, name: str) -> None:
        """Stop the analysis of `name`, whether it waits or runs."""
        with self._changed:
            self._wanted = [entry for entry in self._wanted if entry[2] != name]
            known = self._known.get(name)
            if known and not known.over:
                self._known[name] = replace(known, phase="stopped", error="The analysis was stopped.")
            if name == self._current:
                self._stop_current = True
                self._end_process()

    def wait(self, name: str, timeout_s: float) -> Progress:
        """Like `ask`, after the analysis is over or `timeout_s` has passed."""
        progress = self.ask(name)
        with self._changed:
            self._changed.wait_for(lambda: self._known[name].over, timeout_s)
            return self._known.get(name, progress)

    def close(self) -> None:
        """Stop everything and end the worker."""
        with self._changed:
            self._closed = True
            self._end_process()
            self._changed.notify_all()
        self._thread.join(5)

    def _hurry(self, name: str, urgent: bool) -> None:
        if urgent:
            self._wanted = [(later and entry != name, t, entry) for later, t, entry in self._wanted]

    def _end_process(self) -> None:
        if self._process is not None:
            self._process.terminate()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or bool(self._wanted))
                if self._closed:
                    break
                self._wanted.sort()
                self._current = self._wanted.pop(0)[2]
                self._stop_current = False
                self._update(self._current, phase="reading")
            self._analyse(self._current)
            with self._changed:
                self._current = ""
                self._drop_old_tables()
                self._changed.notify_all()
        self._release()

    def _analyse(self, name: str) -> None:
        try:
            pipe = self._worker()
            pipe.send(self._folder.path(name))
            while (answer := pipe.recv()) != "done":
                self._take(name, answer)
            self._update(name, phase="done")
        except (EOFError, OSError):
            if not self._stop_current:
                self._update(name, phase="failed", error="The analysis ended without an answer.")
            self._release()
        except EvenburnError as error:
            self._update(name, phase="failed", error=str(error))

    def _take(self, name: str, answer: object) -> None:
        if isinstance(answer, EvenburnError):
            raise answer
        if isinstance(answer, Balance):
            self._update(name, balance=answer, glances=(glance_svg(answer, LIGHT), glance_svg(answer, DARK)))
        elif isinstance(answer, PhysicalTable):
            length_s = float(answer.time_s[-1] - answer.time_s[0]) if answer.time_s.size else 0.0
            pictures = (thumbnail_svg(answer, LIGHT), thumbnail_svg(answer, DARK))
            self._update(
                name,
                phase="analysing",
                table=answer,
                engine=answer.setup.engine.name,
                length_s=length_s,
                thumbnails=pictures,
            )

    def _update(self, name: str, **changes: object) -> None:
        with self._changed:
            known = self._known.get(name)
            if known and known.phase != "stopped":
                self._known[name] = replace(known, **changes)  # type: ignore[arg-type]
            self._changed.notify_all()

    def _drop_old_tables(self) -> None:
        with_table = [name for name, known in self._known.items() if known.table is not None]
        by_age = sorted(with_table, key=lambda name: self._looked_at.get(name, 0.0))
        for name in by_age[:-TABLES_KEPT]:
            self._known[name] = replace(self._known[name], table=None)

    def _worker(self) -> Connection:
        """The pipe to the worker process, which is started when there is none."""
        if self._process is None or not self._process.is_alive() or self._pipe is None:
            self._release()
            context = multiprocessing.get_context("spawn")
            pipe, theirs = context.Pipe()
            process = context.Process(target=_serve, args=(theirs, self._work), daemon=True)
            process.start()
            theirs.close()
            with self._changed:
                self._process, self._pipe = process, pipe
                if self._stop_current or self._closed:  # asked for while it was starting
                    self._end_process()
        return self._pipe

    def _release(self) -> None:
        with self._changed:
            process, pipe = self._process, self._pipe
            self._process = self._pipe = None
        if process is not None:
            process.terminate()
            process.join(5)
            process.close()
        if pipe is not None:
            pipe.close()
