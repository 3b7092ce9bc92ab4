"""Samples as physical quantities: one table in °C, lambda, rpm and load on one time base."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from daq.setupfile import Setup

FloatArray = npt.NDArray[np.float64]


class Status(IntEnum):
    """Why a temperature is or is not there."""

    GOOD = 0
    NO_READING = 1
    OPEN_CIRCUIT = 2
    OUT_OF_RANGE = 3


@dataclass(frozen=True)
class Mark:
    """Something that happened at `time_s` [s since the recording began]: a remark, an operator's mark, a gap."""

    time_s: float
    kind: str
    text: str
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class PhysicalTable:
    """A session in physical units on the time base of the instrument that carries the thermocouples.

    time_s: (n_samples,) s since the recording began, strictly increasing.
    egt_C: (n_samples, n_cylinders) °C, NaN where there is no reading; `egt_status` says why.
    egt_status: (n_samples, n_cylinders) values of `Status`.
    cold_junction_C: (n_samples, n_cylinders) °C, NaN for a probe whose instrument converts by itself.
    lambda_by_bank: bank -> (n_samples,), aligned for the configured delay; only banks with a sensor.
    rpm, load, injector_ms, mixture: (n_samples,) or None where the setup names no column.
    gaps_s: (start, end) [s] of times without samples; nothing is interpolated across them.
    problems: what was wrong with the session's files, one plain sentence each.
    """

    name: str
    setup: Setup
    time_s: FloatArray
    cylinders: tuple[int, ...]
    egt_C: FloatArray
    egt_status: npt.NDArray[np.uint8]
    cold_junction_C: FloatArray
    lambda_by_bank: Mapping[str, FloatArray]
    rpm: FloatArray | None = None
    load: FloatArray | None = None
    injector_ms: FloatArray | None = None
    mixture: FloatArray | None = None
    gaps_s: tuple[tuple[float, float], ...] = ()
    marks: tuple[Mark, ...] = ()
    problems: tuple[str, ...] = ()
