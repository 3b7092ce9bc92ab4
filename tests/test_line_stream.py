"""The line stream parser against the contract, and against damage of every kind."""

from __future__ import annotations

import math
import re
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.checksum import crc16, xor_checksum
from daq.line_stream import (
    CHECKED_IN_A_ROW,
    MAX_LINE_BYTES,
    Header,
    Item,
    LineStreamParser,
    Rejection,
    Remark,
    Sample,
    columns_problem,
)

HEADER = b"#time_ms,cj_C,egt1_mV\n"
COLUMNS = ("time_ms", "cj_C", "egt1_mV")


def with_xor(line: bytes) -> bytes:
    return line + b"*%02X" % xor_checksum(line)


def with_crc(line: bytes) -> bytes:
    return line + b"*%04X" % crc16(line)


def parse(data: bytes, columns: tuple[str, ...] | None = None) -> tuple[list[Item], dict[Rejection, int]]:
    """Items and rejections of a whole stream that begins at a line's start."""
    parser = LineStreamParser(columns, mid_line=False)
    items = parser.feed(data)
    return items, dict(parser.counts.rejected)


def samples(items: list[Item]) -> list[Sample]:
    return [item for item in items if isinstance(item, Sample)]


# --- what is right
# ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_a_stream_as_in_the_contract(end: bytes) -> None:
    lines = [HEADER[:-1], b"20,25.1,31.206", b"# fan on", b"40,,open", b"60,nan,-0.5", b"", b"80,1,2"]
    items, rejected = parse(end.join(lines) + end)
    assert items == [
        Header(COLUMNS),
        Sample(20, ("20", "25.1", "31.206")),
        Remark("fan on"),
        Sample(40, ("40", "", "open")),
        Sample(60, ("60", "nan", "-0.5")),
        Sample(80, ("80", "1", "2")),
    ]
    assert rejected == {}


def test_counts_of_what_is_right() -> None:
    parser = LineStreamParser()
    parser.feed(HEADER + b"# a\n" + HEADER + b"1,2,3\n4,5,6\n")
    assert (parser.counts.accepted, parser.counts.headers, parser.counts.remarks) == (2, 2, 1)


def test_a_line_is_nothing_before_its_end_has_arrived() -> None:
    parser = LineStreamParser()
    assert parser.feed(HEADER + b"20,25.1,31.2") == [Header(COLUMNS)]
    assert parser.feed(b"06\n") == [Sample(20, ("20", "25.1", "31.206"))]


def test_a_repeated_header_is_told_once_and_one_that_differs_again() -> None:
    other = b"# time_us , rpm\n"
    items, _ = parse(HEADER + b"1,2,3\n" + HEADER + b"2,2,3\n" + other + b"3000,900\n" + HEADER + b"4,2,3\n")
    assert items == [
        Header(COLUMNS),
        Sample(1, ("1", "2", "3")),
        Sample(2, ("2", "2", "3")),
        Header(("time_us", "rpm")),
        Sample(3000, ("3000", "900")),
        Header(COLUMNS),
        Sample(4, ("4", "2", "3")),
    ]


def test_a_damaged_header_costs_no_sample() -> None:
    """A checksum shows it; without one, the next sample has as many fields as before."""
    for check in (bytes, with_crc):
        damaged = check(b"#time_ms,cj_C,egt1_mV").replace(b"cj_C,", b"")
        items, _ = parse(check(HEADER[:-1]) + b"\n1,2,3\n" + damaged + b"\n2,2,3\n3,2\n")
        assert items == [Header(COLUMNS), Sample(1, ("1", "2", "3")), Sample(2, ("2", "2", "3"))]


def test_an_instrument_without_a_header_has_its_columns_from_the_setup() -> None:
    parser = LineStreamParser(COLUMNS, mid_line=False)
    assert parser.feed(b"") == [Header(COLUMNS)]
    assert parser.feed(b"1,2,3\n") == [Sample(1, ("1", "2", "3"))]
    with pytest.raises(ValueError, match="first column"):
        LineStreamParser(["egt1_mV", "time_ms"])


