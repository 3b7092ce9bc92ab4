"""Reading one instrument: bytes with the host's time, and what became of the port.

A reader is anything with the three members of `Reader`, so that a source on another bus can stand beside the
serial one. It never raises for a device that goes away: that is an event like any other, and the reader goes
on looking for it.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

import serial

from daq.errors import PortError
from daq.ports import PORT_FAILURES, close_port, open_port

#: Silence [s] after which a port counts as silent.
SILENT_AFTER_S = 3.0
#: First and longest wait [s] between two looks for a lost port; the longest keeps a reconnection within 2 s.
FIRST_RETRY_S, LONGEST_RETRY_S = 0.1, 1.0
#: Most bytes taken at once.
CHUNK_BYTES = 65536

_NOT_YET_BACK: tuple[type[Exception], ...] = (PortError, *PORT_FAILURES)


class PortState(Enum):
    """How a port is doing."""

    OPEN = "open"
    SILENT = "silent"
    GONE = "gone"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Received:
    """Bytes that had arrived by `host_s`."""

    host_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went away at `host_s`; bytes before it are all delivered."""

    host_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Found:
    """The device is back and open since `host_s`, after `away_s` [s], at `port`."""

    host_s: float
    port: str
    away_s: float


Event = Received | Lost | Found


class Reader(Protocol):
    """A source of one instrument's bytes. Used from one thread; `state` and `port` may be read from any."""

    @property
    def state(self) -> PortState:
        """How the port is doing now."""

    @property
    def port(self) -> str:
        """Where it reads from, for people."""

    def read(self, timeout_s: float) -> Event | None:
        """The next event, or None when nothing happened within `timeout_s` [s]; a lost device is an event."""

    def close(self) -> None:
        """Let go of the port; a second call does nothing."""


class SerialReader:
    """A serial port as a `Reader`: opened at once, looked for again for ever when it is lost.

    find: where the port is now (raises PortError when it is nowhere), called before every opening.
    clock: seconds on a clock that never steps; sleep: waits that long.
    Raises PortError when the port cannot be opened at the start: that a user can mend.
    """

    def __init__(
        self,
        find: Callable[[], str],
        baud: int,
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._find, self._baud, self._clock, self._sleep = find, baud, clock, sleep
        self.port = find()
        self._serial: serial.Serial | None = open_port(self.port, baud)
        self._closed = False
        self._heard_s = clock()
        self._lost_s = self._next_try_s = 0.0
        self._wait_s = FIRST_RETRY_S

    @property
    def state(self) -> PortState:
        """Open, silent for more than `SILENT_AFTER_S`, gone, or closed."""
        if self._closed:
            return PortState.CLOSED
        if self._serial is None:
            return PortState.GONE
        return PortState.SILENT if self._clock() - self._heard_s > SILENT_AFTER_S else PortState.OPEN

    def read(self, timeout_s: float) -> Event | None:
        """What arrives within `timeout_s` [s], the loss of the port, its return, or None."""
        if self._serial is None:
            return None if self._closed else self._look_again(timeout_s)
        try:
            data = _read_available(self._serial, timeout_s)
        except PORT_FAILURES as error:
            return self._lose(str(error))
        if data is None:
            return None
        if not data:
            return self._lose("the device hung up")
        self._heard_s = self._clock()
        return Received(self._heard_s, data)

    def close(self) -> None:
        """Close the port; a second call does nothing."""
        self._closed = True
        port, self._serial = self._serial, None
        if port is not None:
            close_port(port)

    def _lose(self, reason: str) -> Lost:
        port, self._serial = self._serial, None
        if port is not None:
            close_port(port)
        self._lost_s = self._clock()
        self._wait_s = FIRST_RETRY_S
        self._next_try_s = self._lost_s + self._wait_s
        return Lost(self._lost_s, reason)

    def _look_again(self, timeout_s: float) -> Found | None:
        """One try to open the port again once it is due, otherwise a wait of at most `timeout_s`."""
        wait_s = self._next_try_s - self._clock()
        if wait_s > 0:
            self._sleep(min(wait_s, timeout_s))
            return None
        try:
            path = self._find()
            self._serial = open_port(path, self._baud)
        except _NOT_YET_BACK:
            self._next_try_s = self._clock() + self._wait_s
            self._wait_s = min(2.0 * self._wait_s, LONGEST_RETRY_S)
            return None
        self.port = path
        self._heard_s = self._clock()
        return Found(self._heard_s, path, self._heard_s - self._lost_s)


def _read_by_select(port: serial.Serial, timeout_s: float) -> bytes | None:
    """What is there, after at most `timeout_s` for the first byte; None: nothing came; b"": the device is gone.

    The plain calls of the system, because the reading calls of pyserial wait byte by byte, and take the end of a
    hung-up line for silence.
    """
    descriptor = port.fileno()
    readable, _, _ = select.select([descriptor], [], [], timeout_s)
    if not readable:
        return None
    with contextlib.suppress(BlockingIOError):
        return os.read(descriptor, CHUNK_BYTES)
    return None


def _read_by_waiting(port: serial.Serial, timeout_s: float) -> bytes | None:
    """The same where ports cannot be selected (Windows): waits at most the port's own 0.1 s for the first byte."""
    return port.read(min(port.in_waiting or 1, CHUNK_BYTES)) or None


_read_available = _read_by_waiting if sys.platform == "win32" else _read_by_select
