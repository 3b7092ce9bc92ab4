"""The instrument's own counter: 32 bits that wrap, and a start from zero whenever the instrument restarts.

An epoch is a stretch of samples over which the counter ran on. Where arrival times are known, two samples
belong to one epoch if the counter's step forward, modulo 2³², agrees with the host's step within
`AGREEMENT_S`. A restart does not agree; neither does a long stall of the transport, and splitting there does
no harm, since each epoch finds its own place in host time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from daq.values import FloatArray

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

AGREEMENT_S = 0.3
"""Above the rare 0.2 s stalls of a USB port, below the time that any restart takes."""

_MODULUS = 1 << 32
_LONGEST_STEP_S = 10.0
"""Without arrival times, a longer step forward may be a stray value; the next sample tells."""

_TICK_S = {"time_ms": 1e-3, "time_us": 1e-6}


class CounterEvent(StrEnum):
    """What the counter did, other than running on."""

    WRAPPED = "the counter wrapped"
    RESTARTED = "the instrument restarted, or its data stalled"
    STRAY = "a counter value that fits neither neighbour"


@dataclass(frozen=True)
class Unwrapped:
    """epoch: (n,) number of each sample's epoch, from 0. seconds: (n,) since the epoch's first sample, NaN
    for a stray counter value: one out of order between two that agree with each other."""

    epoch: IntArray
    seconds: FloatArray


def unwrap(counter: IntArray, first_column: str, host_s: FloatArray | None = None) -> Unwrapped:
    """Epochs and seconds from raw counter values (n,) of the column `first_column`, time_ms or time_us.

    host_s: (n,) s, arrival times on a clock that never steps; None where they are not known. Then a fall by
    more than half the counter's range is a wrap, a smaller fall is a restart, and a rise is time that passed.
    """
    tick_s, n = _TICK_S[first_column], counter.size
    step, step_over = _forward(counter[:-1], counter[1:]), _forward(counter[:-2], counter[2:])
    if host_s is None:
        agree, agree_over = step * tick_s <= _LONGEST_STEP_S, step_over * tick_s <= _LONGEST_STEP_S
    else:
        agree = np.abs(step * tick_s - (host_s[1:] - host_s[:-1])) <= AGREEMENT_S
        agree_over = np.abs(step_over * tick_s - (host_s[2:] - host_s[:-2])) <= AGREEMENT_S
    excused = np.flatnonzero(~agree[:-1] & agree_over) + 1
    stray = excused[step[excused - 1] > step_over[excused - 1]]
    joined = agree if host_s is not None else step <= _MODULUS // 2
    joined[excused - 1] = joined[excused] = True
    epoch = np.concatenate([np.zeros(min(n, 1), np.int64), np.cumsum(~joined)])
    kept = np.delete(np.arange(n), stray)
    return Unwrapped(epoch, _seconds(counter, epoch, kept, tick_s))


def _seconds(counter: IntArray, epoch: IntArray, kept: IntArray, tick_s: float) -> FloatArray:
    """(n,) s since the first sample of each epoch; NaN except at the indices `kept`."""
    ticks, number = np.zeros(kept.size, np.int64), epoch[kept]
    same = number[1:] == number[:-1]
    ticks[1:] = np.cumsum(np.where(same, _forward(counter[kept[:-1]], counter[kept[1:]]), 0))
    seconds = np.full(counter.size, np.nan)
    seconds[kept] = (ticks - ticks[np.searchsorted(number, number)]) * tick_s
    return seconds


def _forward(before: IntArray, after: IntArray) -> IntArray:
    """Ticks from one counter value to another: modulo 2³² unless either is too large for a 32-bit counter."""
    step = after - before
    return np.where((step < 0) & (before < _MODULUS), step + _MODULUS, step)


class _Seen(NamedTuple):
    counter: int
    host_s: float


class CounterClock:
    """The rule of `unwrap`, sample by sample, so that a wrap or a restart can be marked as it happens."""

    def __init__(self, first_column: str) -> None:
        self._tick_s = _TICK_S[first_column]
        self._last: _Seen | None = None
        self._before_jump: _Seen | None = None

    def add(self, counter: int, host_s: float) -> CounterEvent | None:
        """What the counter did up to this sample. A restart is known for sure, and told, one sample later."""
        now, last, before_jump = _Seen(counter, host_s), self._last, self._before_jump
        self._last, self._before_jump = now, None
        if last is None:
            return None
        if before_jump is not None and self._agree(before_jump, now):
            stray = self._step(before_jump, last) > self._step(before_jump, now)
            return CounterEvent.STRAY if stray else None
        if not self._agree(last, now):
            self._before_jump = last
        if before_jump is not None:
            return CounterEvent.RESTARTED
        return CounterEvent.WRAPPED if counter < last.counter and self._before_jump is None else None

    def _agree(self, before: _Seen, after: _Seen) -> bool:
        elapsed_s = after.host_s - before.host_s
        return abs(self._step(before, after) * self._tick_s - elapsed_s) <= AGREEMENT_S

    def _step(self, before: _Seen, after: _Seen) -> int:
        step = after.counter - before.counter
        return step + _MODULUS if step < 0 and before.counter < _MODULUS else step
