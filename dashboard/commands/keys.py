"""Single key presses at a terminal while a command runs; where there is no terminal, none."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

LOOK_S = 0.1


@contextmanager
def key_presses(handle: Callable[[str], None]) -> Iterator[None]:
    """Call `handle` with each key pressed while the context lasts; Ctrl-C goes on to interrupt."""
    if not sys.stdin.isatty():
        yield
        return
    ended = threading.Event()
    listen = _listen_windows if os.name == "nt" else _listen_posix
    thread = threading.Thread(target=listen, args=(handle, ended), name="keys", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(2.0)


def _listen_posix(handle: Callable[[str], None], ended: threading.Event) -> None:
    import select
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        while not ended.is_set():
            if select.select([descriptor], [], [], LOOK_S)[0]:
                pressed = os.read(descriptor, 1)
                if not pressed:
                    return
                handle(pressed.decode("ascii", "replace"))
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _listen_windows(handle: Callable[[str], None], ended: threading.Event) -> None:
    import importlib

    console = importlib.import_module("msvcrt")
    while not ended.wait(LOOK_S):
        while console.kbhit():
            handle(console.getwch())
