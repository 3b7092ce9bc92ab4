"""The samples of a table from another program, as `daq.table_import` planned to read them.

A row or a cell that cannot be used is counted and said; where too much of a table is so, it is refused.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.errors import TableError
from daq.session_writer import SessionWriter
from daq.setupfile import Setup
from daq.table_import import Plan, Source
from daq.table_text import NUMBER, OPEN, OUT_OF_RANGE, TableText, is_missing
from daq.table_time import Clock
from daq.table_units import FACTORS, converter
from daq.thermocouple import HIGHEST_C, LOWEST_C

FloatArray = npt.NDArray[np.float64]
BLOCK_ROWS = 20_000
MOST_LATE_SHARE = 0.1
MOST_BAD_SHARE = 0.5
LONGEST_KEPT_S = 1e7
NO_TEMPERATURE_C = "-999"  # below absolute zero: reading it again gives 'out of range'
PLAIN = frozenset("0123456789.+-eE")
# no engine runs at lambda 3.5, none at an air-fuel ratio of 3: such a column is the other of the two
HIGHEST_LAMBDA, LOWEST_AFR = 3.5, 3.0


@dataclass(frozen=True)
class Samples:
    """time_s: (n,) s, increasing. values: target -> (n,), NaN for no reading, +inf for open, -inf out of range.

    remarks: what could not be used, one plain sentence each.
    """

    time_s: FloatArray
    values: Mapping[str, FloatArray]
    remarks: tuple[str, ...]


class _Column:
    """A column being read, block by block; cells that are no number are counted, the first is kept."""

    def __init__(self, source: Source, index: int) -> None:
        self.source, self.index = source, index
        self._blocks: list[FloatArray] = []
        self._bad, self._example = 0, ""

    def add(self, cells: Sequence[str], decimal: str) -> None:
        """Read more cells as numbers."""
        values, bad = numbers(cells, decimal)
        self._example = self._example or (bad[0] if bad else "")
        self._bad += len(bad)
        self._blocks.append(values)

    def add_times(self, cells: Sequence[str], clock: Clock) -> None:
        """Read more cells as times of day."""
        seconds = (clock.seconds(cell) for cell in cells)
        self._blocks.append(np.array([np.nan if s is None else s for s in seconds], dtype=np.float64))

    def values(self) -> FloatArray:
        """(n_rows,) as read, in the table's unit."""
        return np.concatenate(self._blocks) if self._blocks else np.array([])

    def converted(self, fuel: str) -> FloatArray:
        """(n_rows,) in the setup's unit. Raises TableError for what cannot be that quantity."""
        read = self.values()
        if self._bad > MOST_BAD_SHARE * read.size:
            raise TableError(
                f"{self._bad} of {read.size} cells of {self.source.header!r} are no numbers, "
                f"e.g. {self._example!r}"
            )
        said = np.isinf(read)
        _check_plausible(self.source, read[np.isfinite(read)])
        change = converter(self.source.unit, self.source.target_unit, fuel)
        return np.where(said, read, change(np.where(said, np.nan, read)))

    def remarks(self) -> list[str]:
        """What of this column could not be used."""
        if not self._bad:
            return []
        return [
            f"{self.source.header!r}: {self._bad} cells are no numbers (the first: {self._example!r}) "
            "and count as no reading"
        ]


def read_samples(table: TableText, plan: Plan, setup: Setup) -> Samples:
    """The samples of `table`. Raises TableError where too little is left to trust."""
    clock = Clock() if plan.time.unit == "clock" else None
    time = _Column(plan.time, table.headers.index(plan.time.header))
    columns = [_Column(source, table.headers.index(source.header)) for source in plan.columns]
    width, n_rows, misfits = len(table.headers), 0, []
    rows = table.rows()
    while block := list(itertools.islice(rows, BLOCK_ROWS)):
        n_rows += len(block)
        misfits += [line for line, cells in block if not _fits(cells, width)]
        fitting = [cells for _, cells in block if _fits(cells, width)]
        for column in columns:
            column.add([cells[column.index] for cells in fitting], table.decimal)
        said = [cells[time.index] for cells in fitting]
        if clock is None:
            time.add(said, table.decimal)
        else:
            time.add_times(said, clock)
    if len(misfits) > MOST_BAD_SHARE * n_rows:
        raise TableError(f"{len(misfits)} of {n_rows} rows have not the {width} fields of the header")
    values = {column.source.target: column.converted(setup.engine.fuel) for column in columns}
    time_s, keep, remarks = _increasing(time.values() * (FACTORS["s"].get(plan.time.unit, 1.0)), plan.time)
    remarks = [*_misfit_remarks(misfits), *(r for column in columns for r in column.remarks()), *remarks]
    return Samples(time_s, {target: column[keep] for target, column in values.items()}, tuple(remarks))


