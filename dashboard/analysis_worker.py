"""The process that reads and analyses sessions for the dashboard, one task at a time.

It keeps the last session's table, so that another range of the same session is analysed without reading it again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from daq.errors import EvenburnError
from daq.physical import PhysicalTable
from dashboard.chosen_range import part_of
from dashboard.session_folder import Fingerprint

HandOver = Callable[[object], None]
DONE = "done"


@dataclass(frozen=True)
class Task:
    """What is to be analysed: a session as its files are now, or only its part between two times [s]."""

    path: Path
    fingerprint: Fingerprint
    part: tuple[float, float] | None = None


Work = Callable[[Task, HandOver], None]


def analyse_session(task: Task, hand_over: HandOver) -> None:
    """Hand over the session's table and then its balance; of a part, the balance only."""
    from analysis.balance import balance

    table = _table_of(task)
    if task.part is None:
        hand_over(table)
        hand_over(balance(table))
    else:
        hand_over(balance(part_of(table, *task.part)))


_last: tuple[Path, Fingerprint, PhysicalTable] | None = None


def _table_of(task: Task) -> PhysicalTable:
    """The session's table, read again only if it is another session or its files have changed."""
    from daq.physical import physical_table
    from daq.session import open_session

    global _last
    if _last is None or _last[:2] != (task.path, task.fingerprint):
        _last = None  # two large tables at once might not fit
        _last = (task.path, task.fingerprint, physical_table(open_session(task.path)))
    return _last[2]


def serve(requests: Connection, work: Work) -> None:
    """The worker's loop: a task in; tables, balances, then DONE or an error out.

    It stands back for whatever else wants the processor: a recorder, the server, the reader's browser.
    """
    if hasattr(os, "nice"):
        os.nice(5)
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
