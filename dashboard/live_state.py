"""The last minute of a recording as what the live page shows: deviations with whiskers, trends, rates."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.physical import PhysicalTable, Status
from daq.setupfile import Setup
from daq.tolerance import tolerance_C

FloatArray = npt.NDArray[np.float64]
KEPT_S = 60.0
BEAD_S = 0.5
WHISKER_S = 10.0
TREND_S = 10.0
STATUS_WORDS = {
    Status.GOOD: "",
    Status.NO_READING: "no reading",
    Status.OPEN_CIRCUIT: "open",
    Status.OUT_OF_RANGE: "out of range",
}


@dataclass(frozen=True)
class LiveSample:
    """One sample: egt_C, status (n_cylinders,), lambda (n_banks,), speed [1/min] and load; NaN: not there."""

    time_s: float
    egt_C: FloatArray
    status: npt.NDArray[np.uint8]
    lambda_: FloatArray
    rpm: float
    load: float


def live_samples(table: PhysicalTable, setup: Setup) -> list[LiveSample]:
    """The samples of `table` one by one, banks in the order of `setup`."""
    nothing = np.full(table.time_s.size, np.nan)
    lambda_ = np.array([table.lambda_by_bank.get(bank.name, nothing) for bank in setup.bank])
    rpm = nothing if table.rpm is None else table.rpm
    load = nothing if table.load is None else table.load
    return [
        LiveSample(
            float(table.time_s[i]),
            table.egt_C[i],
            table.egt_status[i],
            lambda_[:, i],
            float(rpm[i]),
            float(load[i]),
        )
        for i in range(table.time_s.size)
    ]


class LiveState:
    """The samples of the last minute."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self._samples: deque[LiveSample] = deque()

    def add(self, sample: LiveSample) -> None:
        """Take a sample; one that is not later than the last begins the minute anew."""
        if self._samples and sample.time_s <= self._samples[-1].time_s:
            self._samples.clear()
        self._samples.append(sample)
        while self._samples[-1].time_s - self._samples[0].time_s > KEPT_S:
            self._samples.popleft()

    @property
    def newest(self) -> LiveSample | None:
        """The last sample, None before the first."""
        return self._samples[-1] if self._samples else None

    def since(self, seconds: float) -> list[LiveSample]:
        """The samples of the last `seconds`, oldest first."""
        if not self._samples:
            return []
        start_s = self._samples[-1].time_s - seconds
        recent = []
        for sample in reversed(self._samples):
            if sample.time_s < start_s:
                break
            recent.append(sample)
        return recent[::-1]

    def quick(self) -> dict[str, Any]:
        """What changes with every sample: time, temperatures, deviations, mixture, speed, load."""
        newest, recent = self.newest, self.since(BEAD_S)
        if newest is None:
            return {}
        egt_C = np.array([s.egt_C for s in recent])
        return {
            "t": round(newest.time_s, 3),
            "T": _rounded(_mean(egt_C), 1),
            "d": _rounded(_mean(deviations_C(egt_C, self.setup)), 1),
            "lost": [STATUS_WORDS[Status(code)] for code in newest.status],
            "lambda": _rounded(_mean(np.array([s.lambda_ for s in recent])), 3),
            "rpm": _rounded(_mean(np.array([[s.rpm] for s in recent])), 0)[0],
            "load": _rounded(_mean(np.array([[s.load] for s in recent])), 1)[0],
        }

    def slow(self) -> dict[str, Any]:
        """What is enough twice a second: whiskers [°C], trends [°C/min], samples per second."""
        recent = self.since(TREND_S)
        if len(recent) < 3:
            return {}
        time_s = np.array([s.time_s for s in recent])
        egt_C = np.array([s.egt_C for s in recent])
        return {
            "u": _rounded(whiskers_C(egt_C, self.setup), 1),
            "trend": _rounded(trends_C_per_min(time_s, egt_C), 0),
            "rate": round((len(recent) - 1) / max(1e-9, float(time_s[-1] - time_s[0])), 1),
        }


def deviations_C(egt_C: FloatArray, setup: Setup) -> FloatArray:
    """(n, n_cylinders) °C from the mean of the cylinder's own bank, over the readings that are there."""
    result = np.full(egt_C.shape, np.nan)
    first = 0
    for bank in setup.bank:
        own = slice(first, first + len(bank.cylinders))
        good = np.isfinite(egt_C[:, own])
        count = good.sum(axis=1, keepdims=True)
        total = np.where(good, egt_C[:, own], 0.0).sum(axis=1, keepdims=True)
        # a bank with one reading has no mean to compare with
        mean = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 1)
        result[:, own] = egt_C[:, own] - mean
        first += len(bank.cylinders)
    return result


def whiskers_C(egt_C: FloatArray, setup: Setup) -> FloatArray:
    """(n_cylinders,) expanded uncertainty (k = 2) [°C] of the mean deviation shown: probes and scatter.

    Each probe's tolerance is taken as rectangular (JCGM 100:2008, 4.3.7); the bank's mean carries the others'.
    Scatter: standard deviation of the deviation over these samples, as one bead's worth of it is averaged.
    """
    deviation = deviations_C(egt_C, setup)
    level = _mean(egt_C)
    classes = {probe.cylinder: probe.tolerance for probe in setup.probe}
    limits = [
        float(tolerance_C(classes[c], t)) if c in classes and np.isfinite(t) else np.nan
        for c, t in zip(setup.cylinders, level, strict=True)
    ]
    variance = (np.array(limits) / np.sqrt(3.0)) ** 2
    result = np.full(len(limits), np.nan)
    first = 0
    for bank in setup.bank:
        own = slice(first, first + len(bank.cylinders))
        count = int(np.isfinite(variance[own]).sum())
        if count > 1:
            others = np.nansum(variance[own]) - variance[own]
            result[own] = (1 - 1 / count) ** 2 * variance[own] + others / count**2
        first += len(bank.cylinders)
    good = np.isfinite(deviation)
    spread = np.where(good, deviation - _mean(deviation), 0.0)
    scatter = (spread**2).sum(axis=0) / np.maximum(1, good.sum(axis=0) - 1) * BEAD_S / WHISKER_S
    return np.asarray(2.0 * np.sqrt(result + scatter))


def trends_C_per_min(time_s: FloatArray, egt_C: FloatArray) -> FloatArray:
    """(n_cylinders,) slope of the straight line through each cylinder's readings, °C/min."""
    result = np.full(egt_C.shape[1], np.nan)
    for column in range(egt_C.shape[1]):
        good = np.isfinite(egt_C[:, column])
        t = time_s[good] - time_s[good].mean() if good.sum() > 2 else np.zeros(0)
        if t.size and float((t**2).sum()) > 0:
            result[column] = 60.0 * float((t * egt_C[good, column]).sum() / (t**2).sum())
    return result


def _mean(values: FloatArray) -> FloatArray:
    """Mean over rows of what is there; NaN where nothing is."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))


def _rounded(values: FloatArray, digits: int) -> list[float | None]:
    return [round(float(v), digits) if np.isfinite(v) else None for v in values]
