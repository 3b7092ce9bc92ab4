"""A table from another program as text: its encoding, delimiter, decimal sign, header and rows.

Nothing is guessed: where two readings of the same text are possible, `Undecided` says what must be told.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.errors import TableError
from daq.table_units import is_unit

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
DECIMALS = {"point": ".", "comma": ","}
BYTE_ORDER_MARKS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}
SAMPLE_ROWS = 5000
MISSING = frozenset({"", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---"})
OPEN = "open"
OUT_OF_RANGE = "out of range"
NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
CLOCK = re.compile(
    r"(?:(?P<date>\d{1,4}[./-]\d{1,2}[./-]\d{1,4})(?:\s+|T))?"
    r"(?P<h>\d{1,2}):(?P<m>[0-5]\d):(?P<s>[0-5]\d(?:[.,]\d{1,9})?)"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?(?P<zone>Z|[+-]\d\d:?\d\d)?",
    re.ASCII,
)


class Undecided(TableError):
    """The table can be read in more than one way. kind, key: what to tell; options: what may be told."""

    def __init__(self, message: str, kind: str, key: str, options: Sequence[str]) -> None:
        super().__init__(message)
        self.kind, self.key, self.options = kind, key, tuple(options)


@dataclass(frozen=True)
class TableText:
    """A table as text. headers: one per column; units: the units' row where there is one, else ''.

    first_row: index of the first data row among the file's rows; preamble: rows before the header, not used.
    remarks: what was noticed and is not used, one plain sentence each.
    """

    text: str
    headers: tuple[str, ...]
    units: tuple[str, ...]
    delimiter: str
    decimal: str
    first_row: int
    remarks: tuple[str, ...]

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """(line number, cells) of each data row that is not blank, with as many cells as the file has there."""
        for number, row in enumerate(_rows(self.text, self.delimiter)):
            if number >= self.first_row:
                yield row


def read_table(data: bytes, delimiter: str | None = None, decimal: str | None = None) -> TableText:
    """The table in a file's bytes. delimiter, decimal: names of `DELIMITERS`, `DECIMALS` where the user told.

    Raises TableError for what is no table with a header, Undecided where the file leaves a choice.
    """
    text, remarks = _decode(data)
    if text and not text.endswith(("\n", "\r")):
        text = text[: max(text.rfind("\n"), text.rfind("\r")) + 1]
        remarks.append("the last line has no line end; it may be cut off and is left out")
    layout = _choose_layout(text, delimiter)
    body = [cells for _, cells in layout.sample[layout.first_row :]]
    mark = DECIMALS[decimal] if decimal else _decimal(body, layout.delimiter)
    if layout.header_row:
        remarks.append(f"{layout.header_row} lines before the header are not part of the table")
    headers = _trimmed(layout.sample[layout.header_row][1])
    has_units = layout.first_row - layout.header_row == 2
    units = layout.sample[layout.header_row + 1][1] if has_units else []
    padded = tuple(units[: len(headers)]) + ("",) * (len(headers) - len(units))
    return TableText(text, tuple(headers), padded, layout.delimiter, mark, layout.first_row, tuple(remarks))


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no reading."""
    return cell.strip().lower() in MISSING


def _decode(data: bytes) -> tuple[str, list[str]]:
    if not data.strip():
        raise TableError("the file is empty")
    encoding = next((name for mark, name in BYTE_ORDER_MARKS.items() if data.startswith(mark)), "utf-8")
    remarks = []
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8":
            raise TableError(f"the file says it is {encoding}, but is not") from None
        text = data.decode("latin-1")
        remarks.append("the file is not UTF-8; its letters are read as ISO 8859-1")
    if "\0" in text:
        raise TableError("the file holds zero bytes; it is no text, or is damaged")
    return text, remarks


