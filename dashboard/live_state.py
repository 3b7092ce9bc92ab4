"""The last minute of a recording as what the live page shows: deviations with whiskers, trends, rates."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.live_deviation import (
    BEAD_S,
    WHISKER_S,
    LiveSample,
    deviations_C,
    mean_of_known,
    trends_C_per_min,
    whiskers_C,
)
from daq.physical import Status
from daq.setupfile import Setup

FloatArray = npt.NDArray[np.float64]
KEPT_S = 60.0
STATUS_WORDS = {
    Status.GOOD: "",
    Status.NO_READING: "no reading",
    Status.OPEN_CIRCUIT: "open",
    Status.OUT_OF_RANGE: "out of range",
}


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
            "T": _rounded(mean_of_known(egt_C), 1),
            "d": _rounded(mean_of_known(deviations_C(egt_C, self.setup)), 1),
            "lost": [STATUS_WORDS[Status(code)] for code in newest.status],
            "lambda": _rounded(mean_of_known(np.array([s.lambda_ for s in recent])), 3),
            "rpm": _rounded(mean_of_known(np.array([[s.rpm] for s in recent])), 0)[0],
            "load": _rounded(mean_of_known(np.array([[s.load] for s in recent])), 1)[0],
        }

    def slow(self) -> dict[str, Any]:
        """What is enough twice a second: whiskers [°C], trends [°C/min], samples per second."""
        recent = self.since(WHISKER_S)
        if len(recent) < 3:
            return {}
        time_s = np.array([s.time_s for s in recent])
        egt_C = np.array([s.egt_C for s in recent])
        return {
            "u": _rounded(whiskers_C(egt_C, self.setup), 1),
            "trend": _rounded(trends_C_per_min(time_s, egt_C), 0),
            "rate": round((len(recent) - 1) / max(1e-9, float(time_s[-1] - time_s[0])), 1),
        }


def _rounded(values: FloatArray, digits: int) -> list[float | None]:
    return [round(float(v), digits) if np.isfinite(v) else None for v in values]
