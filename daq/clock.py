"""Instrument time to host time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.session_reader import InstrumentTable

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SampleTimes:
    """When samples were taken: time_s (n_kept,) s since the recording began, strictly increasing.

    kept: (n_kept,) which samples of the table these are. problems: what was left out and why, one sentence each.
    """

    time_s: FloatArray
    kept: npt.NDArray[np.intp]
    problems: tuple[str, ...] = ()


def sample_times(table: InstrumentTable) -> SampleTimes:
    """When the samples of `table` were taken."""
    ahead = np.maximum.accumulate(np.concatenate([[-np.inf], table.host_s]))[:-1]
    kept = np.flatnonzero(table.host_s > ahead)
    dropped = table.host_s.size - kept.size
    problems = (
        (f"{table.instrument}: {dropped} samples without a later time than the one before",)
        if dropped
        else ()
    )
    return SampleTimes(table.host_s[kept], kept, problems)
