"""Tables from other programs: a right reading or a clear error, never a wrong reading."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import TableError
from daq.physical import Status, physical_table
from daq.session import open_session
from daq.setupfile import Setup, parse_setup
from daq.table_import import Told, plan_import
from daq.table_samples import Samples, read_samples, write_session
from daq.table_text import Undecided, read_table
from daq.table_time import Clock
from daq.table_units import take_apart

SETUP = """
[engine]
name = "Pump engine"
[[bank]]
name = "all"
cylinders = [1, 2]
[[lambda_sensor]]
bank = "all"
column = "lambda_all_lambda"
[[probe]]
cylinder = 1
column = "egt1_C"
[[probe]]
cylinder = 2
column = "egt2_C"
[conditions]
rpm = "rpm"
load = "map_kPa"
"""
HEADER = "time_s,egt1_C,egt2_C,lambda_all_lambda,rpm,map_kPa"


def setup() -> Setup:
    return parse_setup(SETUP)


def read(
    text: str | bytes, told: Told | None = None, delimiter: str | None = None, decimal: str | None = None
) -> Samples:
    data = text.encode() if isinstance(text, str) else text
    table = read_table(data, delimiter, decimal)
    return read_samples(table, plan_import(table, setup(), told or Told()), setup())


def test_a_table_with_the_setups_own_names() -> None:
    samples = read(f"{HEADER}\n0.0,700.5,701,0.87,2400,62\n0.05,700.75,open,0.871,2401,62.5\n")
    np.testing.assert_array_equal(samples.time_s, [0.0, 0.05])
    np.testing.assert_array_equal(samples.values["egt1_C"], [700.5, 700.75])
    np.testing.assert_array_equal(samples.values["egt2_C"], [701.0, np.inf])
    assert samples.remarks == ()


def test_units_are_converted() -> None:
    """°F by definition; 1 bar = 100 kPa; 14.7 psi = 101.35 kPa (NIST SP 811: 1 psi = 6.894757 kPa)."""
    head = "Time [ms];EGT 1 [°F];EGT 2 (K);Lambda all;RPM;MAP [psi]"
    samples = read(f"{head}\n1000;212;373,15;0,9;800;14,7\n1100;32;273,15;0,9;800;10\n")
    np.testing.assert_allclose(samples.time_s, [1.0, 1.1], rtol=1e-12)
    np.testing.assert_allclose(samples.values["egt1_C"], [100.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(samples.values["egt2_C"], [100.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(samples.values["map_kPa"], [14.7 * 6.894757, 68.94757], rtol=1e-6)


def test_afr_becomes_lambda_by_the_setups_fuel() -> None:
    """Petrol: 14.7, the number that most controllers use (references section 6)."""
    text = f"{HEADER.replace('lambda_all_lambda', 'AFR')}\n0,700,700,14.7,1,1\n1,700,700,12.495,1,1\n"
    samples = read(text, Told({"lambda_all_lambda": "AFR"}))
    np.testing.assert_allclose(samples.values["lambda_all_lambda"], [1.0, 0.85], rtol=1e-12)


def test_a_row_of_units_and_a_preamble() -> None:
    text = "Bench 3\nOperator;somebody\nTime;EGT1;EGT2;Lambda all;RPM;MAP\ns;degC;degF;;1/min;mbar\n"
    samples = read(text + "0,5;700;1292;0,9;2400;620\n0,6;701;1292;0,9;2400;621\n")
    np.testing.assert_allclose(samples.values["egt2_C"], 700.0)
    np.testing.assert_allclose(samples.values["map_kPa"], [62.0, 62.1])
    assert any(
        "2 lines before the header" in remark
        for remark in read_table(text.encode() + b"0;1;2;3;4;5\n").remarks
    )


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (("23:59:59.5", "00:00:00.5"), (0.0, 1.0)),
        (("11:59:59 PM", "12:00:01 AM"), (0.0, 2.0)),
        (("2024-02-29T23:59:59Z", "2024-03-01T00:00:01Z"), (0.0, 2.0)),
        (("29.02.2024 23:59:59,25", "01.03.2024 00:00:00,25"), (0.0, 1.0)),
        (("03/04/2024 10:00:00", "03/04/2024 10:00:30"), (0.0, 30.0)),
        (("2024-10-27T02:59:59+02:00", "2024-10-27T02:00:01+01:00"), (0.0, 2.0)),
    ],
)
def test_times_of_day(cells: tuple[str, str], seconds: tuple[float, float]) -> None:
    rows = "".join(f"{cell};700;701;0.9;1;1\n" for cell in cells)
    samples = read(HEADER.replace(",", ";").replace("time_s", "Time") + "\n" + rows, decimal="point")
    np.testing.assert_allclose(samples.time_s, seconds, atol=1e-9)


def test_a_date_that_changes_and_can_be_read_in_two_ways_is_refused() -> None:
    clock = Clock()
    clock.seconds("03/04/2024 23:59:59")
    with pytest.raises(TableError, match="YYYY-MM-DD"):
        clock.seconds("03/05/2024 00:00:01")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("0,1,2\n3,4,5\n", "no table with a header"),
        ("just words\nand more words\n", "no table with a header"),
        ("a\0b,c\n1,2\n", "zero bytes"),
        (f"{HEADER}\n0,700,701,13.2,1,1\n1,700,701,13.1,1,1\n", "reads 13.1 to 13.2"),
        (f"{HEADER}\n0,1500,701,0.9,1,1\n1,1501,701,0.9,1,1\n", "reads 1500 to 1501"),
        (f"{HEADER}\n0,700,701,0.9,1,1\n0,700,701,0.9,1,1\n0,700,701,0.9,1,1\n", "does not increase"),
        (f"{HEADER.replace('egt2_C', 'egt2_kPa')}\n0,700,701,0.9,1,1\n1,7,7,0.9,1,1\n", "cannot become egt2_C"),
        (f"{HEADER},rpm\n0,700,701,0.9,1,1,2\n1,7,7,0.9,1,1,2\n", "several columns may be rpm"),
        (f'{HEADER}\n0,"1,234.5",701,0.9,1,1\n1,7,7,0.9,1,1\n', "between thousands"),
        (f"{HEADER}\n0,700,701,0.9,1,1\n1,7,7\n2,7\n3,7\n4,7,7\n", "fields of the header"),
    ],
)  # fmt: skip
def test_what_cannot_be_understood_is_one_clear_line(text: str, said: str) -> None:
    with pytest.raises(TableError, match=said) as caught:
        read(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "kind", "key"),
    [
        (f"{HEADER.replace('time_s', 'time')}\n0,700,701,0.9,1,1\n1,7,7,0.9,1,1\n", "unit", "time"),
        (f"{HEADER.replace('egt1_C', 'egt1')}\n0,700,701,0.9,1,1\n1,7,7,0.9,1,1\n", "unit", "egt1"),
        (f"{HEADER.replace('egt1_C', 'probe A')}\n0,700,701,0.9,1,1\n1,7,7,0.9,1,1\n", "column", "egt1_C"),
        (f"{HEADER.replace(',', ';')}\n0;700;701;0;1,234;1\n1;7;7;0;2,345;1\n", "decimal", ""),
        (f"{HEADER.replace('time_s', 'when')}\n0,700,701,0.9,1,1\n1,7,7,0.9,1,1\n", "column", "time"),
    ],
)  # fmt: skip
def test_what_the_table_leaves_open_is_asked_not_guessed(text: str, kind: str, key: str) -> None:
    with pytest.raises(Undecided) as caught:
        read(text)
    assert (caught.value.kind, caught.value.key) == (kind, key)
    assert len(caught.value.options) > 1


def test_what_is_told_answers_what_was_asked() -> None:
    text = "when,EGT 1,EGT 2,L,RPM,MAP\n0,1292,1293,0.9,1,620\n1,1292,1293,0.9,1,620\n"
    told = Told(
        {"time": "when", "lambda_all_lambda": "L"}, {"when": "min", "EGT*": "°F", "L": "λ", "MAP": "mbar"}
    )
    samples = read(text, told)
    np.testing.assert_allclose(samples.time_s, [0.0, 60.0])
    np.testing.assert_allclose(samples.values["egt1_C"], 700.0)


def test_what_cannot_be_used_is_counted_and_said() -> None:
    text = (
        f"{HEADER},gear\n0,700,701,0.9,1,1,N\n1,hot,701,0.9,1,1,N\n2,700,701\n"
        "3,700,701,0.9,1_000,1,N\n,700,701,0.9,1,1,N\n2.5,700,701,0.9,1,1,N\n"
        + "".join(f"{t},700,701,0.9,1,1,N\n" for t in range(4, 20))
        + "20,700,701,0.9,1,1,N"
    )
    table = read_table(text.encode())
    plan = plan_import(table, setup(), Told())
    samples = read_samples(table, plan, setup())
    assert plan.unused == ("gear",)
    said = " ".join((*table.remarks, *samples.remarks))
    for expected in ("no line end", "'hot'", "'1_000'", "lines 4", "no time", "no later"):
        assert expected in said
    np.testing.assert_array_equal(samples.time_s, [0, 1, 3, *range(4, 20)])
    assert math.isnan(samples.values["egt1_C"][1])


def test_a_written_session_reads_as_the_table(tmp_path: Path) -> None:
    text = f"{HEADER}\n" + "".join(f"{t / 20},{700 + t},open,0.9,{2400 + t},62\n" for t in range(200))
    write_session(read(text), setup(), SETUP, tmp_path / "session", "bench.csv")
    table = physical_table(open_session(tmp_path / "session"))
    np.testing.assert_allclose(table.time_s, np.arange(200) / 20, atol=1e-9)
    np.testing.assert_array_equal(table.egt_C[:, 0], 700.0 + np.arange(200))
    assert (table.egt_status[:, 1] == Status.OPEN_CIRCUIT).all()
    assert table.problems == ()
    assert table.marks[0].details["imported_from"] == "bench.csv"


@pytest.mark.parametrize(
    "header", ["EGT 1 [°F]", "EGT 1 (F)", "EGT_1_F", "egt1 °F", "EGT-1 [degF]", "Egt 1, °F"]
)
def test_a_headers_unit_is_seen_however_it_is_written(header: str) -> None:
    name = take_apart(header)
    assert (name.key, name.unit) == ("egt1", "F")


@dataclass(frozen=True)
class Style:
    """How a table is written: everything that other programs do differently."""

    delimiter: str
    comma: bool
    quoted: bool
    fahrenheit: bool
    afr: bool
    milliseconds: bool
    unit_row: bool
    bracket: str
    missing: str
    preamble: int
    line_end: str
    encoding: str
    digits: int
    trailing: bool


STYLES = st.builds(
    Style,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    quoted=st.booleans(),
    fahrenheit=st.booleans(),
    afr=st.booleans(),
    milliseconds=st.booleans(),
    unit_row=st.booleans(),
    bracket=st.sampled_from(["[]", "()", "_", " "]),
    missing=st.sampled_from(["", "NaN", "-", "n/a", "#N/A"]),
    preamble=st.integers(0, 3),
    line_end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    digits=st.integers(0, 4),
    trailing=st.booleans(),
)
ROWS = st.lists(
    st.tuples(
        st.floats(20, 1100),
        st.one_of(st.none(), st.floats(20, 1100)),
        st.floats(0.7, 1.3),
        st.integers(700, 9000),
        st.floats(20, 250),
    ),
    min_size=3,
    max_size=12,
)


def written(style: Style, rows: Sequence[tuple[float, float | None, float, int, float]]) -> bytes:
    """The rows as a program with this style exports them, ten samples a second."""
    units = ["ms" if style.milliseconds else "s", *["°F" if style.fahrenheit else "°C"] * 2,
             "AFR" if style.afr else "lambda", "1/min", "kPa"]  # fmt: skip
    names = ["Time", "EGT 1", "EGT 2", "lambda all", "RPM", "MAP"]
    left, right = {"[]": (" [", "]"), "()": (" (", ")"), "_": ("_", ""), " ": (" ", "")}[style.bracket]
    headers = names if style.unit_row else [f"{n}{left}{u}{right}" for n, u in zip(names, units, strict=True)]
    lines = [f"made on bench {i}" for i in range(style.preamble)]
    cells = [headers, *([units] if style.unit_row else [])]
    for i, (egt1, egt2, lambda_, rpm, kPa) in enumerate(rows):
        t = i * (100.0 if style.milliseconds else 0.1)
        degrees = [None if v is None else v * 1.8 + 32 if style.fahrenheit else v for v in (egt1, egt2)]
        mixture = lambda_ * 14.7 if style.afr else lambda_
        numbers = [t, *degrees, mixture, float(rpm), kPa]
        digits = [1 if i == 0 else style.digits for i in range(6)]
        digits[3] = max(style.digits, 1)
        texts = [style.missing if v is None else f"{v:.{d}f}" for v, d in zip(numbers, digits, strict=True)]
        cells.append([text.replace(".", ",") if style.comma and "." in text else text for text in texts])
    for row in cells:
        quoted = [f'"{cell}"' if style.quoted or style.delimiter in cell else cell for cell in row]
        lines.append(style.delimiter.join(quoted) + (style.delimiter if style.trailing else ""))
    return (style.line_end.join(lines) + style.line_end).encode(style.encoding)


@settings(max_examples=250, deadline=None)
@given(STYLES, ROWS)
def test_an_odd_table_is_read_rightly_or_refused(
    style: Style, rows: list[tuple[float, float | None, float, int, float]]
) -> None:
    try:
        samples = read(written(style, rows))
    except TableError:
        return
    half = 0.5 * 10.0**-style.digits + 1e-9
    tolerance_C = half / 1.8 if style.fahrenheit else half
    assert samples.time_s.size == len(rows)
    np.testing.assert_allclose(samples.time_s, 0.1 * np.arange(len(rows)), atol=1e-9)
    expected = np.array(
        [(a, np.nan if b is None else b, c, d, e) for a, b, c, d, e in rows], dtype=np.float64
    )
    np.testing.assert_allclose(samples.values["egt1_C"], expected[:, 0], atol=tolerance_C)
    np.testing.assert_allclose(samples.values["egt2_C"], expected[:, 1], atol=tolerance_C)
    np.testing.assert_allclose(samples.values["lambda_all_lambda"], expected[:, 2], atol=max(half, 0.05))
    np.testing.assert_allclose(samples.values["rpm"], expected[:, 3], atol=half)
    np.testing.assert_allclose(samples.values["map_kPa"], expected[:, 4], atol=half)


def test_most_odd_tables_are_read_not_refused() -> None:
    """The property above would hold for an importer that refuses everything."""
    rows = [(700.25, 701.5, 0.87, 2400, 62.25)] * 4
    read_rightly = 0
    styles = [
        Style(d, c, q, f, False, m, u, b, "", 0, "\n", "utf-8", 2, False)
        for d in ",;\t|" for c in (False, True) for q in (False, True) for f in (False, True)
        for m in (False, True) for u in (False, True) for b in ("[]", "_")
    ]  # fmt: skip
    for style in styles:
        try:
            read_rightly += read(written(style, rows)).time_s.size == 4
        except TableError as error:
            assert style.comma, f"{style}: {error}"
    assert read_rightly > 0.8 * len(styles)


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=400), st.text(alphabet="time_s,egt1_C;\t\"'0159.-+eE:\r\n|°[]()", max_size=400)
    )
)
def test_any_bytes_are_a_table_or_a_clear_error(data: bytes | str) -> None:
    raw = data if isinstance(data, bytes) else data.encode()
    try:
        samples = read(io.BytesIO(raw).read())
    except TableError as error:
        assert str(error) and "\n" not in str(error)
    else:
        assert (np.diff(samples.time_s) > 0).all()
