"""Ways to analyse a session for tests of the dashboard: quick, slow, failing. In a module of their own, since the
analysing process must be able to import them."""

from __future__ import annotations

import os
import time

import builders

from daq.errors import SessionError
from dashboard.analysis_worker import REST_S, HandOver, Task


def invented(task: Task, hand_over: HandOver) -> None:
    """The case that the session is named after: 'lean', 'even', …; any other name is 'lean'."""
    trims, table = builders.CASES.get(task.path.name, builders.lean)()
    if task.part is None:
        hand_over(table)
    hand_over(trims.balance)


def counted(task: Task, hand_over: HandOver) -> None:
    """As `invented`, leaving a file beside the sessions for every time it was done."""
    (task.path.parent / f"done-{task.path.name}-{time.monotonic_ns()}").touch()
    invented(task, hand_over)


def rested(task: Task, hand_over: HandOver) -> None:
    """As `invented`, but its balance comes only when the process has been made to rest for a moment."""
    trims, table = builders.CASES[task.path.name]()
    hand_over(table)
    before = time.monotonic()
    while time.monotonic() - before < REST_S:
        before = time.monotonic()
        for _ in range(1000):  # not asleep: the longest pause is a rest, unless the machine is very busy
            pass
    hand_over(trims.balance)


def endless(task: Task, hand_over: HandOver) -> None:
    """Never ends for the session 'slow'; the others are `counted`."""
    if task.path.name == "slow":
        time.sleep(600)
    counted(task, hand_over)


def failing(task: Task, hand_over: HandOver) -> None:
    """A user's mistake, a defect, or a process that dies, by the session's name."""
    if task.path.name == "mistake":
        raise SessionError("main.csv: is missing")
    if task.path.name == "defect":
        raise ZeroDivisionError("division by zero")
    if task.path.name == "dies":
        os._exit(3)
    invented(task, hand_over)
