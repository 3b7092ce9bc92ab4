"""Deviations with whiskers and trends from the last samples of a running recording, for whoever watches it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.physical import PhysicalTable
from daq.setupfile import Setup
from daq.tolerance import rectangular_standard_uncertainty, tolerance_C

FloatArray = npt.NDArray[np.float64]
BEAD_S = 0.5  # what one shown value is the mean of
WHISKER_S = 10.0  # what its scatter is taken from


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
    level = mean_of_known(egt_C)
    classes = {probe.cylinder: probe.tolerance for probe in setup.probe}
    limits = [
        float(tolerance_C(classes[c], t)) if c in classes and np.isfinite(t) else np.nan
        for c, t in zip(setup.cylinders, level, strict=True)
    ]
    variance = rectangular_standard_uncertainty(np.array(limits)) ** 2
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
    spread = np.where(good, deviation - mean_of_known(deviation), 0.0)
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


def mean_of_known(values: FloatArray) -> FloatArray:
    """(n_columns,) mean over rows of what is there; NaN where nothing is."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))