def numbers(cells: Sequence[str], decimal: str) -> tuple[FloatArray, list[str]]:
    """(n,) numbers of `cells`, NaN for none, +inf for 'open', -inf for 'out of range'; and the other cells.

    >>> numbers(["1,5", "", "open", "1.5"], ",")
    (array([1.5, nan, inf, nan]), ['1.5'])
    """
    plain = PLAIN - {"."} | {decimal}
    if plain.issuperset("".join(cells)):
        try:
            values = np.array([float(cell.replace(",", ".")) if cell else np.nan for cell in cells])
            if not np.isinf(values).any():
                return values, []
        except ValueError:
            pass
    read = [_number(cell, decimal) for cell in cells]
    bad = [cell for cell, value in zip(cells, read, strict=True) if value is None]
    return np.array([np.nan if value is None else value for value in read], dtype=np.float64), bad


def _number(cell: str, decimal: str) -> float | None:
    if is_missing(cell):
        return np.nan
    if cell.lower() == OPEN:
        return np.inf
    if cell.lower() == OUT_OF_RANGE:
        return -np.inf
    plain = cell.replace("−", "-")
    other = "," if decimal == "." else "."
    if other in plain or not NUMBER.fullmatch(plain):
        return None
    value = float(plain.replace(",", "."))
    return value if np.isfinite(value) else None


def _fits(cells: Sequence[str], width: int) -> bool:
    return len(cells) == width or (len(cells) > width and not any(cells[width:]))


def _check_plausible(source: Source, readings: FloatArray) -> None:
    """Raise TableError where the readings cannot be what the column is said to be."""
    if not readings.size:
        return
    low, high, middle = float(readings.min()), float(readings.max()), float(np.median(readings))
    wrong = (
        (source.unit == "lambda" and low > HIGHEST_LAMBDA)
        or (source.unit == "afr" and high < LOWEST_AFR)
        or (source.unit == "C" and not LOWEST_C <= middle <= HIGHEST_C)
    )
    if wrong:
        raise TableError(
            f"{source.header!r} is said to be in {source.unit}, but reads {low:g} to {high:g}; "
            f"tell its unit with --unit '{source.header}=UNIT'"
        )


def _increasing(time_s: FloatArray, source: Source) -> tuple[FloatArray, npt.NDArray[np.bool_], list[str]]:
    """(kept times, which rows, remarks) of `time_s`, (n_rows,), without rows no later than all before them."""
    there = np.isfinite(time_s)
    before = np.fmax.accumulate(np.concatenate([[-np.inf], np.where(there, time_s, -np.inf)]))[:-1]
    late = there & (time_s <= before)
    keep = there & ~late
    if np.count_nonzero(late) > MOST_LATE_SHARE * time_s.size:
        raise TableError(
            f"the time {source.header!r} does not increase in {np.count_nonzero(late)} of {time_s.size} rows; "
            "it is too coarse, or another column is the time (--map 'time=HEADER')"
        )
    if np.count_nonzero(keep) < 2:
        raise TableError(f"{source.header!r} holds fewer than two times")
    remarks = []
    if not there.all():
        remarks.append(f"{np.count_nonzero(~there)} rows have no time and are left out")
    if late.any():
        remarks.append(f"{np.count_nonzero(late)} rows are no later than one before them and are left out")
    kept = time_s[keep]
    if source.unit == "clock" or kept[0] < 0 or kept[-1] > LONGEST_KEPT_S:
        remarks.append("the session's time begins at zero with the first row")
        kept = kept - kept[0]
    return kept, keep, remarks


def _misfit_remarks(misfits: Sequence[int]) -> list[str]:
    if not misfits:
        return []
    lines = ", ".join(str(line) for line in misfits[:5]) + (", …" if len(misfits) > 5 else "")
    return [f"{len(misfits)} rows have another number of fields than the header (lines {lines}): left out"]


def write_session(samples: Samples, setup: Setup, setup_text: str, folder: str | Path, origin: str) -> None:
    """A new session in `folder` that holds `samples`, each column at its instrument; raises SessionError.

    origin: what the table was, for the start mark.
    """
    columns: dict[str, list[str]] = {}
    for target in samples.values:
        columns.setdefault(setup.locate(target)[0], []).append(target)
    with SessionWriter.create(folder, setup_text, details={"imported_from": origin}) as writer:
        for instrument, targets in columns.items():
            writer.header(instrument, [setup.locate(target)[1] for target in targets], time_s=0.0)
            for start in range(0, samples.time_s.size, BLOCK_ROWS):
                part = slice(start, start + BLOCK_ROWS)
                texts = [_texts(samples.values[target][part], target) for target in targets]
                writer.append(instrument, samples.time_s[part].tolist(), list(zip(*texts, strict=True)))
        for remark in samples.remarks:
            writer.mark("import", remark, time_s=0.0)
        writer.close("imported", time_s=float(samples.time_s[-1]))


def _texts(values: FloatArray, target: str) -> list[str]:
    """Numbers as a session's fields, every digit kept; what was out of range stays so."""
    outside = NO_TEMPERATURE_C if target.endswith("_C") else ""
    special = {np.inf: OPEN, -np.inf: outside}
    return [repr(value) if math.isfinite(value) else special.get(value, "") for value in values.tolist()]
