"""Following a session while it is being recorded."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from daq.errors import SessionError
from daq.session_csv import header_columns, parse_lines
from daq.session_marks import BOOKKEEPING, MARKS_FILE, SETUP_FILE, Mark, decode_record, mark_of
from daq.session_reader import InstrumentTable, Session, csv_files, inside, join_parts

_MOST_BYTES = 4 << 20  # of one file at one call, so that a long backlog comes in bearable pieces


class SessionTail:
    """Gives out what each call of `poll` finds newly written to the session in `path`.

    backlog_bytes: how much of what each CSV already holds to begin with; None for all of it. Nothing is checked
    against seals here; `open_session` does that. Raises SessionError where `path` is no session.
    """

    def __init__(self, path: str | Path, *, backlog_bytes: int | None = None) -> None:
        self._folder = Path(path)
        self._backlog_bytes = backlog_bytes
        self._files: dict[str, _File] = {}
        self._marks = _File(self._folder / MARKS_FILE)
        self._stopped = False
        try:
            self._setup_text = inside(self._folder, SETUP_FILE).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            raise SessionError(f"{self._folder}: is not a session: {SETUP_FILE} cannot be read") from None

    def poll(self) -> Session:
        """The samples and marks since the last call, as a session of their own.

        `tables` has every instrument whose columns are known, perhaps without a sample; `stopped` says whether
        a stop mark has been seen. Raises SessionError where the folder has gone.
        """
        try:
            tables = {
                instrument: self._new_samples(instrument, paths)
                for instrument, paths in csv_files(self._folder).items()
            }
            marks = self._new_marks()
        except OSError as error:
            raise SessionError(f"{self._folder}: cannot be read ({(error.strerror or '').lower()})") from None
        return Session(
            path=self._folder,
            setup_text=self._setup_text,
            tables={name: table for name, table in tables.items() if table is not None},
            marks=marks,
            stopped=self._stopped,
        )

    def _new_samples(self, instrument: str, paths: list[Path]) -> InstrumentTable | None:
        parts = []
        for path in paths:
            file = self._files.get(path.name)
            if file is None:
                file = self._files.setdefault(path.name, _File(path, self._backlog_bytes))
            lines = file.new_lines()
            if file.columns is not None:
                parts.append((file.columns, parse_lines(lines, 1 + len(file.columns))))
        return join_parts(instrument, parts) if parts else None

    def _new_marks(self) -> tuple[Mark, ...]:
        records = [decode_record(line) for line in self._marks.new_lines().splitlines()]
        good = [record for record in records if record is not None]
        self._stopped = self._stopped or any(record["kind"] == "stop" for record in good)
        return tuple(mark_of(record) for record in good if record["kind"] not in BOOKKEEPING)


@dataclass
class _File:
    """A file and how far it has been read."""

    path: Path
    backlog_bytes: int | None = None
    offset: int = 0
    columns: tuple[str, ...] | None = None

    def new_lines(self) -> bytes:
        """Whole lines that have been added; a CSV's first one only names its columns."""
        with self.path.open("rb") as file:
            if self.offset == 0 and self.path.suffix == ".csv" and not self._read_header(file):
                return b""
            file.seek(self.offset)
            data = file.read(_MOST_BYTES)
        lines = data[: data.rfind(b"\n") + 1]
        self.offset += len(lines)
        return lines

    def _read_header(self, file: BinaryIO) -> bool:
        """Take the columns from the first line, go to where the backlog begins; whether the line is there yet."""
        first = file.readline(_MOST_BYTES)
        if not first.endswith(b"\n"):
            return False
        self.columns = header_columns(first)
        self.offset = len(first)
        begin = file.seek(0, os.SEEK_END) - (self.backlog_bytes or 0)
        if self.backlog_bytes is not None and begin > self.offset:
            file.seek(begin - 1)
            file.readline()
            self.offset = file.tell()
        return True
