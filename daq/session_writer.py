"""Writing a session: each batch in one call, synced on demand, sealed every 10 s, nothing overwritten."""

from __future__ import annotations

import contextlib
import importlib.metadata
import os
import re
import threading
import time
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import NoReturn, Self

from daq.errors import SessionError
from daq.session_files import append_whole, create_file, make_folder, reason_of, sync_file, sync_folder
from daq.session_marks import MARKS_FILE, SETUP_FILE, encode_record

SEAL_EVERY_S = 10.0
_NAME = re.compile(r"[^\W.][\w-]{0,63}")


@dataclass
class _Part:
    """One CSV being written: `length` bytes so far, `crc32` of those since `sealed_to`."""

    path: Path
    columns: tuple[str, ...]
    file: int
    length: int = 0
    sealed_to: int = 0
    crc32: int = 0
    until_s: float = 0.0


class SessionWriter:
    """A session folder being recorded. Methods may be called from several threads.

    Every failure to write (a full disk, a folder removed) raises SessionError and ends the session: what was
    synced stays readable, and nothing is written after a torn line.
    """

    def __init__(self, folder: Path, clock: Callable[[], float], started_s: float, marks: int) -> None:
        """Use `create`."""
        self.folder = folder
        self.started_s = started_s
        self._clock = clock
        self._marks = marks
        self._lock = threading.Lock()
        self._parts: dict[str, list[_Part]] = {}
        self._current: dict[str, _Part | tuple[str, ...]] = {}
        self._last_seal_s = 0.0
        self._failure: str | None = None
        self._closed = False

    @classmethod
    def create(
        cls,
        folder: str | Path,
        setup_text: str,
        *,
        clock: Callable[[], float] = time.perf_counter,
        details: Mapping[str, object] | None = None,
    ) -> Self:
        """A new session in `folder`, which must not exist yet or be empty.

        clock: a clock [s] that never steps and that all processes of the computer share. details: further
        keys of the start mark, e.g. the stream that is replayed. Raises SessionError.
        """
        folder = Path(folder)
        try:
            make_folder(folder)
            if any(folder.iterdir()):
                raise SessionError(f"{folder}: is not empty; a recording needs a new folder")
            setup = create_file(folder / SETUP_FILE)
            try:
                append_whole(setup, setup_text.encode("utf-8"))
                sync_file(setup)
            finally:
                os.close(setup)
            marks = create_file(folder / MARKS_FILE)
        except OSError as error:
            raise SessionError(f"{folder}: cannot record here ({reason_of(error)})") from None
        writer = cls(folder, clock, clock(), marks)
        writer.mark(
            "start",
            "recording started",
            time_s=0.0,
            wall_clock=datetime.now().astimezone().isoformat(timespec="milliseconds"),
            version=importlib.metadata.version("evenburn"),
            clock_s=writer.started_s,
            setup=setup_text,
            **(details or {}),
        )
        writer._sync_file(marks, folder / MARKS_FILE)
        writer._sync_folder()
        return writer

    @property
    def now_s(self) -> float:
        """Seconds since the recording began."""
        return self._clock() - self.started_s

    def header(self, instrument: str, columns: Sequence[str], *, time_s: float | None = None) -> None:
        """The columns that `instrument` names from now on; to be called before its first sample.

        Repeating the same columns does nothing. Other columns than before begin a second file `NAME.2.csv`
        with the next sample (and so on), so that every file keeps one meaning per column; columns that come
        back go on in the file they had. A new file is noted by a `columns` mark. Raises SessionError.
        """
        columns = tuple(columns)
        if not _NAME.fullmatch(instrument):
            raise SessionError(
                f"instrument name {instrument!r}: cannot be a file name; use letters, digits, '_' and '-'"
            )
        if not columns or any(not name or set(name) & set(',"\r\n') for name in columns):
            raise SessionError(f"instrument {instrument!r}: column names {columns!r} cannot head a table")
        with self._lock:
            current = self._current.get(instrument)
            if current is None:
                self._begin_part(instrument, columns, time_s)
            elif columns != (current.columns if isinstance(current, _Part) else current):
                known = [part for part in self._parts[instrument] if part.columns == columns]
                self._current[instrument] = known[0] if known else columns

    def append(self, instrument: str, host_s: Sequence[float], fields: Sequence[Sequence[str]]) -> None:
        """A batch of samples of `instrument`, in one write call.

        host_s: (n_samples,) s since the recording began, not decreasing. fields: n_samples rows with one
        text per column, as received. Raises SessionError where the disk refuses, ValueError for rows that do
        not fit.
        """
        if len(host_s) != len(fields):
            raise ValueError(f"{len(host_s)} times for {len(fields)} samples")
        if not fields:
            return
        text = "".join(f"{t:.6f},{','.join(row)}\n" for t, row in zip(host_s, fields, strict=True))
        data = text.encode("ascii")
        with self._lock:
            current = self._current.get(instrument)
            if current is None:
                raise ValueError(f"instrument {instrument!r} has no header yet")
            if not isinstance(current, _Part):
                current = self._begin_part(instrument, current, float(host_s[0]))
            width = len(current.columns)
            if any(len(row) != width for row in fields) or data.count(b",") != width * len(fields):
                raise ValueError(f"a sample of {instrument!r} has not the {width} fields of its header")
            if data.count(b"\n") != len(fields) or b'"' in data:
                raise ValueError(f"a field of {instrument!r} holds a line end or a quotation mark")
            self._write(current.file, current.path, data)
            current.length += len(data)
            current.crc32 = zlib.crc32(data, current.crc32)
            current.until_s = float(host_s[-1])

    def mark(self, kind: str, text: str, *, time_s: float | None = None, **details: object) -> None:
        """Note that something happened, now or at `time_s` [s]. Raises SessionError."""
        line = encode_record(self.now_s if time_s is None else time_s, kind, text, details)
        with self._lock:
            self._write(self._marks, self.folder / MARKS_FILE, line)

    def seal(self) -> None:
        """Note each CSV's length and the CRC-32 of what came since the last seal. Raises SessionError."""
        with self._lock:
            self._write_seal(self._take_unsealed())

    def sync(self) -> None:
        """Make all that was written survive a power cut; seal it where 10 s have passed. Raises SessionError.

        To be called about once a second, best from a thread that reads no port: a busy disk may hold it up,
        while `append` goes on.
        """
        with self._lock:
            self._check_usable()
            parts = self._all_parts()
            unsealed = self._take_unsealed() if self.now_s - self._last_seal_s >= SEAL_EVERY_S else {}
        for part in parts:
            self._sync_file(part.file, part.path)
        with self._lock:  # a seal on the disk before its samples would call a power cut a damage
            self._write_seal(unsealed)
        self._sync_file(self._marks, self.folder / MARKS_FILE)

    def close(self, reason: str = "stopped", *, time_s: float | None = None) -> None:
        """End the session: seal, a `stop` mark with `reason`, sync. A second call does nothing.

        After a failed write it only lets go of the files. Raises SessionError where the last write fails.
        """
        if self._closed:
            return
        self._closed = True
        try:
            if self._failure is None:
                self.seal()
                self.mark("stop", "recording stopped", time_s=time_s, reason=reason)
                self.sync()
        finally:
            for part in self._all_parts():
                os.close(part.file)
            os.close(self._marks)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
            return
        with contextlib.suppress(SessionError):
            self.close("error: " + (str(error) or type(error).__name__))

    def _all_parts(self) -> list[_Part]:
        return [part for parts in self._parts.values() for part in parts]

    def _begin_part(self, instrument: str, columns: tuple[str, ...], time_s: float | None) -> _Part:
        """Create the next file of `instrument` with its header line; the lock is held."""
        self._check_usable()
        parts = self._parts.setdefault(instrument, [])
        number = f".{len(parts) + 1}" if parts else ""
        path = self.folder / f"{instrument}{number}.csv"
        data = ("host_s," + ",".join(columns) + "\n").encode("utf-8")
        try:
            part = _Part(path, columns, create_file(path))
        except OSError as error:
            self._fail(path, error)
        parts.append(part)
        self._current[instrument] = part
        part.until_s = self.now_s if time_s is None else time_s
        self._write(part.file, path, data)
        part.length, part.crc32 = len(data), zlib.crc32(data)
        details = {"instrument": instrument, "file": path.name, "columns": list(columns)}
        text = f"{instrument} prints other columns" if number else f"columns of {instrument}"
        line = encode_record(part.until_s, "columns", text, details)
        self._write(self._marks, self.folder / MARKS_FILE, line)
        self._sync_folder()
        return part

    def _take_unsealed(self) -> dict[str, dict[str, object]]:
        """What each CSV has gained since its last seal, which then counts as sealed; the lock is held."""
        files: dict[str, dict[str, object]] = {}
        for part in self._all_parts():
            if part.length > part.sealed_to:
                files[part.path.name] = {
                    "from": part.sealed_to,
                    "to": part.length,
                    "crc32": f"{part.crc32:08x}",
                    "until_s": round(part.until_s, 6),
                }
                part.sealed_to, part.crc32 = part.length, 0
        self._last_seal_s = self.now_s
        return files

    def _write_seal(self, files: dict[str, dict[str, object]]) -> None:
        if files:
            until_s = max(float(str(part["until_s"])) for part in files.values())
            line = encode_record(until_s, "seal", "", {"files": files})
            self._write(self._marks, self.folder / MARKS_FILE, line)

    def _write(self, file: int, path: Path, data: bytes) -> None:
        self._check_usable()
        try:
            append_whole(file, data)
        except OSError as error:
            self._fail(path, error)

    def _sync_file(self, file: int, path: Path) -> None:
        try:
            sync_file(file)
        except OSError as error:
            self._fail(path, error)

    def _sync_folder(self) -> None:
        try:
            sync_folder(self.folder)
        except OSError as error:
            self._fail(self.folder, error)

    def _check_usable(self) -> None:
        if self._failure is not None:
            raise SessionError(self._failure)

    def _fail(self, path: Path, error: OSError) -> NoReturn:
        self._failure = f"{path}: recording ended, {reason_of(error)}; what was synced before stays readable"
        raise SessionError(self._failure) from None
