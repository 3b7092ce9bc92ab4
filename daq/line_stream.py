"""The line stream: bytes of an instrument in, samples, headers and remarks out. No port in here.

The format is in the contract: ASCII lines, a header `#time_ms,cj_C,egt1_mV,…` that names the columns and may
be repeated, remarks that start with `#`, samples of comma-separated fields, an optional checksum `*HH` or
`*HHHH`. A damaged line is counted by its reason and dropped, never guessed at.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from daq.checksum import crc16, xor_checksum

MAX_LINE_BYTES = 1024
"""A longer line, up to its line feed, is dropped; this bounds what is kept of a line that never ends."""

CHECKED_IN_A_ROW = 5
"""After so many samples in a row with a checksum of one kind, a sample without it is a damaged one."""

TICK_S = {"time_ms": 1e-3, "time_us": 1e-6}
"""Seconds per tick of the counter, by the name of its column."""


class Rejection(StrEnum):
    """Why a line was dropped."""

    PARTIAL = "began before the port was opened"
    TOO_LONG = f"longer than {MAX_LINE_BYTES} bytes"
    NOT_ASCII = "a byte that is not ASCII text"
    BAD_CHECKSUM = "checksum does not match"
    NO_CHECKSUM = "checksum missing"
    NO_HEADER = "no header yet"
    FIELD_COUNT = "wrong number of fields"
    BAD_FIELD = "a field that is not a number"
    BAD_HEADER = "a header whose columns cannot be used"


class Header(NamedTuple):
    """The columns of the samples that follow. Given out for the first header and for columns that differ from it."""

    columns: tuple[str, ...]


class Sample(NamedTuple):
    """One line: `fields` as received, without the checksum; `counter`, the first of them, in ticks."""

    counter: int
    fields: tuple[str, ...]


class Remark(NamedTuple):
    """The text of a line that starts with `#`, without the `#`."""

    text: str


Item = Header | Sample | Remark


@dataclass
class Counts:
    """What became of the lines so far; empty lines are not counted. `accepted` are samples."""

    accepted: int = 0
    headers: int = 0
    remarks: int = 0
    rejected: Counter[Rejection] = field(default_factory=Counter)


# Possessive quantifiers: nothing is tried twice, so a hostile line costs no more than a good one. Digits are
# limited so that every number is finite; `float` would also take `1_000`, `infinity` and blanks.
_NUMBER = rb"[+-]?+(?:\d{1,20}+(?:\.\d{0,20}+)?+|\.\d{1,20}+)(?:[eE][+-]?+\d{1,2}+)?+"
_SAMPLE = re.compile(
    rb"(\d{1,18}+(?:,(?:" + _NUMBER + rb"|nan|open)?+)*+)(?:\*([0-9A-Fa-f]{4}|[0-9A-Fa-f]{2}))?+"
)
_CHECKED = re.compile(rb"(.*)\*([0-9A-Fa-f]{4}|[0-9A-Fa-f]{2})")
_NOT_TEXT = re.compile(rb"[^\t\x20-\x7e]")
_HEADER_START = re.compile(r"\s*time_[mu]s\s*(?:,|$)")
_COLUMN = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*")


def columns_problem(columns: Sequence[str]) -> str | None:
    """What is wrong with an instrument's `columns`, as one sentence, or None."""
    if not columns or columns[0] not in TICK_S:
        return "the first column must be time_ms or time_us, the instrument's own counter"
    for name in columns:
        if not _COLUMN.fullmatch(name) or name == "host_s":
            return (
                f"{name!r} cannot be a column's name: letters, digits, _ . - and a letter first; not host_s"
            )
        if columns.count(name) > 1:
            return f"{name!r} names two columns"
    return None


