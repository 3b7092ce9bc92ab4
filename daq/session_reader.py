"""Opening a session, whole or cut short, without a repair step."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.errors import SessionError
from daq.session_csv import CsvContent, DamagedPart, read_csv
from daq.session_marks import (
    BOOKKEEPING,
    LARGEST_MARKS_BYTES,
    MARKS_FILE,
    SETUP_FILE,
    Mark,
    decode_record,
    mark_of,
    seals_of,
)
from daq.setupfile import Setup, parse_setup, read_setup_bytes

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
_CSV_NAME = re.compile(r"(?P<instrument>[\w-]+)(?:\.(?P<number>[1-9]\d*))?\.csv")


@dataclass(frozen=True)
class InstrumentTable:
    """What one instrument said, as numbers.

    host_s: (n_samples,) s since the recording began at which each sample arrived, not decreasing.
    values: (n_columns, n_samples) in the columns' own units; NaN for no reading, +inf for `open`.
    """

    instrument: str
    columns: tuple[str, ...]
    host_s: FloatArray
    values: FloatArray

    def column(self, name: str) -> FloatArray:
        """(n_samples,) values of a column, NaN for no reading and for `open`. Raises KeyError."""
        values = self.raw(name)
        return np.where(np.isposinf(values), np.nan, values)

    def is_open(self, name: str) -> BoolArray:
        """(n_samples,) whether the instrument reported an open circuit. Raises KeyError."""
        return np.isposinf(self.raw(name))

    def raw(self, name: str) -> FloatArray:
        """(n_samples,) values of a column as in `values`. Raises KeyError."""
        if name not in self.columns:
            raise KeyError(name)
        row: FloatArray = self.values[self.columns.index(name)]
        return row


@dataclass(frozen=True)
class Session:
    """A session as it was found on the disk.

    tables: instrument -> what it said. marks: in order of time, without the seals. damaged: sealed parts
    that are left out. problems: what is wrong with the files, one plain sentence each. stopped: whether the
    recording was ended in order (not while it is still running).
    """

    path: Path
    setup_text: str
    tables: Mapping[str, InstrumentTable]
    marks: tuple[Mark, ...]
    damaged: tuple[DamagedPart, ...] = ()
    problems: tuple[str, ...] = ()
    stopped: bool = True

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.path.resolve().name

    @property
    def start(self) -> Mapping[str, object]:
        """Details of the start mark; empty where it is lost."""
        return next((mark.details for mark in self.marks if mark.kind == "start"), {})

    @cached_property
    def setup(self) -> Setup:
        """The session's own setup. Raises SetupError where its text has been edited to something wrong."""
        return parse_setup(self.setup_text, str(self.path / SETUP_FILE))


