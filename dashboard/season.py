"""Many sessions judged at once on all cores; one that is bad is one line and does not stop the others."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from analysis.result import Balance
from daq.errors import EvenburnError
from daq.session_marks import MARKS_FILE, SETUP_FILE
from dashboard.session_folder import TRASH

MOST_WORKERS = 60  # Windows cannot wait for more
ENDED = "its analysis was ended by the system; is there too little memory?"


@dataclass(frozen=True)
class Outcome:
    """What became of one session: its engine and balance, or None and one clear line why not (else empty)."""

    path: Path
    engine: str
    balance: Balance | None
    error: str = ""

    @property
    def name(self) -> str:
        """The session's name."""
        return self.path.resolve().name


def sessions_of(given: Iterable[Path]) -> list[Path]:
    """The sessions that are meant, each once: the folders themselves, or those right inside a folder of sessions.

    What is neither stays in the list: opening it says what is wrong with it. Links are not followed.
    """
    found: dict[Path, Path] = {}
    for path in given:
        inside = [] if _looks_like_session(path) or not path.is_dir() else sorted(path.iterdir())
        members = [entry for entry in inside if _is_member(entry)]
        for session in members or [path]:
            found.setdefault(session.resolve(), session)
    return list(found.values())


def _looks_like_session(path: Path) -> bool:
    return any((path / name).is_file() for name in (SETUP_FILE, MARKS_FILE))


def _is_member(entry: Path) -> bool:
    hidden = entry.name.startswith(".") or entry.name == TRASH or entry.is_symlink()
    return not hidden and _looks_like_session(entry)


def judge(path: Path) -> Outcome:
    """One session from its files to its balance. Never raises for what is in the files."""
    from analysis.balance import balance
    from daq.physical import physical_table
    from daq.session import open_session

    try:
        table = physical_table(open_session(path))
        return Outcome(path, table.setup.engine.name, balance(table))
    except (EvenburnError, OSError) as error:
        return Outcome(path, "", None, str(error) or type(error).__name__)
    except Exception as error:  # a defect or a hostile file must not stop the other sessions
        return Outcome(path, "", None, f"{path}: cannot be analysed ({type(error).__name__}: {error})")


def judge_all(
    sessions: Sequence[Path], on_done: Callable[[Outcome], None] = lambda outcome: None, workers: int = 0
) -> list[Outcome]:
    """The outcome of each of `sessions`, in their order. workers: processes at once, 0 for one for each core.

    on_done: told each outcome as it comes. A session whose process the system ends is tried once more alone, since the
    others were ended with it.
    """
    workers = min(workers or _cores(), len(sessions), MOST_WORKERS)
    done: dict[Path, Outcome] = {}
    if workers < 2:
        for path in sessions:
            done[path] = judge(path)
            on_done(done[path])
        return list(done.values())
    _judge_in_processes(sessions, workers, done, on_done)
    for path in sessions:
        if path not in done:
            _judge_in_processes([path], 1, done, on_done)
        if path not in done:
            done[path] = Outcome(path, "", None, f"{path}: {ENDED}")
            on_done(done[path])
    return [done[path] for path in sessions]


def _judge_in_processes(
    sessions: Sequence[Path], workers: int, done: dict[Path, Outcome], on_done: Callable[[Outcome], None]
) -> None:
    """Fill `done` until all of `sessions` are there or a process was ended from outside."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_end_at_once) as pool:
        futures = {pool.submit(judge, path): path for path in sessions}
        try:
            for future in as_completed(futures):
                outcome = future.result()
                done[futures[future]] = outcome
                on_done(outcome)
        except BrokenProcessPool:
            return
        except BaseException:  # Ctrl-C above all: do not begin what still waits
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _end_at_once() -> None:
    """Ctrl-C reaches the workers too: end there without a traceback."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _cores() -> int:
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1