@pytest.mark.parametrize(
    "check", [with_xor, with_crc, lambda line: with_crc(line)[:-4] + with_crc(line)[-4:].lower()]
)
def test_checksums_of_both_kinds_are_verified_and_taken_off(check: object) -> None:
    assert callable(check)
    lines = [HEADER[:-1], b"20,25.1,31.206", b"# fan on"]
    items, rejected = parse(b"".join(check(line) + b"\r\n" for line in lines))
    assert items == [Header(COLUMNS), Sample(20, ("20", "25.1", "31.206")), Remark("fan on")]
    assert rejected == {}


def test_a_published_sentence_passes_as_a_remark() -> None:
    """NMEA 0183 sums what stands between $ and *; here everything before * counts, so the $ is left out."""
    items, rejected = parse(HEADER + b"#GPGLL,5300.97914,N,00259.98174,E,125926,A*0B\n")
    assert items[1:] == [
        Remark("GPGLL,5300.97914,N,00259.98174,E,125926,A")
    ]  # 28 of the sentence, XOR 23 of the #
    assert rejected == {}


# --- what is wrong
# ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"20,25.1", Rejection.FIELD_COUNT),
        (b"20,25.1,31.2,5", Rejection.FIELD_COUNT),
        (b"20,25.1,", None),
        (b"20,25.1,31.2,", Rejection.FIELD_COUNT),
        (b"20", Rejection.FIELD_COUNT),
        (b"garbage", Rejection.FIELD_COUNT),
        (b"20,25.1,x", Rejection.BAD_FIELD),
        (b"-20,25.1,31.2", Rejection.BAD_FIELD),
        (b"20.5,25.1,31.2", Rejection.BAD_FIELD),
        (b",25.1,31.2", Rejection.BAD_FIELD),
        (b"nan,25.1,31.2", Rejection.BAD_FIELD),
        (b" 20,25.1,31.2", Rejection.BAD_FIELD),
        (b"20,25.1,31\xb0", Rejection.NOT_ASCII),
        (b"20,25.1,\x0031.2", Rejection.NOT_ASCII),
        (b"# 20 \xc2\xb0C", Rejection.NOT_ASCII),
        (b"20,25.1,31.2*00", Rejection.BAD_CHECKSUM),
        (b"20,25.1,31.2*", Rejection.BAD_CHECKSUM),
        (b"20,25.1,31.2*1", Rejection.BAD_CHECKSUM),
        (b"20,25.1,31.2*12345", Rejection.BAD_CHECKSUM),
        (b"20,25.1,31.2*0G", Rejection.BAD_CHECKSUM),
        (with_crc(b"20,25.1,31.2") + b" ", Rejection.BAD_CHECKSUM),
        (with_crc(b"20,25.1,x"), Rejection.BAD_FIELD),
        (with_crc(b"20,25.1"), Rejection.FIELD_COUNT),
        (with_crc(b"# fan on")[:-1] + b"!", None),
        (b"# fan on*0000", Rejection.BAD_CHECKSUM),
        (b"#time_ms,cj_C,egt1_mV*0000", Rejection.BAD_CHECKSUM),
        (b"#time_ms,cj_C,cj_C", Rejection.BAD_HEADER),
        (b"#time_ms,,egt1_mV", Rejection.BAD_HEADER),
        (b"#time_ms,cj_C,egt1 mV", Rejection.BAD_HEADER),
        (b"1" * 1100, Rejection.TOO_LONG),
    ],
)
def test_a_damaged_line_is_dropped_and_counted(line: bytes, reason: Rejection | None) -> None:
    items, rejected = parse(HEADER + line + b"\n40,25.1,31.3\n")
    assert samples(items)[-1] == Sample(40, ("40", "25.1", "31.3"))
    assert rejected == ({} if reason is None else {reason: 1})
    assert len(items) == (3 if reason is None else 2)


def test_samples_before_a_header_cannot_be_told() -> None:
    items, rejected = parse(b"1,2,3\n" + with_xor(b"2,2,3") + b"\n" + HEADER + b"3,2,3\n")
    assert items == [Header(COLUMNS), Sample(3, ("3", "2", "3"))]
    assert rejected == {Rejection.NO_HEADER: 2}


