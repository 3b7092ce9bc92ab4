"""What every source of an instrument's lines has in common: its events, and how it loses and finds its device.

A reader is anything with the three members of `Reader`. It never raises for a device that goes away: that is
an event like any other, and the reader goes on looking for it. `ReopeningReader` does that part for a serial
port, a CAN bus and a Modbus line alike; what differs is only how one connection is opened and read.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from daq.errors import PortError

#: Silence [s] after which a source counts as silent.
SILENT_AFTER_S = 3.0
#: First and longest wait [s] between two looks for a lost device; the longest keeps a reconnection within 2 s.
FIRST_RETRY_S, LONGEST_RETRY_S = 0.1, 1.0


class PortState(Enum):
    """How a source is doing."""

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
    """The device went away at `host_s`; bytes before it are all delivered."""

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
    """A source of one instrument's lines. Used from one thread; `state` and `port` may be read from any."""

    @property
    def state(self) -> PortState:
        """How the source is doing now."""

    @property
    def port(self) -> str:
        """Where it reads from, for people."""

    def read(self, timeout_s: float) -> Event | None:
        """The next event, or None when nothing happened within `timeout_s` [s]; a lost device is an event."""

    def close(self) -> None:
        """Let go of the device; a second call does nothing."""


class ConnectionLost(Exception):
    """A connection's device is gone; the text says how it showed."""


class Connection(Protocol):
    """A device while it is there. What it says is the line stream, whatever bus it comes from."""

    @property
    def port(self) -> str:
        """Where it is, for people."""

    def read(self, timeout_s: float) -> bytes:
        """What arrives within `timeout_s` [s], empty for nothing. Raises ConnectionLost."""

    def close(self) -> None:
        """Let go of it; never raises, whatever became of the device."""


class ReopeningReader:
    """A `Reader` that opens its device at once and, when it is lost, looks for it again for ever.

    connect: opens the device where it is now; raises PortError while it is nowhere.
    clock: seconds on a clock that never steps; sleep: waits that long.
    Raises what `connect` raises at the start: that a user can mend.
    """

    def __init__(
        self,
        connect: Callable[[], Connection],
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._connect, self._clock, self._sleep = connect, clock, sleep
        self._connection: Connection | None = connect()
        self.port = self._connection.port
        self._closed = False
        self._heard_s = clock()
        self._lost_s = self._next_try_s = 0.0
        self._wait_s = FIRST_RETRY_S

    @property
    def state(self) -> PortState:
        """Open, silent for more than `SILENT_AFTER_S`, gone, or closed."""
        if self._closed:
            return PortState.CLOSED
        if self._connection is None:
            return PortState.GONE
        return PortState.SILENT if self._clock() - self._heard_s > SILENT_AFTER_S else PortState.OPEN

    def read(self, timeout_s: float) -> Event | None:
        """What arrives within `timeout_s` [s], the loss of the device, its return, or None."""
        if self._connection is None:
            return None if self._closed else self._look_again(timeout_s)
        try:
            data = self._connection.read(timeout_s)
        except ConnectionLost as error:
            return self._lose(str(error))
        if not data:
            return None
        self._heard_s = self._clock()
        return Received(self._heard_s, data)

    def close(self) -> None:
        """Let go of the device; a second call does nothing."""
        self._closed = True
        self._let_go()

    def _let_go(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _lose(self, reason: str) -> Lost:
        self._let_go()
        self._lost_s = self._clock()
        self._wait_s = FIRST_RETRY_S
        self._next_try_s = self._lost_s + self._wait_s
        return Lost(self._lost_s, reason)

    def _look_again(self, timeout_s: float) -> Found | None:
        """One try to open the device again once it is due, otherwise a wait of at most `timeout_s`."""
        wait_s = self._next_try_s - self._clock()
        if wait_s > 0:
            self._sleep(min(wait_s, timeout_s))
            return None
        try:
            self._connection = self._connect()
        except PortError:
            self._next_try_s = self._clock() + self._wait_s
            self._wait_s = min(2.0 * self._wait_s, LONGEST_RETRY_S)
            return None
        self.port = self._connection.port
        self._heard_s = self._clock()
        return Found(self._heard_s, self.port, self._heard_s - self._lost_s)
