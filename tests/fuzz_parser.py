"""Coverage-guided fuzzing of the line stream parser: a tool to be run by hand, not a test.

    pip install atheris        (ready-made for Linux and CPython; needed for nothing else)
    python tests/fuzz_parser.py [CORPUS_FOLDER] [-max_total_time=300] [other options of libFuzzer]

Every input is fed in two ways, in one piece and in pieces of a size that the input chooses, and once more with the port
lost now and then. What must hold for all: no exception; the same items and counts in one piece and in many; every line
accounted for; bounded memory; every sample finite and as wide as its header.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import atheris

with atheris.instrument_imports(include=["daq"]):
    from daq.checksum import crc16, xor_checksum
    from daq.line_stream import MAX_LINE_BYTES, Header, Item, LineStreamParser, Remark, Sample

COLUMN_CHOICES = (None, ("time_ms",), ("time_us", "egt1_mV", "cj_C"))
LINES = b"#time_ms,cj_C,egt1_mV\n20,25.1,31.206\n40,25.1,open\n60,,nan\n#fan on\n4294967295,1,-.5e-3\r\n"


def checked(lines: bytes, digits: int) -> bytes:
    """`lines` with a checksum of two or four digits each."""
    of = xor_checksum if digits == 2 else crc16
    return b"".join(line + b"*%0*X\n" % (digits, of(line)) for line in lines.split())


SEEDS = (
    b"\x00\x07" + LINES,
    b"\x02\x0056,25.1,31.206\n1,2,3*29B1\n+1,.5,-2e-3\n",
    b"\x01\xff12345678\n\x00\xff\n#time_us,a\n4294967295,1\n0,2\n",
    b"\x01\x20#time_ms,a\n1,"
    + b"9" * 400
    + b"\n2,"
    + b"9" * 20
    + b"."
    + b"9" * 20
    + b"e99\n"
    + b"9" * 30
    + b",1\n",
    b"\x00\x10" + checked(LINES * 3, 2),
    b"\x03\x1f" + checked(LINES * 3, 4) + b"60,25.1,31.2\n",
    b"\x00\x3f" + LINES + b"9" * 1100 + b"\n" + LINES + b"\x00" * 1500,
)


def feed(columns: tuple[str, ...] | None, pieces: list[bytes]) -> tuple[list[Item], LineStreamParser]:
    """What a new parser makes of `pieces`; memory is looked at after each."""
    parser, items = LineStreamParser(columns), []
    for piece in pieces:
        items += parser.feed(piece)
        assert len(parser._rest) <= MAX_LINE_BYTES, "unbounded rest"
    return items, parser


def check(items: list[Item], parser: LineStreamParser, data: bytes) -> None:
    """The parser's promises about everything it gave out."""
    width, seen = None, {Sample: 0, Header: 0, Remark: 0}
    for item in items:
        seen[type(item)] += 1
        match item:
            case Header(columns=columns):
                width = len(columns)
            case Sample(counter=counter, fields=fields):
                assert len(fields) == width, "a sample that is not as wide as its header"
                assert counter == int(fields[0]) >= 0
                values = [float(field) for field in fields if field not in ("", "nan", "open")]
                assert all(math.isfinite(value) for value in values), "a value that is not finite"
                assert not any(set(field) & set(',"\n\r*#') for field in fields)
            case Remark(text=text):
                assert text.isascii() and "\n" not in text
    counts = parser.counts
    assert counts.accepted == seen[Sample] and counts.remarks == seen[Remark]
    lines = [line.rstrip(b"\r") for line in data.split(b"\n")]
    rest_is_too_long = len(lines[-1]) > MAX_LINE_BYTES
    whole = sum(1 for line in lines[:-1] if line)
    accounted = counts.accepted + counts.headers + counts.remarks + counts.rejected.total()
    assert whole <= accounted <= whole + rest_is_too_long + 1, f"{whole} lines, {accounted} accounted for"


def test_one_input(data: bytes) -> None:
    """Two bytes of choices, then the stream."""
    if len(data) < 2:
        return
    columns, size, stream = COLUMN_CHOICES[data[0] % 3], data[1] % 64 + 1, data[2:]
    pieces = [stream[i : i + size] for i in range(0, len(stream), size)] or [b""]
    at_once, in_pieces = feed(columns, [stream]), feed(columns, pieces)
    assert at_once[0] == in_pieces[0], "the result depends on how the bytes came"
    assert at_once[1].counts == in_pieces[1].counts
    check(*at_once, stream)
    parser = LineStreamParser(columns)
    for i, piece in enumerate(pieces):
        parser.feed(piece)
        if i % 3 == data[0] % 7:
            parser.reopened()


def main(arguments: list[Any]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for i, seed in enumerate(SEEDS):
            Path(folder, f"seed{i}").write_bytes(seed)
        atheris.Setup([*arguments, "-max_len=4096", folder], test_one_input)
        atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