ACCEPTED = [
    "0",
    "-0",
    "+1",
    "007",
    "1.",
    ".5",
    "-.5",
    "1.25",
    "1e-05",
    "1E+3",
    "2.5e3",
    "nan",
    "open",
    "",
    "9" * 20,
]
REFUSED = [
    "1_000", "infinity", "inf", "-inf", "NaN", "Open", "-nan", "1e", "e5", ".", "-", "+", "--1", "1.2.3",
    "1,5e", "0x10", "1e999", "1e100", "9" * 21, "0." + "1" * 21, " 1", "1 ", "1\t", "٣", "½", "1d5",
    "nanopen", "true", "1+1", "1e5.0",
]  # fmt: skip


@pytest.mark.parametrize("text", ACCEPTED)
def test_numbers_that_are_numbers(text: str) -> None:
    items, _ = parse(b"#time_ms,x\n5," + text.encode() + b"\n")
    assert items[1:] == [Sample(5, ("5", text))]
    assert text in ("", "nan", "open") or math.isfinite(float(text))


@pytest.mark.parametrize("text", REFUSED)
def test_text_that_only_float_would_take(text: str) -> None:
    items, rejected = parse(b"#time_ms,x\n5," + text.encode() + b"\n")
    assert items == [Header(("time_ms", "x"))]
    assert sum(rejected.values()) == 1


@given(st.lists(st.text("0123456789+-.eEna_", max_size=8), min_size=1, max_size=3))
def test_a_field_is_accepted_just_if_it_is_a_finite_number(fields: list[str]) -> None:
    """Python's float as the judge, on the characters that the contract allows."""

    def is_number(text: str) -> bool:
        try:
            value = float(text)
        except ValueError:
            return False
        return (
            set(text) <= set("0123456789+-.eE")
            and math.isfinite(value)
            and not re.search(r"[eE].?\d{3}", text)
        )

    items, _ = parse(
        ("7," + ",".join(fields) + "\n").encode(), ("time_ms", *(f"c{i}" for i in range(len(fields))))
    )
    assert bool(samples(items)) == all(text in ("", "nan") or is_number(text) for text in fields)


# --- checksums once shown are required
# -------------------------------------------------------------------------


def test_after_some_checksums_in_a_row_a_sample_without_is_damaged() -> None:
    checked = b"".join(with_xor(b"%d,25.1,31.2" % i) + b"\n" for i in range(CHECKED_IN_A_ROW))
    items, rejected = parse(HEADER + checked + b"90,25.1,31.2\n" + with_xor(b"91,25.1,31.2") + b"\n# boot\n")
    assert [s.counter for s in samples(items)] == [*range(CHECKED_IN_A_ROW), 91]
    assert items[-1] == Remark("boot")
    assert rejected == {Rejection.NO_CHECKSUM: 1}


def test_a_few_checksums_or_mixed_ones_require_nothing() -> None:
    lines = [with_xor(b"1,2,3"), with_xor(b"2,2,3"), with_crc(b"3,2,3"), with_crc(b"4,2,3"), b"5,2,3"] * 3
    items, rejected = parse(HEADER + b"\n".join(lines) + b"\n")
    assert len(samples(items)) == 15
    assert rejected == {}


def test_a_sample_without_a_checksum_begins_the_row_anew() -> None:
    row = [with_xor(b"1,2,3")] * (CHECKED_IN_A_ROW - 1) + [b"2,2,3"]
    items, rejected = parse(HEADER + b"\n".join(row * 3) + b"\n")
    assert len(samples(items)) == 3 * CHECKED_IN_A_ROW
    assert rejected == {}


def test_the_weaker_checksum_cannot_stand_in_for_the_stronger() -> None:
    checked = b"".join(with_crc(b"%d,2,3" % i) + b"\n" for i in range(CHECKED_IN_A_ROW))
    items, rejected = parse(HEADER + checked + with_xor(b"90,2,3") + b"\n")
    assert len(samples(items)) == CHECKED_IN_A_ROW
    assert rejected == {Rejection.BAD_CHECKSUM: 1}


def test_a_header_needs_a_checksum_once_one_had_it() -> None:
    items, rejected = parse(with_crc(HEADER[:-1]) + b"\n#time_ms,cj_C,egt9_mV\n1,2,3\n")
    assert items == [Header(COLUMNS), Sample(1, ("1", "2", "3"))]
    assert rejected == {Rejection.NO_CHECKSUM: 1}
    samples_only = HEADER + b"".join(with_crc(b"%d,2,3" % i) + b"\n" for i in range(9)) + b"#time_ms,rpm\n"
    items, rejected = parse(samples_only + with_crc(b"10,900") + b"\n")
    assert items[-2:] == [Header(("time_ms", "rpm")), Sample(10, ("10", "900"))]
    assert rejected == {}


