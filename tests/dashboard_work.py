"""Ways to analyse a session for tests of the dashboard: quick, slow, failing. In a module of their own, since the
analysing process must be able to import them."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import builders

from daq.errors import SessionError


def invented(path: Path, hand_over: Callable[[object], None]) -> None:
    """The case that the session is named after: 'lean', 'even', …; any other name is 'lean'."""
    trims, table = builders.CASES.get(path.name, builders.lean)()
    hand_over(table)
    hand_over(trims.balance)


def counted(path: Path, hand_over: Callable[[object], None]) -> None:
    """As `invented`, leaving a file beside the sessions for every time it was done."""
    (path.parent / f"done-{path.name}-{time.monotonic_ns()}").touch()
    invented(path, hand_over)


def endless(path: Path, hand_over: Callable[[object], None]) -> None:
    """Never ends for the session 'slow'."""
    if path.name == "slow":
        time.sleep(600)
    invented(path, hand_over)


def failing(path: Path, hand_over: Callable[[object], None]) -> None:
    """A user's mistake, a defect, or a process that dies, by the session's name."""
    if path.name == "mistake":
        raise SessionError("main.csv: is missing")
    if path.name == "defect":
        raise ZeroDivisionError("division by zero")
    if path.name == "dies":
        os._exit(3)
    invented(path, hand_over)
