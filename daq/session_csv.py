"""Reading one CSV of a session: which bytes can be trusted, and those as numbers, fast."""

from __future__ import annotations

import csv
import io
import os
import re
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from daq.errors import SessionError
from daq.session_marks import Seal

FloatArray = npt.NDArray[np.float64]
BLOCK = 8 << 20
#: 90 h of 24 columns at 50 Hz. What is larger would not fit into memory, and may be a hole without any content.
LARGEST_CSV_BYTES = 2 << 30
LONGEST_HEADER_BYTES = 1 << 16
_ALLOWED = np.zeros(256, dtype=bool)
_ALLOWED[list(b"0123456789+-.eE,\nopenan")] = True
# Possessive quantifiers: nothing is tried twice, so a long line of garbage costs no more than a good one.
_NUMBER = rb"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][+-]?+\d{1,2}+)?+"
_FIELD = rb"(?:" + _NUMBER + rb"|nan|open)?+"


@dataclass(frozen=True)
class DamagedPart:
    """Bytes of `file` that no longer match their seal, and the time [s] of the samples that stood there."""

    file: str
    start_byte: int
    end_byte: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class _Range:
    """Whole lines from byte `start` to `end`; `sealed` ones have matched their seal."""

    start: int
    end: int
    sealed: bool


@dataclass(frozen=True)
class CsvContent:
    """What could be read of one CSV.

    columns: the instrument's own, without host_s. rows: (1 + n_columns, n_samples), host_s first; NaN for no
    reading, +inf for `open`. dropped: lines outside any seal that are no sample.
    """

    columns: tuple[str, ...]
    rows: FloatArray
    damaged: tuple[DamagedPart, ...]
    dropped: int
    problems: tuple[str, ...]


def read_csv(path: Path, seals: Sequence[Seal], known_columns: tuple[str, ...] | None) -> CsvContent | None:
    """What is good of the CSV at `path`, or None where it has no line yet or is no CSV of a session.

    known_columns: what the session's `columns` mark says, which is trusted before the file's first line.
    Raises OSError, and SessionError for a file that is too large.
    """
    if path.stat().st_size > LARGEST_CSV_BYTES:
        raise SessionError(f"{path}: is larger than {LARGEST_CSV_BYTES >> 30} GB; record shorter sessions")
    with path.open("rb") as file:
        size = _size_without_zeros(file)
        end = _last_line_end(file, size)
        ranges, damaged = _verify(file, path.name, seals, size, end)
        file.seek(0)
        first = file.readline(min(end, LONGEST_HEADER_BYTES)) if end else b""
        columns = known_columns or (header_columns(first) if first.endswith(b"\n") else None)
        if columns is None:
            return None
        problems = [_describe_damage(part) for part in damaged]
        if ranges and ranges[0].start == 0:
            ranges[0] = _Range(len(first), ranges[0].end, ranges[0].sealed)
            if header_columns(first) != columns:
                problems.append(f"{path.name}: its first line is not the header that was recorded")
        blocks, dropped = _parse(file, ranges, 1 + len(columns))
    rows = np.concatenate(blocks, axis=1) if blocks else np.empty((1 + len(columns), 0))
    if dropped:
        problems.append(f"{path.name}: {_count(dropped, 'line')} no sample and left out")
    if seals and seals[-1].end > size:
        problems.append(_describe_cut(path.name, size, seals[-1], rows[0]))
    return CsvContent(columns, rows, tuple(damaged), dropped, tuple(problems))


def _count(number: int, noun: str) -> str:
    return f"{number} {noun} is" if number == 1 else f"{number} {noun}s are"


def _describe_damage(part: DamagedPart) -> str:
    return (
        f"{part.file}: bytes {part.start_byte} to {part.end_byte} are not what was recorded; their samples, "
        f"from {part.start_s:.1f} to {part.end_s:.1f} s, are left out"
    )


def _describe_cut(name: str, size: int, last: Seal, host_s: FloatArray) -> str:
    until_s = host_s[-1] if host_s.size else 0.0
    return (
        f"{name}: is cut short at byte {size}; it had {last.end}: the samples from {until_s:.1f} to "
        f"{last.until_s:.1f} s are gone"
    )


def header_columns(line: bytes) -> tuple[str, ...] | None:
    """The instrument's columns in a header line, or None where it is none."""
    try:
        names = line.decode("utf-8").rstrip("\n").split(",")
    except UnicodeDecodeError:
        return None
    return tuple(names[1:]) if names[0] == "host_s" and len(names) > 1 else None


def _size_without_zeros(file: BinaryIO) -> int:
    """The file's size less a tail of zero bytes, which a power cut leaves where nothing was written yet."""
    position = file.seek(0, os.SEEK_END)
    while position:
        start = max(0, position - BLOCK)
        file.seek(start)
        kept = len(file.read(position - start).rstrip(b"\0"))
        if kept:
            return start + kept
        position = start
    return 0


def _last_line_end(file: BinaryIO, size: int) -> int:
    """The byte after the last line end before byte `size`."""
    position = size
    while position:
        start = max(0, position - BLOCK)
        file.seek(start)
        found = file.read(position - start).rfind(b"\n")
        if found >= 0:
            return start + found + 1
        position = start
    return 0


