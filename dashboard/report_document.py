"""A report as plain blocks, and its two forms: one self-contained HTML file, and a PDF.

The blocks say what is to be read; how it looks is in templates/report.html and templates/report.typ. Text of
a session (names of engines, banks, files) is data in both: escaped in HTML, a string in Typst, never markup.
"""

from __future__ import annotations

from importlib import resources
from typing import Any, Literal

import msgspec

# The PDF's letters come with the typst package, so that every machine makes the same file.
PDF_FONT = "Libertinus Serif"
HTML_FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"
# The packaged fonts lack the scripts from here on; only for a text in them the machine's own are asked.
FIRST_UNPACKAGED_LETTER = "\u2e80"


class Heading(msgspec.Struct, frozen=True, tag=str.lower):
    """A heading; `new_page` starts a page with it."""

    text: str
    level: Literal[1, 2] = 1
    new_page: bool = False


class Paragraph(msgspec.Struct, frozen=True, tag=str.lower):
    """Running text; `tone` is 'verdict' for the sentence that matters most, 'small' for remarks."""

    text: str
    tone: Literal["plain", "verdict", "small"] = "plain"


class Bullets(msgspec.Struct, frozen=True, tag=str.lower):
    """A list of sentences."""

    items: tuple[str, ...]


class Notice(msgspec.Struct, frozen=True, tag=str.lower):
    """A framed list of cautions."""

    title: str
    items: tuple[str, ...]


class Facts(msgspec.Struct, frozen=True, tag=str.lower):
    """Names and values, two to a line."""

    pairs: tuple[tuple[str, str], ...]


class Table(msgspec.Struct, frozen=True, tag=str.lower):
    """A table. align: 'l' or 'r' for each column; strong_rows: rows that need the reader's eye.

    blank_columns are to be written in by hand and get a line. widths: the columns' shares of the page.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    widths: tuple[float, ...]
    strong_rows: tuple[int, ...] = ()
    blank_columns: tuple[int, ...] = ()


class Picture(msgspec.Struct, frozen=True, tag=str.lower):
    """A drawing, in the letters of each form."""

    html_svg: str
    pdf_svg: str
    caption: str


class Listing(msgspec.Struct, frozen=True, tag=str.lower):
    """Text as it is in a file."""

    text: str


Block = Heading | Paragraph | Bullets | Notice | Facts | Table | Picture | Listing


class Document(msgspec.Struct, frozen=True):
    """A whole report; `footer` stands on every page."""

    title: str
    footer: str
    blocks: tuple[Block, ...]


def to_html(document: Document) -> str:
    """The report as one HTML file without scripts and without anything loaded from elsewhere."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(_template("report.html"))
    return template.render(document=msgspec.to_builtins(document), font=HTML_FONT)


def to_pdf(document: Document) -> bytes:
    """The report as a tagged PDF (A4), the same bytes for the same document."""
    import typst

    data = msgspec.json.encode(document).decode()
    everywhere = max(data) < FIRST_UNPACKAGED_LETTER
    pdf: Any = typst.compile(
        _template("report.typ").encode(),
        format="pdf",
        ignore_system_fonts=everywhere,
        sys_inputs={"document": data},
        timestamp=0,
    )
    return bytes(pdf)


def _template(name: str) -> str:
    return resources.files("dashboard").joinpath("templates", name).read_text(encoding="utf-8")
