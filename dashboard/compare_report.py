"""The before-and-after report: `compare.html`, `compare.pdf`, `compare.csv` and `compare.json`."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

from analysis.compare import BankComparison, Comparison, CylinderComparison
from analysis.published import compare_to_json
from daq.errors import TableError
from daq.table_samples import numbers
from daq.table_text import read_table
from dashboard.display import MISSING
from dashboard.report import spreadsheet_safe, write_files
from dashboard.report_document import (
    HTML_FONT,
    PDF_FONT,
    Block,
    Bullets,
    Document,
    Facts,
    Heading,
    Notice,
    Paragraph,
    Picture,
    Table,
    to_html,
    to_pdf,
)
from dashboard.report_pictures import offsets_picture
from dashboard.wording import FINDING_WORDS, UNEQUAL_HEAT, listed, signed_or_missing, with_interval

CSV_COLUMNS = tuple(CylinderComparison.__dataclass_fields__)


def trims_set(path: Path) -> dict[int, float]:
    """cylinder -> trim that was set [%], from a `trims.csv` with or without what was really set written in.

    Where any cylinder has an entry under `really_set_percent`, only those entries count; else the proposed trims
    do. Raises TableError.
    """
    try:
        table = read_table(path.read_bytes())
        columns = {
            name: table.headers.index(name) for name in ("cylinder", "trim_percent", "really_set_percent")
        }
    except (TableError, ValueError) as error:
        raise TableError(
            f"{path}: is not a trims.csv with cylinder, trim_percent, really_set_percent ({error})"
        ) from None
    rows = [cells for _, cells in table.rows()]
    if any(len(cells) < len(table.headers) for cells in rows):
        raise TableError(f"{path}: a row has fewer fields than the header")
    read = {name: numbers([cells[i] for cells in rows], table.decimal) for name, i in columns.items()}
    for name, (_, wrong) in read.items():
        if wrong:
            raise TableError(f"{path}: {name} holds {wrong[0]!r}, which is no number")
    values = {name: column.tolist() for name, (column, _) in read.items()}
    written = any(value == value for value in values["really_set_percent"])
    chosen = values["really_set_percent" if written else "trim_percent"]
    pairs = zip(values["cylinder"], chosen, strict=True)
    return {int(cylinder): trim for cylinder, trim in pairs if trim == trim}


def write_compare_reports(
    comparison: Comparison, engine: str, threshold_percent: float, out_dir: Path, force: bool = False
) -> list[Path]:
    """Write the four forms into `out_dir`; an existing file is only replaced with `force`. Raises ReportError."""
    document = compare_document(comparison, engine, threshold_percent)
    content = compare_to_json(comparison)
    contents = {
        "compare.html": to_html(document).encode(),
        "compare.pdf": to_pdf(document),
        "compare.csv": _csv(content).encode("utf-8-sig"),
        "compare.json": json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False).encode() + b"\n",
    }
    return write_files(contents, out_dir, force)


def _csv(content: Mapping[str, Any]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(CSV_COLUMNS)
    for entry in content["cylinders"]:
        writer.writerow([spreadsheet_safe(entry[column]) for column in CSV_COLUMNS])
    return text.getvalue()


def compare_document(comparison: Comparison, engine: str, threshold_percent: float) -> Document:
    """What the before-and-after report says."""
    before, after = comparison.before, comparison.after
    facts = (
        ("Engine", engine),
        ("Compared at", comparison.region or "no operating region in common"),
        ("Before", before.session),
        ("After", after.session),
    )
    blocks: list[Block] = [
        Facts(facts),
        *(Paragraph(f"Bank {bank.bank}: {bank.verdict}.", tone="verdict") for bank in comparison.banks),
        *(
            Paragraph(f"Bank {bank.bank}: {shown}")
            for bank in comparison.banks
            if (shown := bank_numbers(bank))
        ),
        _table(comparison),
        Paragraph(
            "Change: after minus before. Between two sessions with the same probes in the same ports the probes' "
            "errors cancel. ± is an interval of about 95 % coverage. – means: cannot tell. " + UNEQUAL_HEAT,
            tone="small",
        ),
        _picture(comparison, threshold_percent),
        Heading("Cylinder by cylinder", level=2),
        Bullets(movements(comparison)),
    ]
    problems = tuple(dict.fromkeys((*comparison.problems, *before.problems, *after.problems)))
    if problems:
        blocks += [Heading("Problems", level=2), Bullets(problems)]
    blocks.append(
        Notice(
            "Before the next step",
            (
                "A movement as predicted says that the right cylinder was trimmed, not that the engine is safe at "
                "full load.",
                "This is no engine protection. A qualified engine builder's judgement, local codes and law come first.",
            ),
        )
    )
    footer = f"Sessions {before.session}, {after.session} · evenburn {metadata.version('evenburn')}"
    return Document(title=f"Before and after: {engine}", footer=footer, blocks=tuple(blocks))


def bank_numbers(bank: BankComparison) -> str:
    """What a bank's trims did to its spread, and what they showed of the engine."""
    said = []
    if bank.spread_before_C is not None and bank.spread_after_C is not None:
        said.append(f"Spread {bank.spread_before_C:.0f} °C before, {bank.spread_after_C:.0f} °C after.")
    slope = with_interval(bank.slope_C_per_percent, bank.slope_u95_C_per_percent).removeprefix("+")
    if slope != MISSING:
        said.append(f"The trims showed {slope} °C per % of less fuel.")
    return " ".join(said)