@pytest.mark.parametrize("check", [with_xor, with_crc])
def test_no_changed_bit_and_no_lost_byte_gets_through(check: object) -> None:
    """What SERIAL acquisition tests saw on checksummed lines: no wrong sample in 1 000 bit flips or lost bytes."""
    assert callable(check)
    good = check(b"123456,25.31,31.2062") + b"\n"
    before = HEADER + b"".join(check(b"%d,25.1,31.2" % i) + b"\n" for i in range(CHECKED_IN_A_ROW))
    truth = samples(parse(before + good + good)[0])
    damaged = [good[:i] + good[i + 1 :] for i in range(len(good))]
    damaged += [
        good[:i] + bytes([good[i] ^ 1 << bit]) + good[i + 1 :] for i in range(len(good)) for bit in range(8)
    ]
    for line in damaged:
        items, rejected = parse(before + line + good)
        assert all(sample in truth for sample in samples(items))
        assert sum(rejected.values()) >= 1 or line.rstrip(b"\r\n").upper() == good.rstrip(b"\n")


# --- the start of a stream, and a port that comes back
# ---------------------------------------------------------


def test_the_rest_of_a_line_that_began_before_the_port_opened_is_dropped() -> None:
    """A random tail can have all its columns: `123456,25.1,31.2` cut to `56,25.1,31.2`."""
    parser = LineStreamParser(COLUMNS)
    assert parser.feed(b"56,25.1,31.2\n123476,25.1,31.2\n")[1:] == [
        Sample(123476, ("123476", "25.1", "31.2"))
    ]
    assert parser.counts.rejected == {Rejection.PARTIAL: 1}


@pytest.mark.parametrize(
    "first", [b"#time_ms,cj_C,egt1_mV", b"# boot", with_xor(b"1,2,3"), with_crc(b"1,2,3")]
)
def test_a_first_line_that_shows_to_be_whole_is_kept(first: bytes) -> None:
    parser = LineStreamParser(COLUMNS)
    items = parser.feed(b"\r\n" + first + b"\n5,6,7\n")
    assert items[-1] == Sample(5, ("5", "6", "7"))
    assert parser.counts.rejected == {}


@pytest.mark.parametrize("tail", [b"3.2*1A2B", b"\xff\xfe", b"zzz", b"9" * 3000, b"me_ms,egt1_mV"])
def test_whatever_the_first_tail_it_is_no_fault_of_the_line(tail: bytes) -> None:
    parser = LineStreamParser(COLUMNS)
    assert parser.feed(tail + b"\n1,2,3\n")[1:] == [Sample(1, ("1", "2", "3"))]
    assert parser.counts.rejected == {Rejection.PARTIAL: 1}


def test_a_port_that_comes_back_keeps_its_columns_and_loses_only_the_torn_line() -> None:
    parser = LineStreamParser()
    parser.feed(HEADER + b"1,2,3\n2,2")
    parser.reopened()
    assert parser.feed(b"9,2,3\n10,2,3\n") == [Sample(10, ("10", "2", "3"))]
    parser.reopened()
    assert parser.feed(HEADER + b"11,2,3\n") == [Sample(11, ("11", "2", "3"))]
    assert parser.counts.rejected == {Rejection.PARTIAL: 1}


@pytest.mark.parametrize("torn", [b"2,2", b"# fa", b"9" * 3000])
def test_what_was_left_before_the_port_was_lost_does_not_spoil_what_comes_after(torn: bytes) -> None:
    parser = LineStreamParser(COLUMNS, mid_line=False)
    parser.feed(torn)
    parser.reopened()
    assert parser.feed(b"#time_us,rpm\n5,900\n") == [Header(("time_us", "rpm")), Sample(5, ("5", "900"))]


# --- lines without end, and any bytes at all
# -------------------------------------------------------------------


