"""The trim report on disk: `trims.html`, `trims.pdf`, `trims.csv` and `trims.json`."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path

from analysis.probe_check import ProbeCheck
from analysis.published import trims_to_json
from analysis.result import Trims
from daq.errors import EvenburnError
from daq.physical import PhysicalTable
from dashboard.report_content import trims_document
from dashboard.report_document import to_html, to_pdf
from dashboard.session_files import session_files

CSV_COLUMNS = (
    "cylinder",
    "bank",
    "finding",
    "egt_deviation_C",
    "egt_deviation_u95_C",
    "fuel_offset_percent",
    "fuel_offset_u95_percent",
    "trim_percent",
    "trim_ms",
    "predicted_offset_percent",
    "predicted_deviation_C",
    "predicted_deviation_u95_C",
    "reasons",
    "trim_reason",
    "really_set_percent",
)
# a spreadsheet runs a cell that begins so (OWASP, "CSV Injection")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


class ReportError(EvenburnError):
    """A report cannot be written where it was asked for."""


def write_reports(
    trims: Trims,
    table: PhysicalTable,
    out_dir: str | Path,
    force: bool = False,
    session_folder: str | Path | None = None,
    check: ProbeCheck | None = None,
) -> list[Path]:
    """Write the trim report in its four forms into `out_dir`; returns the paths.

    session_folder: where the session lies, for its checksums and its setup's text. check: the probe check, as
    further evidence. An existing file is only
    replaced with `force`. Raises ReportError, and SessionError where the session cannot be read.
    """
    files = None if session_folder is None else session_files(Path(session_folder), table.setup)
    document = trims_document(trims, table, files, check)
    contents = {
        "trims.html": to_html(document).encode(),
        "trims.pdf": to_pdf(document),
        "trims.csv": trims_csv(trims).encode("utf-8-sig"),
        "trims.json": json.dumps(trims_to_json(trims), ensure_ascii=False, indent=2).encode() + b"\n",
    }
    return write_files(contents, Path(out_dir), force)


def trims_csv(trims: Trims) -> str:
    """One line per cylinder under `CSV_COLUMNS`; numbers as in `trims.json`, empty for no answer."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(CSV_COLUMNS)
    for entry in trims_to_json(trims)["cylinders"]:
        entry["reasons"] = " ".join(entry["reasons"])
        writer.writerow([spreadsheet_safe(entry.get(column)) for column in CSV_COLUMNS])
    return text.getvalue()


def spreadsheet_safe(value: object) -> object:
    """`value` as a cell; text that a spreadsheet would run as a formula gets an apostrophe in front."""
    if isinstance(value, str) and value.lstrip(" ").startswith(FORMULA_STARTS):
        return "'" + value
    return value


def write_files(contents: Mapping[str, bytes], out_dir: Path, force: bool) -> list[Path]:
    """Write each named content into `out_dir`, all or none. Raises ReportError."""
    paths = [out_dir / name for name in contents]
    taken = [path.name for path in paths if path.exists() or path.is_symlink()]
    if taken and not force:
        raise ReportError(f"{out_dir}: {', '.join(taken)} is there already; use --force to replace")
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        for path, content in zip(paths, contents.values(), strict=True):
            partial = path.with_name(f".{path.name}.part")
            partial.write_bytes(content)
            partial.replace(path)
    except OSError as error:
        raise ReportError(f"{out_dir}: cannot be written ({error.strerror})") from None
    return paths
