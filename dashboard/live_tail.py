"""Follows a session while it is being recorded: new whole lines as they are written, in physical units at once."""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.clock import TICK_S
from daq.live_values import restrict
from daq.physical import PhysicalTable, physical_table
from daq.session import InstrumentTable, Session
from daq.session_marks import MARKS_FILE, decode_record
from daq.setupfile import load_setup
from dashboard.session_folder import SETUP_NAME

FloatArray = npt.NDArray[np.float64]
LOOK_BACK_BYTES = 400_000
LARGEST_READ_BYTES = 1_000_000


class FileTail:
    """Whole lines appended to a file, from `offset` on; a last line without its end waits for the rest."""

    def __init__(self, path: Path, offset: int = 0) -> None:
        self.path = path
        self.offset = offset

    def lines(self) -> list[str]:
        """The new whole lines, empty if there is none."""
        try:
            if self.path.stat().st_size <= self.offset or self.path.is_symlink():
                return []
            with self.path.open("rb") as file:
                file.seek(self.offset)
                content = file.read(LARGEST_READ_BYTES)
        except OSError:
            return []
        whole = content.rfind(b"\n") + 1
        self.offset += whole
        return content[:whole].decode("ascii", "replace").splitlines()


@dataclass
class _Csv:
    """One instrument's file: its tail and its columns, without those that count time (arrival is enough here)."""

    tail: FileTail
    columns: tuple[str, ...]
    kept: tuple[int, ...]
    last: FloatArray | None = None


class SessionTail:
    """The present of one session folder. Raises SetupError if its setup cannot be used."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.setup = load_setup(folder / SETUP_NAME)
        self._files: dict[str, _Csv] = {}
        self._usable = self.setup
        self._marks = FileTail(folder / MARKS_FILE)

    def marks(self) -> list[dict[str, Any]]:
        """Records of marks.jsonl that are new since the last call; damaged lines are left out."""
        records = (decode_record(line.encode()) for line in self._marks.lines())
        return [record for record in records if record is not None]

    def read(self) -> PhysicalTable | None:
        """The samples that have been written since the last call, None if there are none.

        They are converted like a whole session, so that a live value and the same value read back later agree. Of
        an instrument that does not carry the probes only the newest sample counts.
        """
        self._look_for_files()
        rows = {name: self._new_rows(file) for name, file in self._files.items()}
        if not self._usable.probe:
            return None
        main = self._usable.locate(self._usable.probe[0].column)[0]
        if main not in rows or rows[main].shape[1] == 0:
            return None
        host_s = rows[main][0] + 1e-6 * np.arange(
            rows[main].shape[1]
        )  # a batch may share its time of arrival
        tables = {main: InstrumentTable(main, self._files[main].columns, host_s, rows[main][1:])}
        for name, file in self._files.items():
            if name != main:
                held = np.full(1 + len(file.columns), np.nan) if file.last is None else file.last
                around_s = np.array([host_s[0] - 1e-3, host_s[-1] + 1e-3])
                tables[name] = InstrumentTable(name, file.columns, around_s, np.tile(held[1:, None], 2))
        return physical_table(Session(self.folder, "", tables, ()), self._usable)

    def _look_for_files(self) -> None:
        """Open the CSV of each instrument that has begun, not far from its end."""
        waiting = [i.name for i in self.setup.instrument if i.name not in self._files]
        for name in waiting:
            path = self.folder / f"{name}.csv"
            if path.is_symlink() or not path.is_file():
                continue
            with path.open("rb") as file:
                head = file.readline(LARGEST_READ_BYTES)
                if not head.endswith(b"\n"):
                    continue
                start = max(len(head), os.fstat(file.fileno()).st_size - LOOK_BACK_BYTES)
                if start > len(head):
                    file.seek(start)
                    start += len(file.readline())
            names = next(csv.reader([head.decode("ascii", "replace").strip()]))
            kept = tuple(i for i, column in enumerate(names) if i == 0 or column not in TICK_S)
            self._files[name] = _Csv(FileTail(path, start), tuple(names[i] for i in kept[1:]), kept)
        if waiting:
            self._usable = restrict(self.setup, {name: file.columns for name, file in self._files.items()})

    def _new_rows(self, file: _Csv) -> FloatArray:
        """(1 + n_columns, n_new): arrival and values of each new whole line that has the right fields."""
        width = max(file.kept) + 1
        lines = (line.split(",") for line in file.tail.lines())
        rows = [[number(fields[i]) for i in file.kept] for fields in lines if len(fields) >= width]
        whole = [row for row in rows if np.isfinite(row[0])]
        new = np.array(whole, dtype=np.float64).reshape(len(whole), len(file.kept)).T
        if whole:
            file.last = new[:, -1]
        return new


def number(field: str) -> float:
    """A field of a session's CSV: NaN for no reading, +inf for `open`."""
    text = field.strip().lower()
    if text == "open":
        return float("inf")
    try:
        value = float(text) if text else float("nan")
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")
