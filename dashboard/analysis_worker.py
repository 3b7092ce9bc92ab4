"""The process that reads and analyses sessions for the dashboard, one task at a time.

It keeps the last session's table, so that another range of the same session is analysed without reading it again.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from daq.errors import EvenburnError
from daq.physical import PhysicalTable
from dashboard import table_cache
from dashboard.chosen_range import part_of
from dashboard.session_folder import Fingerprint

HandOver = Callable[[object], None]
DONE = "done"
REST_S = 0.2  # about as long as a browser takes to draw what has come into view


def rest(pid: int) -> None:
    """Have the worker of that process number, once it has answered something, do nothing for REST_S."""
    if sys.platform != "win32":
        os.kill(pid, signal.SIGUSR1)


@dataclass(frozen=True)
class Task:
    """What is to be analysed: a session as its files are now, or only its part between two times [s].

    table_known: whoever asks has the session's table already.
    """

    path: Path
    fingerprint: Fingerprint
    part: tuple[float, float] | None = None
    table_known: bool = False


Work = Callable[[Task, HandOver], None]


def analyse_session(task: Task, hand_over: HandOver) -> None:
    """Hand over the session's table and then its balance; of a part, the balance only."""
    from analysis.balance import balance

    table, was_read = _table_of(task)
    if task.part is not None:
        hand_over(balance(part_of(table, *task.part)))
        return
    if not task.table_known:
        hand_over(table)
    hand_over(balance(table))
    if was_read:
        table_cache.store(task.path, task.fingerprint, table)


_last: tuple[Path, Fingerprint, PhysicalTable] | None = None


def _table_of(task: Task) -> tuple[PhysicalTable, bool]:
    """The session's table, and whether its samples were read for it: they are if nothing newer than them is kept."""
    from daq.physical import physical_table
    from daq.session import open_session

    global _last
    if _last is not None and _last[:2] == (task.path, task.fingerprint):
        return _last[2], False
    _last = None  # two large tables at once might not fit
    kept = table_cache.load(task.path, task.fingerprint)
    table = physical_table(open_session(task.path)) if kept is None else kept
    _last = (task.path, task.fingerprint, table)
    return table, kept is None


def serve(requests: Connection, work: Work) -> None:
    """The worker's loop: a task in; tables, balances, then DONE or an error out.

    It stands back for whatever else wants the processor: a recorder, the server, the reader's browser.
    """
    if sys.platform != "win32":
        os.nice(5)
        signal.signal(signal.SIGUSR1, lambda _number, _frame: time.sleep(REST_S))
    while True:
        try:
            task = requests.recv()
        except (EOFError, KeyboardInterrupt):
            return
        try:
            work(task, requests.send)
            requests.send(DONE)
        except EvenburnError as error:
            requests.send(error)
        except Exception as error:  # a defect or a hostile file must not end the worker; the page says so
            requests.send(EvenburnError(f"this session cannot be analysed ({type(error).__name__}: {error})"))