def movements(comparison: Comparison) -> tuple[str, ...]:
    """Why each cylinder is said to have moved as it did, each reason once."""
    grouped: dict[str, list[int]] = {}
    for entry in comparison.cylinders:
        grouped.setdefault(entry.reason, []).append(entry.cylinder)
    return tuple(f"{listed(cylinders).capitalize()}: {reason}" for reason, cylinders in grouped.items())


def compare_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """One row a cylinder, for `COMPARE_COLUMNS`."""
    words: Mapping[str, str] = {str(finding): word for finding, word in FINDING_WORDS.items()}
    return [
        (
            str(c.cylinder),
            c.bank,
            signed_or_missing(c.trim_percent, 1),
            signed_or_missing(c.offset_before_percent, 1),
            signed_or_missing(c.offset_after_percent, 1),
            with_interval(c.offset_change_percent, c.offset_change_u95_percent),
            with_interval(c.change_C, c.change_u95_C),
            with_interval(c.predicted_change_C, c.predicted_change_u95_C),
            c.moved,
            words[c.finding_after],
        )
        for c in comparison.cylinders
    ]


COMPARE_COLUMNS = ("Cyl.", "Bank", "Trim set, %", "Offset before, %", "Offset after, %", "Offset change, %",
                   "Deviation change,\u00a0°C", "Predicted,\u00a0°C", "Moved", "Now")  # fmt: skip


def _table(comparison: Comparison) -> Table:
    wrong = ("less than predicted", "more than predicted", "wrong way", "cannot tell")
    return Table(
        columns=COMPARE_COLUMNS,
        rows=tuple(compare_rows(comparison)),
        align="llrrrrrrll",
        widths=(5.0, 11.0, 7.0, 8.0, 8.0, 11.0, 12.0, 12.0, 14.0, 12.0),
        strong_rows=tuple(i for i, c in enumerate(comparison.cylinders) if c.moved in wrong),
    )


def _picture(comparison: Comparison, threshold_percent: float) -> Picture:
    earlier = {c.cylinder: c.offset_before_percent for c in comparison.cylinders}
    svg = [
        offsets_picture(comparison.after, earlier, threshold_percent, font, other="before")
        for font in (HTML_FONT, PDF_FONT)
    ]
    return Picture(svg[0], svg[1], "Each cylinder's fuel offset after, with its interval, and before.")