def open_session(path: str | Path) -> Session:
    """The session in the folder `path`.

    Raises SessionError where it is none, cannot be read or is too large, SetupError where its setup is too large.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise SessionError(f"{folder}: " + ("is not a folder" if folder.exists() else "does not exist"))
    problems: list[str] = []
    try:
        records = _read_records(folder, problems)
        setup_text = _read_setup(folder, records, problems)
        contents = _read_tables(folder, records, problems)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be read ({(error.strerror or str(error)).lower()})") from None
    if not contents and not any(record["kind"] == "start" for record in records):
        raise SessionError(f"{folder}: is not a session: it has neither {MARKS_FILE} nor an instrument's CSV")
    stopped = any(record["kind"] == "stop" for record in records)
    if not stopped:
        problems.append("the recording has no stop mark: it was cut off, or is still running")
    marks = [mark_of(record) for record in records if record["kind"] not in BOOKKEEPING]
    return Session(
        path=folder,
        setup_text=setup_text,
        tables={
            name: join_parts(name, [(part.columns, part.rows) for part in parts])
            for name, parts in contents.items()
        },
        marks=tuple(sorted(marks, key=lambda mark: mark.time_s)),
        damaged=tuple(part for parts in contents.values() for content in parts for part in content.damaged),
        problems=tuple(problems),
        stopped=stopped,
    )


def inside(folder: Path, name: str) -> Path:
    """The ordinary file `name` of a session. Raises SessionError for a link that leaves the folder."""
    path = folder / name
    if path.is_symlink() and not path.resolve().is_relative_to(folder.resolve()):
        raise SessionError(f"{path}: is a link to outside the session; copy the file instead")
    if path.exists() and not path.is_file():
        raise SessionError(f"{path}: is not an ordinary file")
    return path


def csv_files(folder: Path) -> dict[str, list[Path]]:
    """The CSVs of each instrument by their names, in the order they were begun."""
    found: list[tuple[str, int, Path]] = []
    for entry in folder.iterdir():
        match = _CSV_NAME.fullmatch(entry.name)
        if match is not None:
            found.append((match["instrument"], int(match["number"] or 1), inside(folder, entry.name)))
    files: dict[str, list[Path]] = {}
    for instrument, _, path in sorted(found):
        files.setdefault(instrument, []).append(path)
    return files


def _read_records(folder: Path, problems: list[str]) -> list[dict[str, Any]]:
    path = inside(folder, MARKS_FILE)
    if not path.exists():
        problems.append(f"{MARKS_FILE} is missing: marks are lost and no sample can be checked")
        return []
    with path.open("rb") as file:
        content = file.read(LARGEST_MARKS_BYTES).rstrip(b"\0")
        if file.read(1):
            problems.append(
                f"{MARKS_FILE}: is larger than {LARGEST_MARKS_BYTES >> 20} MB; the rest is left out"
            )
    records: list[dict[str, Any]] = []
    offset = 0
    for line in content[: content.rfind(b"\n") + 1].splitlines(keepends=True):
        text = line.strip()
        record = decode_record(text) if text else None
        if record is not None:
            records.append(record)
        elif text:
            end = offset + len(line)
            problems.append(f"{MARKS_FILE}: bytes {offset} to {end} are a damaged mark, or none; left out")
        offset += len(line)
    return records


def _read_setup(folder: Path, records: list[dict[str, Any]], problems: list[str]) -> str:
    """The text of setup.toml, or what was recorded as such where the file is evidently cut short."""
    path = inside(folder, SETUP_FILE)
    if not path.exists():
        raise SessionError(f"{folder}: is not a session: {SETUP_FILE} is missing")
    text = read_setup_bytes(path).rstrip(b"\0")
    started = next((record for record in records if record["kind"] == "start"), {})
    recorded = str(started.get("setup", ""))
    if recorded.encode("utf-8") != text and recorded.encode("utf-8").startswith(text):
        problems.append(
            f"{SETUP_FILE}: is cut short at byte {len(text)}; the setup noted at the start is used"
        )
        return recorded
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        raise SessionError(f"{path}: is not a text file in UTF-8") from None


def _read_tables(
    folder: Path, records: list[dict[str, Any]], problems: list[str]
) -> dict[str, list[CsvContent]]:
    seals = seals_of(records)
    known = {
        str(r.get("file")): tuple(map(str, r["columns"]))
        for r in records
        if r["kind"] == "columns" and isinstance(r.get("columns"), list)
    }
    contents: dict[str, list[CsvContent]] = {}
    for instrument, paths in csv_files(folder).items():
        for path in paths:
            content = read_csv(path, seals.get(path.name, ()), known.pop(path.name, None))
            if content is not None:
                contents.setdefault(instrument, []).append(content)
                problems += content.problems
    problems += [f"{name}: is missing" for name in known]
    return contents


def join_parts(instrument: str, parts: list[tuple[tuple[str, ...], FloatArray]]) -> InstrumentTable:
    """The files of one instrument, each (columns, rows with host_s first), as one table.

    Columns are matched by name, NaN where a file lacks one; samples are in order of arrival.
    """
    if len(parts) == 1:
        (columns, rows) = parts[0]
        return InstrumentTable(instrument, columns, rows[0], rows[1:])
    columns = tuple(dict.fromkeys(name for names, _ in parts for name in names))
    values = np.full((len(columns), sum(rows.shape[1] for _, rows in parts)), np.nan)
    first = 0
    for names, rows in parts:
        last = first + rows.shape[1]
        for name, row in zip(names, rows[1:], strict=True):
            values[columns.index(name), first:last] = row
        first = last
    host_s = np.concatenate([rows[0] for _, rows in parts])
    order = np.argsort(host_s, kind="stable")
    return InstrumentTable(instrument, columns, host_s[order], values[:, order])
