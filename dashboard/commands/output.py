"""What commands print: plain text that needs no colour, and JSON."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click
from rich.box import HORIZONTALS
from rich.console import Console
from rich.table import Table

from daq.errors import EvenburnError

WIDTH_IN_A_FILE = 132


class OutputError(EvenburnError):
    """A file that a command was to write is there already."""


def console(*, to_stderr: bool = False) -> Console:
    """The terminal, or a plain page of fixed width; words from sessions are never read as mark-up."""
    stream = sys.stderr if to_stderr else sys.stdout
    width = None if stream.isatty() else WIDTH_IN_A_FILE
    return Console(file=stream, width=width, markup=False, emoji=False, highlight=False)


def printable(text: str) -> str:
    """`text` without control characters, which could steer a terminal."""
    return "".join(" " if unicodedata.category(c) in ("Cc", "Cf", "Cs") else c for c in text)


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], align: str, title: str = "") -> Table:
    """A table for `console`; align: 'l' or 'r' for each column."""
    made = Table(box=HORIZONTALS, title=printable(title) or None, title_justify="left", pad_edge=False)
    for name, side in zip(columns, align, strict=True):
        made.add_column(name, justify="right" if side == "r" else "left", overflow="fold")
    for row in rows:
        made.add_row(*(printable(cell) for cell in row))
    return made


def say(text: str = "", *, to_stderr: bool = False) -> None:
    """One line, as wide as it is."""
    click.echo(printable(text), err=to_stderr)


def bullets(title: str, lines: Sequence[str]) -> None:
    """A title and its lines, or nothing where there are none."""
    if lines:
        say()
        say(f"{title}:")
    for line in lines:
        say(f"  - {line}")


def write_json(document: dict[str, Any] | list[dict[str, Any]], target: str, force: bool = False) -> None:
    """`document` to standard output (`-`) or to the file `target`, which must be empty unless `force`."""
    text = json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)
    if target == "-":
        click.echo(text)
        return
    path = Path(target)
    refuse_to_replace(path, force)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text + "\n", encoding="utf-8")


def refuse_to_replace(path: Path, force: bool) -> None:
    """Raise OutputError where there is something in the file `path` already, unless `force`."""
    if not force and path.exists() and path.stat().st_size:
        raise OutputError(f"{path}: is there already; use --force to replace it")
