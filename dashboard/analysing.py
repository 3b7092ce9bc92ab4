"""Sessions are analysed in a process of their own, so that pages stay quick and the work can be stopped.

One task at a time; what a page waits for goes before what only the list wants. Results are kept until the session's
files change; whole tables only for the sessions looked at last, since 10 h take 0.3 GB.
"""

from __future__ import annotations

import math
import multiprocessing
import threading
import time
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import Literal

import numpy as np

from analysis.result import Balance
from daq.errors import EvenburnError
from daq.physical import Mark, PhysicalTable
from daq.session import add_mark
from dashboard import table_cache
from dashboard.analysis_worker import DONE, REST_S, Task, Work, analyse_session, rest, serve
from dashboard.display import DARK, LIGHT
from dashboard.figures.thumbnail import glance_svg, thumbnail_svg
from dashboard.session_folder import Fingerprint, SessionFolder

Phase = Literal["waiting", "reading", "analysing", "done", "failed", "stopped"]
Part = tuple[float, float]
TABLES_KEPT = 2
PARTS_KEPT = 30


@dataclass(frozen=True)
class Progress:
    """How far an analysis is. `table` comes before `balance`; `error` is one clear line.

    thumbnails, glances: small pictures (light, dark) of table and balance. read_as: the files' state when they were
    read, if marks have been added since.
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
    read_as: Fingerprint | None = None

    @property
    def over(self) -> bool:
        """Whether nothing more will come by itself."""
        return self.phase in {"done", "failed", "stopped"}

    @property
    def waited_s(self) -> float:
        """Seconds since it was asked for."""
        return time.monotonic() - self.started_s


@dataclass(frozen=True)
class Job:
    """A session, or a part of one, that is or was to be analysed."""

    session: str
    part: Part | None = None


class Analyst:
    """Analyses sessions of one folder in the background; safe to ask from several threads."""

    def __init__(self, folder: SessionFolder, work: Work = analyse_session) -> None:
        self._folder = folder
        self._work = work
        self._known: dict[Job, Progress] = {}
        self._looked_at: dict[Job, float] = {}
        self._wanted: list[tuple[bool, float, Job]] = []
        self._current: Job | None = None
        self._stop_current = False
        self._closed = False
        self._changed = threading.Condition()
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None
        # whether the worker has answered: until then it may not know yet what `rest` asks of it
        self._answered = False
        self._rested_s = -math.inf
        self._thread = threading.Thread(target=self._run, name="analyst", daemon=True)
        self._thread.start()

    def ask(
        self,
        session: str,
        part: Part | None = None,
        *,
        urgent: bool = True,
        needs_table: bool = True,
        since_s: float = math.inf,
    ) -> Progress:
        """The state of an analysis, which begins if it has not. Raises SessionError for an unknown session.

        part: only the samples between two times [s]; it brings no table. since_s: an analysis begun after this
        monotonic time will do even if the files have changed since, as they do while a session is recorded.
        """
        job, fingerprint = Job(session, part), self._folder.fingerprint(session)
        needs_table = needs_table and part is None
        with self._changed:
            self._looked_at[job] = time.monotonic() if urgent else self._looked_at.get(job, 0.0)
            known = self._known.get(job)
            if known is not None:
                lacks_table = known.phase == "done" and needs_table and known.table is None
                fresh = known.fingerprint == fingerprint or known.started_s >= since_s
                if job == self._current or known.phase == "waiting" or (fresh and not lacks_table):
                    self._hurry(job, urgent)
                    return known
            return self._begin(job, fingerprint, urgent)

    def _begin(self, job: Job, fingerprint: Fingerprint, urgent: bool) -> Progress:
        known = self._known.get(job)
        begun = Progress("waiting", fingerprint, time.monotonic())
        if known is not None and known.fingerprint == fingerprint:
            begun = replace(known, phase="waiting", started_s=begun.started_s)
        if job.part is not None:
            self._forget_older_parts(job)
        self._known[job] = begun
        self._wanted.append((not urgent, begun.started_s, job))
        self._changed.notify_all()
        return begun

    def _forget_older_parts(self, job: Job) -> None:
        """Parts of the session that nobody looks at any more: those that still wait, and the oldest results."""
        passed = {w for _, _, w in self._wanted if w.session == job.session and w.part is not None}
        self._wanted = [entry for entry in self._wanted if entry[2] not in passed]
        parts = [known for known in self._known if known.part is not None and known != self._current]
        by_age = sorted(parts, key=lambda part: self._looked_at.get(part, 0.0))
        for old in {*passed, *by_age[:-PARTS_KEPT]}:
            self._known.pop(old, None)
            self._looked_at.pop(old, None)

    def add_mark(self, session: str, mark: Mark) -> None:
        """Write `mark` into a session; what is known of it stays, since no result rests on an operator's mark.

        Raises SessionError where it cannot be written.
        """
        before, job = self._folder.fingerprint(session), Job(session)
        add_mark(self._folder.path(session), mark.kind, mark.text, time_s=mark.time_s)
        with self._changed:
            known = self._known.get(job)
            if known is None or known.table is None or known.fingerprint != before or not known.over:
                return
            marks = tuple(sorted((*known.table.marks, mark), key=lambda each: each.time_s))
            self._known[job] = replace(
                known,
                fingerprint=self._folder.fingerprint(session),
                read_as=known.read_as or before,
                table=replace(known.table, marks=marks),
            )

    def again(self, session: str, part: Part | None = None) -> None:
        """Forget what is known of an analysis, e.g. after it was stopped."""
        with self._changed:
            self._known.pop(Job(session, part), None)

    def stand_back(self) -> None:
        """Let a page draw first: the analysis rests for a moment, at most half the time.

        On two processors it would slow the drawing by a third.
        """
        with self._changed:
            process, now = self._process, time.monotonic()
            if not self._current or not self._answered or now < self._rested_s + 2 * REST_S:
                return
            if process is not None and process.is_alive() and process.pid:
                rest(process.pid)
                self._rested_s = now

    def stop(self, session: str, part: Part | None = None) -> None:
        """Stop an analysis, whether it waits or runs."""
        job = Job(session, part)
        with self._changed:
            self._wanted = [entry for entry in self._wanted if entry[2] != job]
            known = self._known.get(job)
            if known and not known.over:
                self._known[job] = replace(known, phase="stopped", error="The analysis was stopped.")
            if job == self._current:
                self._stop_current = True
                self._end_process()

    def wait(self, session: str, timeout_s: float) -> Progress:
        """Like `ask`, after the analysis is over or `timeout_s` has passed."""
        progress, job = self.ask(session), Job(session)
        with self._changed:
            self._changed.wait_for(lambda: job not in self._known or self._known[job].over, timeout_s)
            return self._known.get(job, progress)

    def close(self) -> None:
        """Stop everything and end the worker."""
        with self._changed:
            self._closed = True
            self._end_process()
            self._changed.notify_all()
        self._thread.join(5)

    def _hurry(self, job: Job, urgent: bool) -> None:
        if urgent:
            self._wanted = [(later and entry != job, t, entry) for later, t, entry in self._wanted]

    def _end_process(self) -> None:
        if self._process is not None:
            self._process.terminate()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or bool(self._wanted))
                if self._closed:
                    break
                self._wanted.sort(key=lambda entry: entry[:2])
                job = self._wanted.pop(0)[2]
                self._current, self._stop_current = job, False
                self._update(job, phase="reading")
            self._analyse(job)
            with self._changed:
                self._current = None
                self._drop_old_tables()
                self._changed.notify_all()
        self._release()

    def _analyse(self, job: Job) -> None:
        try:
            path, fingerprint = self._folder.path(job.session), self._folder.fingerprint(job.session)
            self._update(job, fingerprint=fingerprint, read_as=None)
            kept = table_cache.load(path, fingerprint) if job.part is None else None
            if kept is not None:
                self._take(job, kept)
            pipe = self._worker()
            whole = self._known.get(Job(job.session))
            same = whole is not None and whole.fingerprint == fingerprint
            read_as = whole.read_as if whole and same and job.part else None
            pipe.send(Task(path, read_as or fingerprint, job.part, table_known=kept is not None))
            while (answer := pipe.recv()) != DONE:
                self._answered = True
                self._take(job, answer)
            self._update(job, phase="done")
        except (EOFError, OSError):
            if not self._stop_current:
                self._update(job, phase="failed", error="The analysis ended without an answer.")
            self._release()
        except EvenburnError as error:
            self._update(job, phase="failed", error=str(error))

    def _take(self, job: Job, answer: object) -> None:
        if isinstance(answer, EvenburnError):
            raise answer
        if isinstance(answer, Balance):
            self._update(job, balance=answer, glances=(glance_svg(answer, LIGHT), glance_svg(answer, DARK)))
            known = self._known.get(job)
            if known is not None and known.table is not None:
                # late, since of ten hours they take most of a second, which no page need wait for
                pictures = (thumbnail_svg(known.table, LIGHT), thumbnail_svg(known.table, DARK))
                self._update(job, thumbnails=pictures)
        elif isinstance(answer, PhysicalTable):
            # columns one after another: a page draws them one by one
            table = replace(answer, egt_C=np.asfortranarray(answer.egt_C))
            self._update(
                job,
                phase="analysing",
                table=table,
                engine=answer.setup.engine.name,
                length_s=float(answer.time_s[-1] - answer.time_s[0]) if answer.time_s.size else 0.0,
            )

    def _update(self, job: Job, **changes: object) -> None:
        with self._changed:
            known = self._known.get(job)
            if known and known.phase != "stopped":
                self._known[job] = replace(known, **changes)  # type: ignore[arg-type]
            self._changed.notify_all()

    def _drop_old_tables(self) -> None:
        with_table = [job for job, known in self._known.items() if known.table is not None]
        by_age = sorted(with_table, key=lambda job: self._looked_at.get(job, 0.0))
        for job in by_age[:-TABLES_KEPT]:
            self._known[job] = replace(self._known[job], table=None)

    def _worker(self) -> Connection:
        """The pipe to the worker process, which is started when there is none."""
        if self._process is None or not self._process.is_alive() or self._pipe is None:
            self._release()
            context = multiprocessing.get_context("spawn")
            pipe, theirs = context.Pipe()
            process = context.Process(target=serve, args=(theirs, self._work), daemon=True)
            process.start()
            theirs.close()
            with self._changed:
                self._process, self._pipe = process, pipe
                if self._stop_current or self._closed:  # asked for while it was starting
                    self._end_process()
            return pipe
        return self._pipe

    def _release(self) -> None:
        with self._changed:
            process, pipe = self._process, self._pipe
            self._process = self._pipe = None
            self._answered = False
        if process is not None:
            process.terminate()
            process.join(5)
            process.close()
        if pipe is not None:
            pipe.close()
