"""An instrument on a real pseudo-terminal, for tests: it can be unplugged and come back as another device."""

from __future__ import annotations

import contextlib
import os
import select
import time
from collections.abc import Callable
from pathlib import Path


class PtyInstrument:
    """A device at `path`, a link that always leads to where it is plugged in now (as a udev link would)."""

    def __init__(self, path: Path) -> None:
        self.path = str(path)
        self._master: int | None = None
        self.plug()

    def plug(self) -> str:
        """Plug in: a new pseudo-terminal. Returns its name, which may differ from the last one."""
        self._master, slave = os.openpty()
        os.set_blocking(self._master, False)
        name = os.ttyname(slave)
        os.close(slave)
        link = Path(self.path + ".new")
        link.symlink_to(name)
        link.rename(self.path)
        return name

    def unplug(self) -> None:
        """Pull the plug: the port is hung up and the path leads nowhere. A second call does nothing."""
        if self._master is not None:
            os.close(self._master)
            self._master = None
            Path(self.path).unlink(missing_ok=True)

    def say(self, data: bytes, timeout_s: float = 10.0) -> None:
        """Send all of `data`, waiting while the line is full (at most `timeout_s`)."""
        assert self._master is not None, "unplugged"
        deadline, rest = time.monotonic() + timeout_s, memoryview(data)
        while rest:
            _, writable, _ = select.select([], [self._master], [], max(0.0, deadline - time.monotonic()))
            if not writable:
                raise TimeoutError(f"{len(rest)} bytes were not taken within {timeout_s} s")
            with contextlib.suppress(BlockingIOError):
                rest = rest[os.write(self._master, rest) :]


def wait_for(condition: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Return as soon as `condition()` is true; fail with `what` after `timeout_s`."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s} s in vain: {what}")
        time.sleep(0.005)