def _verify(
    file: BinaryIO, name: str, seals: Sequence[Seal], size: int, end: int
) -> tuple[list[_Range], list[DamagedPart]]:
    """The ranges of whole lines before byte `end` that may be read, and the sealed parts that do not match.

    A part that the file ends in (`size`) cannot be checked and counts as not sealed.
    """
    ranges: list[_Range] = []
    damaged: list[DamagedPart] = []
    position, time_s = 0, 0.0
    for seal in seals:
        if seal.start < position or seal.end > size:
            continue
        if seal.start > position:
            ranges.append(_Range(position, seal.start, sealed=False))
        if _crc32(file, seal.start, seal.end) == seal.crc32:
            ranges.append(_Range(seal.start, seal.end, sealed=True))
        elif damaged and damaged[-1].end_byte == seal.start:
            earlier = damaged.pop()
            damaged.append(DamagedPart(name, earlier.start_byte, seal.end, earlier.start_s, seal.until_s))
        else:
            damaged.append(DamagedPart(name, seal.start, seal.end, time_s, seal.until_s))
        position, time_s = seal.end, seal.until_s
    if end > position:
        ranges.append(_Range(position, end, sealed=False))
    return ranges, damaged


def _crc32(file: BinaryIO, start: int, end: int) -> int:
    crc32 = 0
    file.seek(start)
    while start < end:
        data = file.read(min(BLOCK, end - start))
        if not data:
            break
        crc32 = zlib.crc32(data, crc32)
        start += len(data)
    return crc32


def _parse(file: BinaryIO, ranges: Sequence[_Range], n_fields: int) -> tuple[list[FloatArray], int]:
    """The samples in `ranges` as arrays (n_fields, n_samples), and how many lines outside seals are none."""
    blocks: list[FloatArray] = []
    dropped = 0
    for sealed, lines in _line_blocks(file, ranges):
        rows = parse_lines(lines, n_fields, trusted=sealed)
        dropped += lines.count(b"\n") - rows.shape[1]
        blocks.append(rows)
    return blocks, dropped


def _line_blocks(file: BinaryIO, ranges: Sequence[_Range]) -> Iterator[tuple[bool, bytes]]:
    """The bytes of `ranges` as (sealed, whole lines) of about `BLOCK` bytes, sealed neighbours together."""
    merged: list[_Range] = []
    for part in ranges:
        if merged and merged[-1].end == part.start and merged[-1].sealed == part.sealed:
            part = _Range(merged.pop().start, part.end, part.sealed)
        merged.append(part)
    for part in merged:
        file.seek(part.start)
        remaining, rest = part.end - part.start, b""
        while remaining:
            data = file.read(min(BLOCK, remaining))
            if not data:
                return
            remaining -= len(data)
            whole, line_end, rest = (rest + data).rpartition(b"\n")
            if line_end:
                yield part.sealed, whole + line_end
            rest = rest[:BLOCK]  # a longer line is no sample, and joining ever more of it would take for ever


def parse_lines(lines: bytes, n_fields: int, trusted: bool = False) -> FloatArray:
    """The samples among whole `lines` as an array (n_fields, n_samples); other lines are passed over.

    Numbers, +inf for `open`, NaN for nothing. trusted: what was written is known to stand there still.
    """
    if trusted or _looks_regular(lines, n_fields):
        try:
            rows = _parse_rows(lines, n_fields)
            if trusted or _is_credible(rows, lines):
                return rows
        except ValueError:
            pass
    return _parse_rows(_good_lines(lines, n_fields), n_fields)


def _parse_rows(lines: bytes, n_fields: int) -> FloatArray:
    """Like `parse_lines`, but raises ValueError where a field is not what it may be."""
    if not lines:
        return np.empty((n_fields, 0))
    if b"open" in lines:
        lines = lines.replace(b"open", b"inf")
    table = pd.read_csv(
        io.BytesIO(lines),
        header=None,
        names=range(n_fields),
        index_col=False,
        dtype=np.float64,
        engine="c",
        quoting=csv.QUOTE_NONE,
        na_values=["", "nan"],
        keep_default_na=False,
    )
    return np.ascontiguousarray(table.to_numpy().T)


def _looks_regular(lines: bytes, n_fields: int) -> bool:
    """Whether each line has `n_fields` fields of allowed characters (quick: they may be no numbers)."""
    characters = np.frombuffer(lines, dtype=np.uint8)
    if not _ALLOWED[characters].all():
        return False
    line_ends = np.flatnonzero(characters == ord("\n"))
    commas = np.searchsorted(np.flatnonzero(characters == ord(",")), line_ends)
    return bool(np.all(np.diff(commas, prepend=0) == n_fields - 1))


def _is_credible(rows: FloatArray, lines: bytes) -> bool:
    """Whether each of `rows` has a time, and nothing is infinite but what was `open`."""
    return bool(np.isfinite(rows[0]).all()) and int(np.isinf(rows).sum()) == lines.count(b"open")


def _good_lines(lines: bytes, n_fields: int) -> bytes:
    """Those lines that are samples in every character, as `daq.line_stream` lets them in."""
    sample = re.compile(_NUMBER + rb"(?:," + _FIELD + rb"){%d}" % (n_fields - 1))
    return b"".join(line + b"\n" for line in lines.split(b"\n") if sample.fullmatch(line))