def test_a_line_of_just_the_longest_length() -> None:
    longest = b"# ".ljust(MAX_LINE_BYTES, b"x")
    assert parse(longest + b"\n")[0] == [Remark("x" * (MAX_LINE_BYTES - 2))]
    assert parse(longest + b"x\n") == ([], {Rejection.TOO_LONG: 1})


@pytest.mark.parametrize("byte", [b"7", b"\x00", b"#", b"\r"])
def test_a_line_that_never_ends_stays_small_and_costs_one_line(byte: bytes) -> None:
    parser = LineStreamParser(COLUMNS, mid_line=False)
    parser.feed(b"1,2,3\n")
    chunk = byte * 4096
    tracemalloc.start()
    for _ in range(2000):
        assert parser.feed(chunk) == []
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 50_000
    assert parser.feed(b"\n2,2,3\n") == [Sample(2, ("2", "2", "3"))]
    assert parser.counts.rejected == {Rejection.TOO_LONG: 1}


def test_the_end_of_an_overlong_line_is_no_line_of_its_own() -> None:
    parser = LineStreamParser(COLUMNS, mid_line=False)
    parser.feed(b"9" * 2000)
    assert parser.feed(b"5,2,3\n7,2,3\n") == [Sample(7, ("7", "2", "3"))]


PIECES = st.sampled_from(
    [HEADER, with_xor(HEADER[:-1]) + b"\n", b"#time_us,rpm\n", b"#", b"\n", b"\r\n", b"\r", b",", b"*",
    b"\x00", b"\xff",
     b"nan", b"open", b"1", b"-", b".", b"e", b"# remark\n", b"20,25.1,31.2\n", b"7,8\n", with_xor(b"30,1,2")
     + b"\n", with_crc(b"40,1,2") + b"\n", with_crc(b"50,1,2") + b"\r\n", b"9" * 600, b"\x00" * 1025, b"\r" *
     1030]
)  # fmt: skip
ANY_STREAM = st.one_of(st.binary(max_size=300), st.lists(PIECES, max_size=25).map(b"".join))


@given(
    ANY_STREAM, st.lists(st.integers(0, 400), max_size=12), st.sampled_from([None, COLUMNS]), st.booleans()
)
def test_however_the_bytes_come_in_pieces_the_result_is_the_same(
    data: bytes, sizes: list[int], columns: tuple[str, ...] | None, mid_line: bool
) -> None:
    whole, pieces = (LineStreamParser(columns, mid_line=mid_line) for _ in range(2))
    expected = whole.feed(data)
    found: list[Item] = []
    position = 0
    for size in [*sizes, len(data)]:
        found += pieces.feed(data[position : position + size])
        position += size
    assert found == expected
    assert pieces.counts == whole.counts
    assert pieces.counts.accepted == len(samples(found))
    assert pieces.feed(b"\n") == whole.feed(b"\n")


DAMAGE = st.binary(max_size=1200).map(lambda noise: noise.replace(b"\n", b""))


@given(st.lists(st.tuples(st.lists(DAMAGE, max_size=2), st.integers(0, 2**32 - 1))))
def test_nothing_that_arrived_whole_is_lost_between_damage(lines: list[tuple[list[bytes], int]]) -> None:
    stream, expected = [HEADER], []
    for noise, counter in lines:
        fields = (str(counter), "25.1", str(counter % 50))
        stream += [piece + b"\n" for piece in noise]
        stream.append(with_crc(",".join(fields).encode()) + b"\n")
        expected.append(Sample(counter, fields))
    parser = LineStreamParser()
    assert samples(parser.feed(b"".join(stream))) == expected
    assert parser.counts.accepted == len(expected)


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ((), "first column"),
        (("cj_C",), "first column"),
        (("time_ms", "a", "a"), "two columns"),
        (("time_ms", "1a"), "cannot be"),
        (("time_ms", "a b"), "cannot be"),
        (("time_ms", "main:a"), "cannot be"),
        (("time_ms", "host_s"), "cannot be"),
        (("time_ms", "=cmd"), "cannot be"),
    ],
)
def test_columns_that_cannot_be_used(columns: tuple[str, ...], said: str) -> None:
    problem = columns_problem(columns)
    assert problem is not None
    assert said in problem
    assert columns_problem(("time_us", "cj_C", "egt1_mV", "lambda_left_lambda", "in.2")) is None
