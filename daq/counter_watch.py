"""An instrument's own counter while it is being recorded: has it wrapped, has the instrument restarted?

For marks and the person at the engine only: when a session is read, the whole record decides again.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

COUNTER_RANGE = 2**32
#: A counter that gains more than this [s] on the host's clock is not the same run: transport delays by less.
GAIN_S = 1.0


class CounterEvent(StrEnum):
    """What a counter did."""

    WRAP = "wrap"
    RESTART = "restart"


class _Seen(NamedTuple):
    host_s: float
    counter: int


class CounterWatch:
    """Follows one counter of `tick_s` [s] that may wrap at 32 bits.

    Transport only delays, so within one run the counter never goes back, and gains on the host only what it
    had lost to delay. A value that does otherwise is a restart if the next one goes on from it, else a
    damaged line's.
    """

    def __init__(self, tick_s: float) -> None:
        self._tick_s = tick_s
        self._last: _Seen | None = None
        self._suspect: _Seen | None = None
        self._delay_s = 0.0
        self._away = False

    def reopened(self) -> None:
        """The port was away: if the next step differs from the host's, the instrument has restarted."""
        self._away = True

    def see(self, host_s: float, counter: int) -> CounterEvent | None:
        """Take the next sample's counter, which arrived at `host_s` [s]."""
        seen = _Seen(host_s, counter)
        if self._last is None:
            self._last = seen
            return None
        gain_s = self._gain_s(self._last, seen)
        same_run = gain_s <= self._delay_s + GAIN_S and (not self._away or gain_s >= -GAIN_S)
        restarted = self._suspect is not None and self._gain_s(self._suspect, seen) <= GAIN_S
        if not same_run and not restarted:
            self._suspect = seen
            return None
        wrapped = same_run and counter < self._last.counter
        self._delay_s = max(0.0, self._delay_s - gain_s) if same_run else 0.0
        self._last, self._suspect, self._away = seen, None, False
        if wrapped:
            return CounterEvent.WRAP
        return None if same_run else CounterEvent.RESTART

    def _gain_s(self, before: _Seen, after: _Seen) -> float:
        """How much further [s] the counter went than the host's clock."""
        return (after.counter - before.counter) % COUNTER_RANGE * self._tick_s - (
            after.host_s - before.host_s
        )
