"""Marks from another process than the one that records."""

from __future__ import annotations

import os
import time
from pathlib import Path

from daq.errors import SessionError
from daq.session_files import append_whole, open_to_append, reason_of, sync_file
from daq.session_marks import MARKS_FILE, decode_record, encode_record


def add_mark(
    folder: str | Path, kind: str, text: str, *, time_s: float | None = None, **details: object
) -> float:
    """Add a mark to the session in `folder` from any process, at `time_s` [s] or now; returns its time.

    While the session is being recorded this is one appending write, which no other process can cut in two.
    A session that has ended needs `time_s`. Raises SessionError.
    """
    path = Path(folder) / MARKS_FILE
    try:
        content = path.read_bytes()
        if time_s is None:
            time_s = _session_clock_s(path, content)
        line = encode_record(time_s, kind, text, details)
        if content and not content.endswith(b"\n"):
            line = b"\n" + line  # after a cut line, which would swallow this one
        file = open_to_append(path)
        try:
            append_whole(file, line)
            sync_file(file)
        finally:
            os.close(file)
    except OSError as error:
        raise SessionError(f"{path}: the mark cannot be written ({reason_of(error)})") from None
    return time_s


def _session_clock_s(path: Path, marks: bytes) -> float:
    """Seconds since the recording of these `marks` began. Raises SessionError where it has ended."""
    records = [decode_record(line) for line in marks.splitlines()]
    kinds = {record["kind"]: record for record in records if record is not None}
    started = kinds.get("start", {}).get("clock_s")
    if not isinstance(started, float) or "stop" in kinds:
        raise SessionError(f"{path}: this recording has ended; give the mark's time in seconds")
    return time.perf_counter() - started
