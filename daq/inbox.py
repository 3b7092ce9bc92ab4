"""The bounded queue between the threads that read ports and the one that writes: it overflows in the open."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from daq.reader import Event, Received

#: What an event costs in memory besides its bytes, so that a trickle of single bytes is bounded as well.
EVENT_BYTES = 256


@dataclass(frozen=True, slots=True)
class Overflowed:
    """`lost_bytes` that arrived between `from_s` and `host_s` found no room and are gone."""

    from_s: float
    host_s: float
    lost_bytes: int


class Inbox:
    """Events of several instruments in order of arrival, with room for `limit_bytes` of each.

    What finds no room is thrown away, and from then on everything of that instrument until half of its room
    is free again: one clean hole, with its size and time, instead of many small ones.
    """

    def __init__(self, instruments: Iterable[str], limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._lock = threading.Lock()
        self._filled = threading.Event()
        self._events: deque[tuple[str, Event | Overflowed]] = deque()
        self._bytes = dict.fromkeys(instruments, 0)
        self._hole: dict[str, Overflowed] = {}

    def put(self, instrument: str, event: Event) -> None:
        """Add an event; never waits for room."""
        size = len(event.data) + EVENT_BYTES if isinstance(event, Received) else 0
        with self._lock:
            hole = self._hole.get(instrument)
            room = self._limit_bytes if hole is None else self._limit_bytes // 2
            if isinstance(event, Received) and self._bytes[instrument] + size > room:
                from_s, lost = (event.host_s, 0) if hole is None else (hole.from_s, hole.lost_bytes)
                self._hole[instrument] = Overflowed(from_s, event.host_s, lost + len(event.data))
            else:
                self._close_hole(instrument)
                self._events.append((instrument, event))
                self._bytes[instrument] += size
        self._filled.set()

    def wait(self, timeout_s: float) -> None:
        """Return when there is something to take, at the latest after `timeout_s` [s]."""
        self._filled.wait(timeout_s)

    def take(self) -> list[tuple[str, Event | Overflowed]]:
        """Everything that is there, the oldest first."""
        with self._lock:
            self._filled.clear()
            for instrument in tuple(self._hole):
                self._close_hole(instrument)
            events = list(self._events)
            self._events.clear()
            self._bytes = dict.fromkeys(self._bytes, 0)
        return events

    def fill(self, instrument: str) -> float:
        """How full the room of `instrument` is, 0…1."""
        return self._bytes[instrument] / self._limit_bytes

    def _close_hole(self, instrument: str) -> None:
        hole = self._hole.pop(instrument, None)
        if hole is not None:
            self._events.append((instrument, hole))