def _rows(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                yield reader.line_num, stripped
    except csv.Error as error:
        raise TableError(f"line {reader.line_num}: cannot be read as a table ({error})") from None


@dataclass(frozen=True)
class _Layout:
    delimiter: str
    sample: list[tuple[int, list[str]]]
    header_row: int
    first_row: int
    share: float


def _choose_layout(text: str, told: str | None) -> _Layout:
    candidates = {told: DELIMITERS[told]} if told else DELIMITERS
    found = {name: layout for name, mark in candidates.items() if (layout := _layout(text, mark))}
    if not found:
        raise TableError(
            "no table with a header found: there must be a line of column names, the same number of fields in "
            "the lines below, and commas, semicolons, tabs or bars between them"
        )
    ranked = sorted(found, key=lambda name: found[name].share, reverse=True)
    if len(ranked) > 1 and found[ranked[0]].share - found[ranked[1]].share < 0.05:
        raise Undecided(
            f"the fields may be separated by {ranked[0]} or by {ranked[1]}; say which with --delimiter",
            "delimiter", "", ranked[:2],
        )  # fmt: skip
    return found[ranked[0]]


def _layout(text: str, delimiter: str) -> _Layout | None:
    """Where header and data are if `delimiter` separates the fields; share: of the cells that are values."""
    try:
        sample = list(itertools.islice(_rows(text, delimiter), SAMPLE_ROWS))
    except TableError:
        return None
    widths = Counter(len(_trimmed(cells)) for _, cells in sample)
    widths.pop(1, None)
    if not widths:
        return None
    width = max(widths, key=lambda w: (widths[w], w))
    for index, (_, cells) in enumerate(sample):
        if len(cells) >= width and _is_data(cells[:width]):
            return _with_header(delimiter, sample, index, width)
    return None


def _with_header(
    delimiter: str, sample: list[tuple[int, list[str]]], first_row: int, width: int
) -> _Layout | None:
    header_row = first_row - 1
    if header_row > 0 and _is_units_row(sample[header_row][1]):
        header_row -= 1
    if header_row < 0 or not 2 <= len(_trimmed(sample[header_row][1])) <= width + 1:
        return None
    if not any(_is_name(cell) for cell in sample[header_row][1]):
        return None
    cells = [cell for _, row in sample[first_row:] for cell in row]
    share = sum(_is_value(cell) for cell in cells) / len(cells)
    return _Layout(delimiter, sample, header_row, first_row, share)


def _trimmed(cells: Sequence[str]) -> list[str]:
    """Without the empty cells that a delimiter at the line's end makes."""
    kept = list(cells)
    while len(kept) > 1 and not kept[-1]:
        kept.pop()
    return kept


def _is_value(cell: str) -> bool:
    plain = cell.replace("−", "-")
    return (
        bool(NUMBER.fullmatch(plain) or CLOCK.fullmatch(cell))
        or is_missing(cell)
        or cell.lower() in (OPEN, OUT_OF_RANGE)
    )


def _is_data(cells: Sequence[str]) -> bool:
    numbers = sum(_is_value(cell) and not is_missing(cell) for cell in cells)
    return numbers >= 1 and sum(map(_is_value, cells)) * 2 >= len(cells)


def _is_name(cell: str) -> bool:
    return not _is_value(cell)


def _is_units_row(cells: Sequence[str]) -> bool:
    said = [cell for cell in cells if cell]
    return bool(said) and all(is_unit(cell) for cell in said)


def _decimal(body: Sequence[Sequence[str]], delimiter: str) -> str:
    """The sign between whole and fraction in the numbers of `body`. Raises Undecided."""
    numbers = [cell for row in body for cell in row if not CLOCK.fullmatch(cell)]
    with_comma = [cell for cell in numbers if "," in cell and NUMBER.fullmatch(cell)]
    with_point = [cell for cell in numbers if "." in cell and NUMBER.fullmatch(cell)]
    both = next((cell for cell in numbers if re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+[.,]\d+", cell)), None)
    if both is not None:
        raise TableError(f"numbers such as {both!r} have marks between thousands; export them without")
    if not with_comma:
        return "."
    grouped = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
    if not with_point and not all(grouped.fullmatch(cell) for cell in with_comma):
        return ","
    example = with_comma[0]
    raise Undecided(
        f"{example!r} may be a number with a decimal comma or with a comma between thousands; "
        "say with --decimal comma or --decimal point",
        "decimal", "", tuple(DECIMALS),
    )  # fmt: skip
