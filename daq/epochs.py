"""Following an instrument's counter through wraps, restarts, gaps, stalls and wrong stamps, given arrivals.

Between arrivals that agree with the counter everything is one run; whether the next run belongs to the same
life of the counter (an epoch) is told by its delay: transport can hold samples up, but brings none before it
was sent.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

COUNTER_RANGE = 2.0**32
_JUMP_S = 0.5  # a counter that disagrees with the host by more than this …
_JUMP_SHARE = 0.01  # … and this share of the time between has jumped (a ceramic resonator may be 0.5 % off)
_LOOK_S = 20.0  # how much of a run tells whether it belongs to an epoch
_MOST_BAD = 20  # so many stamps in a row may be wrong; more are a restart


def split_epochs(
    host_s: FloatArray, counter: FloatArray, tick_s: float
) -> Iterator[tuple[IntArray, FloatArray]]:
    """The stretches between restarts of an instrument, each as (samples, instrument time [s] from 0).

    host_s: (n_samples,) s of arrival, not decreasing. counter: (n_samples,) ticks of `tick_s` [s], wrapping
    at 32 bits. A step that agrees with the host's goes on in the same epoch, also after a gap or a wrap, and
    so does what a stall held up. Up to `_MOST_BAD` samples that fit nowhere, between ones that do, are in no
    epoch.
    """
    if host_s.size == 0:
        return
    stamps = _Stamps(host_s, counter, tick_s)
    runs = stamps.runs()
    epoch, position = _Epoch(stamps, runs[0]), 1
    while position < len(runs):
        found = _continuation(epoch, runs, position)
        if found is None:
            yield epoch.samples()
            epoch = _Epoch(stamps, runs[position])
        else:
            position, start_s = found
            epoch.join(runs[position], start_s)
        position += 1
    yield epoch.samples()


class _Stamps:
    """Arrivals and counter values of an instrument, cut into runs between which the counter jumps."""

    def __init__(self, host_s: FloatArray, counter: FloatArray, tick_s: float) -> None:
        self.host_s = host_s
        self._counter = counter
        self._tick_s = tick_s
        self._steps_s = self._nearest(np.diff(counter) * tick_s, np.diff(host_s))
        self.elapsed_s = np.concatenate([[0.0], np.cumsum(self._steps_s)])

    def _nearest(self, step_s: FloatArray, host_step_s: FloatArray) -> FloatArray:
        """Steps [s] with as many wraps added as bring them nearest to the host's."""
        range_s = COUNTER_RANGE * self._tick_s
        nearest: FloatArray = step_s - range_s * np.round((step_s - host_step_s) / range_s)
        return nearest

    def runs(self) -> list[range]:
        """The samples between jumps."""
        host_step_s = np.diff(self.host_s)
        apart_s = np.abs(self._steps_s - host_step_s)
        jumps = np.flatnonzero(apart_s > _JUMP_S + _JUMP_SHARE * host_step_s) + 1
        bounds = [0, *jumps.tolist(), self.host_s.size]
        return [range(a, b) for a, b in pairwise(bounds)]

    def span_s(self, run: range) -> float:
        """Instrument time [s] from the first to the last sample of `run`."""
        return float(self.elapsed_s[run[-1]] - self.elapsed_s[run[0]])

    def step_s(self, before: int, after: int) -> float:
        """Instrument time [s] between two samples, as near to the host's as wraps allow."""
        step_s = (self._counter[[after]] - self._counter[before]) * self._tick_s
        return float(self._nearest(step_s, self.host_s[[after]] - self.host_s[before])[0])

    def delay_s(self, run: range, start_s: float, at_end: bool = False) -> float:
        """Smallest delay [s] near an end of `run`, whose first sample is at `start_s` [s] of an epoch."""
        host_s = self.host_s[run.start : run.stop]
        elapsed_s = self.elapsed_s[run.start : run.stop]
        if at_end:
            part = slice(int(np.searchsorted(host_s, host_s[-1] - _LOOK_S)), None)
        else:
            part = slice(None, int(np.searchsorted(host_s, host_s[0] + _LOOK_S, side="right")))
        return float(np.min(host_s[part] - elapsed_s[part])) + float(elapsed_s[0]) - start_s

    def came_in_a_burst(self, run: range) -> bool:
        """Whether `run` took much less time to arrive than to measure, as what a stall has held up does."""
        return float(self.host_s[run[-1]] - self.host_s[run[0]]) <= 0.5 * self.span_s(run)


class _Epoch:
    """One life of a counter, as far as it has been followed."""

    def __init__(self, stamps: _Stamps, run: range) -> None:
        self._stamps = stamps
        self._runs = [(run, 0.0)]
        self._delay_s = stamps.delay_s(run, 0.0, at_end=True)

    def join(self, run: range, start_s: float) -> None:
        """Add `run`, whose first sample is at `start_s` [s] of this epoch."""
        self._runs.append((run, start_s))
        delay_s = self._stamps.delay_s(run, start_s, at_end=True)
        if delay_s - self._delay_s <= _JUMP_S:  # what was held up says nothing about the transport
            self._delay_s = delay_s

    def start_of(self, run: range) -> float | None:
        """Where [s] in this epoch `run` begins, or None where it does not belong to it."""
        last, last_start_s = self._runs[-1]
        step_s = self._stamps.step_s(last[-1], run[0])
        start_s = last_start_s + self._stamps.span_s(last) + step_s
        later_s = self._stamps.delay_s(run, start_s) - self._delay_s
        between_s = float(self._stamps.host_s[run[0]] - self._stamps.host_s[last[-1]])
        if abs(later_s) <= _JUMP_S + _JUMP_SHARE * between_s:
            return start_s
        held_up = later_s > 0.0 and step_s >= 0.0 and self._stamps.came_in_a_burst(run)
        return start_s if held_up else None

    def samples(self) -> tuple[IntArray, FloatArray]:
        """(which samples, their instrument time [s] from the epoch's first)."""
        elapsed_s = self._stamps.elapsed_s
        members = np.concatenate([np.arange(run.start, run.stop) for run, _ in self._runs])
        pieces = [
            elapsed_s[run.start : run.stop] - elapsed_s[run.start] + start_s for run, start_s in self._runs
        ]
        return members, np.concatenate(pieces)


def _continuation(epoch: _Epoch, runs: Sequence[range], position: int) -> tuple[int, float] | None:
    """(which run goes on in `epoch`, where [s] it begins there), passing over `_MOST_BAD` samples at most."""
    passed_over = 0
    for following in range(position, len(runs)):
        start_s = epoch.start_of(runs[following])
        if start_s is not None:
            return following, start_s
        passed_over += len(runs[following])
        if passed_over > _MOST_BAD:
            break
    return None