class LineStreamParser:
    """Takes the bytes of one instrument in pieces of any size and gives out what they say.

    columns: for an instrument that prints no header; they are then given out as a Header first. A header that comes
    all the same is believed. One without a checksum and with another number of columns than before may be a damaged
    one: the next sample decides, by its number of fields.
    mid_line: the first bytes may be the rest of a line that began before the port was opened. That line is
    dropped unless it shows to be whole, by its `#` or its checksum.
    Raises ValueError for `columns` that cannot be used (see `columns_problem`).

    >>> parser = LineStreamParser()
    >>> parser.feed(b"#time_ms,cj_C,egt1_mV\\r\\n20,25.1,31.2")
    [Header(columns=('time_ms', 'cj_C', 'egt1_mV'))]
    >>> for item in parser.feed(b"06\\n40,25.1,open\\n# fan on\\n60,25.1\\n"):
    ...     print(item)
    Sample(counter=20, fields=('20', '25.1', '31.206'))
    Sample(counter=40, fields=('40', '25.1', 'open'))
    Remark(text='fan on')
    >>> parser.counts.rejected
    Counter({<Rejection.FIELD_COUNT: 'wrong number of fields'>: 1})
    """

    def __init__(self, columns: Sequence[str] | None = None, *, mid_line: bool = True) -> None:
        if columns is not None and (problem := columns_problem(columns)):
            raise ValueError(problem)
        self.columns: tuple[str, ...] | None = None if columns is None else tuple(columns)
        self.counts = Counts()
        self._header_due = columns is not None
        self._mid_line = mid_line
        self._rest = b""
        self._overlong = False
        self._checksum_digits = 0
        self._checked_in_a_row = 0
        self._headers_checked = False
        self._offered: tuple[str, ...] | None = None

    def feed(self, data: bytes) -> list[Item]:
        """What the lines say that `data` completes, in order. Never raises for what an instrument sends."""
        items: list[Item] = self._header_if_due()
        lines = (self._rest + data).split(b"\n")
        self._rest = lines.pop()
        if lines and self._overlong:
            del lines[0]
            self._overlong = False
        for line in lines:
            result = self._line(line)
            items += self._header_if_due()
            if isinstance(result, Rejection):
                self._reject(result)
            elif result is not None:
                items.append(result)
        if len(self._rest) > MAX_LINE_BYTES:
            if not self._overlong:
                self._reject(Rejection.TOO_LONG)
            self._overlong, self._rest = True, b""
        return items

    @property
    def pending(self) -> bytes:
        """What has come of a line that is not yet complete."""
        return self._rest

    def reopened(self) -> None:
        """The port was lost and is open again: the rest of a line is gone, the next one may be partial."""
        self._rest, self._overlong, self._mid_line = b"", False, True

    def _header_if_due(self) -> list[Item]:
        if not self._header_due or self.columns is None:
            return []
        self._header_due = False
        return [Header(self.columns)]

    def _reject(self, reason: Rejection) -> None:
        self.counts.rejected[Rejection.PARTIAL if self._mid_line else reason] += 1
        self._mid_line = False

    def _line(self, raw: bytes) -> Sample | Remark | Rejection | None:
        """What one line says; None for an empty one and for a header."""
        line = raw.rstrip(b"\r")
        if len(raw) > MAX_LINE_BYTES:
            return Rejection.TOO_LONG
        if not line:
            return None
        match = _SAMPLE.fullmatch(line)
        if match is not None:
            return self._sample(match[1], match[2])
        if _NOT_TEXT.search(line):
            return Rejection.NOT_ASCII
        text, digits = _split_checksum(line)
        if digits is not None and not _matches(text, digits):
            return Rejection.BAD_CHECKSUM
        if line.startswith(b"#"):
            return self._hash_line(text[1:].decode("ascii"), digits is not None)
        if b"*" in text:  # what is left of a checksum
            return Rejection.BAD_CHECKSUM
        if self.columns is not None and text.count(b",") + 1 != len(self.columns):
            return Rejection.FIELD_COUNT
        return Rejection.BAD_FIELD

    def _sample(self, payload: bytes, digits: bytes | None) -> Sample | Rejection:
        if digits is not None:
            if not self._checksum_holds(payload, digits):
                return Rejection.BAD_CHECKSUM
        elif self._mid_line:
            return Rejection.PARTIAL
        elif self._checked_in_a_row >= CHECKED_IN_A_ROW:
            return Rejection.NO_CHECKSUM
        else:
            self._checked_in_a_row = 0
        if self.columns is None:
            return Rejection.NO_HEADER
        fields = tuple(payload.decode("ascii").split(","))
        if len(fields) != len(self.columns):
            if self._offered is None or len(fields) != len(self._offered):
                return Rejection.FIELD_COUNT
            self.columns, self._header_due = self._offered, True
        self.counts.accepted += 1
        self._mid_line, self._offered = False, None
        return Sample(int(fields[0]), fields)

    def _checksum_holds(self, payload: bytes, digits: bytes) -> bool:
        """Whether a sample's checksum is right, and of the kind that this stream has shown to use."""
        if not _matches(payload, digits):
            return False
        if len(digits) != self._checksum_digits:
            if self._checked_in_a_row >= CHECKED_IN_A_ROW:
                return False
            self._checksum_digits, self._checked_in_a_row = len(digits), 0
        self._checked_in_a_row += 1
        return True

    def _hash_line(self, text: str, checked: bool) -> Remark | Rejection | None:
        """A header, or else a remark, from the text after its `#`, which shows that the line is whole."""
        self._mid_line = False
        if not _HEADER_START.match(text):
            self.counts.remarks += 1
            return Remark(text.strip())
        if self._headers_checked and not checked:
            return Rejection.NO_CHECKSUM
        columns = tuple(name.strip() for name in text.split(","))
        if columns_problem(columns):
            return Rejection.BAD_HEADER
        self._headers_checked = checked
        self.counts.headers += 1
        self._offered = None
        if self.columns is not None and not checked and len(columns) != len(self.columns):
            self._offered = columns
        elif columns != self.columns:
            self.columns, self._header_due = columns, True
        return None


def _split_checksum(line: bytes) -> tuple[bytes, bytes | None]:
    """(what comes before `*HH` or `*HHHH`, the digits), or (the line, None) where it does not end so."""
    match = _CHECKED.fullmatch(line)
    return (line, None) if match is None else (match[1], match[2])


def _matches(payload: bytes, digits: bytes) -> bool:
    """Whether `digits`, two or four of them in hexadecimal, are the checksum of `payload`."""
    return int(digits, 16) == (xor_checksum(payload) if len(digits) == 2 else crc16(payload))
