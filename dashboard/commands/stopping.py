"""Stopping a command that runs until it is told to end: Ctrl-C and a termination are orders, not errors."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def until_stopped() -> Iterator[threading.Event]:
    """An event that Ctrl-C and SIGTERM set while the context lasts; outside the main thread only others can."""
    stopped = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopped.set()

    if threading.current_thread() is not threading.main_thread():
        yield stopped
        return
    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stopped
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
