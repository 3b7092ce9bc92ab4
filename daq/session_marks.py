"""The lines of `marks.jsonl`: what happened during a recording, and the seals that vouch for its samples.

Each line is one JSON object with `time_s` [s since the recording began], `kind`, `text` and whatever else
that kind carries. Its last key `crc32` is the CRC-32 (ISO-HDLC, eight hex digits) of the object's text
without that key, so a damaged line is known as such. A mark typed in by hand may leave the key out; of the
recorder's own kinds, which are named here, it is required.

| kind      | when                                           | further keys                                 |
| --------- | ---------------------------------------------- | -------------------------------------------- |
| `start`   | first line                                     | `wall_clock`, `version`, `clock_s`, `setup`  |
| `columns` | an instrument's columns are known, or change   | `instrument`, `file`, `columns`              |
| `seal`    | about every 10 s                               | `files`: name: `from` `to` `crc32` `until_s` |
| `stop`    | the recording was ended in order               | `reason`                                     |
| any other | remarks, operator's marks, gaps, reconnects, … | free                                         |
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

MARKS_FILE = "marks.jsonl"
SETUP_FILE = "setup.toml"
#: Ten hours of seals have 0.6 MB; the longest mark is the start, which holds the setup.
LARGEST_MARKS_BYTES, LONGEST_MARK_BYTES = 64 << 20, 4 << 20
BOOKKEEPING = frozenset({"seal", "columns"})
_RECORDERS_OWN = BOOKKEEPING | {"start", "stop"}
_LONGEST_S = 1e12  # also keeps out infinity and NaN, which JSON should not hold
_NOT_DETAILS = frozenset({"time_s", "kind", "text", "crc32", "setup"})
_CHECKED = re.compile(rb'(\{.*),"crc32":"([0-9a-f]{8})"\}', re.DOTALL)


@dataclass(frozen=True)
class Mark:
    """Something that happened at `time_s` [s since the recording began]: a remark, a gap, a restart."""

    time_s: float
    kind: str
    text: str
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Seal:
    """Bytes `start` to `end` of one CSV have the CRC-32 `crc32`; their last sample came at `until_s` [s]."""

    file: str
    start: int
    end: int
    crc32: int
    until_s: float


def encode_record(time_s: float, kind: str, text: str, details: Mapping[str, object]) -> bytes:
    """One line of `marks.jsonl` with its checksum and line end. Raises ValueError for what JSON lacks."""
    record = {"time_s": round(float(time_s), 6), "kind": kind, "text": text, **details}
    body = json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")
    return body[:-1] + b',"crc32":"%08x"}\n' % zlib.crc32(body)


def decode_record(line: bytes) -> dict[str, Any] | None:
    """The object on `line` (no line end), or None where it is damaged, no mark, or unchecked bookkeeping."""
    if len(line) > LONGEST_MARK_BYTES:
        return None
    checked = _CHECKED.fullmatch(line)
    if checked is not None:
        line = checked[1] + b"}"
        if zlib.crc32(line) != int(checked[2], 16):
            return None
    try:
        record = json.loads(line)
    except (ValueError, RecursionError):  # no JSON, or a list 1 000 deep
        return None
    if not isinstance(record, dict) or not isinstance(record.get("kind"), str):
        return None
    if checked is None and record["kind"] in _RECORDERS_OWN:
        return None
    time_s = record.get("time_s")
    if isinstance(time_s, bool) or not isinstance(time_s, int | float):
        return None
    return record if abs(time_s) < _LONGEST_S else None


def mark_of(record: Mapping[str, Any]) -> Mark:
    """The mark that `record` describes."""
    details = {key: value for key, value in record.items() if key not in _NOT_DETAILS}
    return Mark(float(record["time_s"]), record["kind"], str(record.get("text", "")), details)


def seals_of(records: Iterable[Mapping[str, Any]]) -> dict[str, list[Seal]]:
    """The seals of each CSV, in the order of the bytes they cover."""
    seals: dict[str, list[Seal]] = {}
    for record in records:
        if record["kind"] != "seal" or not isinstance(record.get("files"), dict):
            continue
        for name, part in record["files"].items():
            try:
                start, end, crc32 = int(part["from"]), int(part["to"]), int(part["crc32"], 16)
                seal = Seal(name, start, end, crc32, float(part["until_s"]))
            except (KeyError, TypeError, ValueError):
                continue
            seals.setdefault(name, []).append(seal)
    return {name: sorted(parts, key=lambda seal: seal.start) for name, parts in seals.items()}
