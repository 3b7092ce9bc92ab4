"""Samples averaged into blocks of equal length: the grid on which conditions are judged and curves fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.physical import PhysicalTable

FloatArray = npt.NDArray[np.float64]

BLOCK_S = 0.5  # fine enough for a probe's lag of about a second, coarse enough that ten hours stay small


@dataclass(frozen=True)
class Blocks:
    """Block means on a uniform grid; NaN where a block holds no valid sample.

    time_s: (n_blocks,) middle of each block [s]. length_s: of one block.
    egt_C: (n_blocks, n_cylinders). coverage: same shape, share of the block's samples that were valid (0..1).
    scatter_C: same shape, standard deviation within the block [°C] (NaN below three samples).
    ln_phi: bank -> (n_blocks,) natural logarithm of the bank's relative fuel, -ln(lambda).
    rpm, load, injector_ms: (n_blocks,) or None.
    """

    time_s: FloatArray
    length_s: float
    cylinders: tuple[int, ...]
    egt_C: FloatArray
    coverage: FloatArray
    scatter_C: FloatArray
    ln_phi: Mapping[str, FloatArray]
    rpm: FloatArray | None
    load: FloatArray | None
    injector_ms: FloatArray | None

    def columns(self, cylinders: tuple[int, ...]) -> list[int]:
        """Column numbers of `cylinders` in `egt_C`."""
        return [self.cylinders.index(c) for c in cylinders]


def make_blocks(table: PhysicalTable) -> Blocks:
    """Average `table` into blocks of BLOCK_S, or of one sample period where the instrument is slower than that."""
    time_s = table.time_s
    period_s = float(np.median(np.diff(time_s[: min(len(time_s), 10_000)]))) if len(time_s) > 1 else BLOCK_S
    length_s = max(BLOCK_S, period_s)
    index = (
        np.floor((time_s - time_s[0]) / length_s + 1e-6).astype(np.int64)
        if len(time_s)
        else np.zeros(0, np.int64)
    )
    n_blocks = int(index[-1]) + 1 if len(index) else 0
    grid = _Grid(index, n_blocks)
    egt_C, valid, scatter_C = grid.mean_count_scatter(table.egt_C)
    samples = np.bincount(index, minlength=n_blocks).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        coverage = valid / samples[:, None]
    mixtures = _ln_phi(table)
    return Blocks(
        time_s=(float(time_s[0]) if len(time_s) else 0.0)
        + (np.arange(n_blocks, dtype=np.float64) + 0.5) * length_s,
        length_s=length_s,
        cylinders=table.cylinders,
        egt_C=egt_C,
        coverage=np.nan_to_num(coverage),
        scatter_C=scatter_C,
        ln_phi={bank: grid.mean(values) for bank, values in mixtures.items()},
        rpm=None if table.rpm is None else grid.mean(table.rpm),
        load=None if table.load is None else grid.mean(table.load),
        injector_ms=None if table.injector_ms is None else grid.mean(table.injector_ms),
    )


def _ln_phi(table: PhysicalTable) -> dict[str, FloatArray]:
    """Each bank's ln(relative fuel): from its lambda, else from the column that holds the whole engine's fuel."""
    result: dict[str, FloatArray] = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        for bank in table.setup.bank:
            if bank.name in table.lambda_by_bank:
                values = table.lambda_by_bank[bank.name]
                result[bank.name] = np.where(values > 0, -np.log(values), np.nan)
            elif table.mixture is not None:
                result[bank.name] = np.where(table.mixture > 0, np.log(table.mixture), np.nan)
    return result


class _Grid:
    """Averages of columns over runs of equal, non-decreasing block index."""

    def __init__(self, index: npt.NDArray[np.int64], n_blocks: int) -> None:
        self.n_blocks = n_blocks
        self.starts = np.flatnonzero(np.diff(index, prepend=-1)) if len(index) else np.zeros(0, np.int64)
        self.filled = index[self.starts] if len(index) else index

    def _sum(self, values: FloatArray) -> FloatArray:
        total = np.zeros((self.n_blocks, *values.shape[1:]))
        if len(self.starts):
            total[self.filled] = np.add.reduceat(values, self.starts, axis=0)
        return total

    def mean_count_scatter(self, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        valid = np.isfinite(values)
        clean = np.where(valid, values, 0.0)
        count = self._sum(valid.astype(float))
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = self._sum(clean) / count
            # the sum of squares is taken about a nearby constant: plain squares of 900 °C lose the noise's digits
            centre = clean.sum(axis=0) / np.maximum(valid.sum(axis=0), 1)
            squares = self._sum(np.where(valid, (values - centre) ** 2, 0.0))
            variance = (squares - count * (mean - centre) ** 2) / (count - 1)
            scatter = np.where(count >= 3, np.sqrt(np.maximum(variance, 0.0)), np.nan)
        return mean, count, scatter

    def mean(self, values: FloatArray) -> FloatArray:
        return self.mean_count_scatter(values[:, None])[0][:, 0]
