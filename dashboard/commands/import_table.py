"""`evenburn import`: a session from a table of another program."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.output import bullets, say

if TYPE_CHECKING:
    from daq.setupfile import Setup
    from daq.table_import import Plan
    from daq.table_samples import Samples
    from daq.table_text import TableText, Undecided


@click.command("import")
@click.argument("table", metavar="CSV", type=click.Path(path_type=Path))
@click.argument("setup", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="The new session's folder.")
@click.option("--dry-run", is_flag=True, help="Only show how the table is understood.")
@click.option(
    "--map", "columns", multiple=True, metavar="NAME=HEADER", help="Which column a name of the setup is."
)
@click.option(
    "--unit", "units", multiple=True, metavar="HEADER=UNIT", help="A column's unit; * stands for many."
)
@click.option("--delimiter", type=click.Choice(["comma", "semicolon", "tab", "bar"]), help="Between fields.")
@click.option(
    "--decimal", type=click.Choice(["point", "comma"]), help="Between whole and fraction of a number."
)
def command(
    table: Path,
    setup: Path,
    out: Path | None,
    dry_run: bool,
    columns: tuple[str, ...],
    units: tuple[str, ...],
    delimiter: str | None,
    decimal: str | None,
) -> None:
    """Make a session from CSV, a table with a header, and SETUP, which names the columns and their units.

    A column is found by its name: 'EGT 1 [°F]' becomes the setup's egt1_C. What the table leaves open is asked at
    a terminal, else said in one line with the option that answers it. Rows and cells that cannot be used are
    counted and listed.
    """
    from daq.setupfile import load_setup

    if out is None and not dry_run:
        raise click.UsageError("say where the session goes with --out DIR, or look first with --dry-run")
    answers = _Answers(_pairs(columns, "--map"), _pairs(units, "--unit"), delimiter, decimal)
    parsed = load_setup(setup)
    text, plan, samples = _understand(table, parsed, answers, _ask if at_terminal() else None)
    _show(table, text, plan, samples, parsed.engine.fuel)
    if answers.asked:
        say(f"The same without questions: {answers.options()}")
    if dry_run or out is None:
        say("Nothing was written (--dry-run).")
        return
    from daq.table_samples import write_session

    write_session(samples, parsed, setup.read_text(encoding="utf-8"), out, table.name)
    say(f"Written: {out}. Next: evenburn balance {shlex.quote(str(out))}")


def at_terminal() -> bool:
    """Whether there is somebody to ask."""
    return sys.stdin.isatty()


@dataclass
class _Answers:
    """What was told by options or at the terminal."""

    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    delimiter: str | None = None
    decimal: str | None = None
    asked: bool = False

    def add(self, question: Undecided, answer: str) -> None:
        """Note the answer to `question`."""
        self.asked = True
        if question.kind == "column":
            self.columns[question.key] = answer
        elif question.kind == "unit":
            self.units[question.key] = answer
        elif question.kind == "delimiter":
            self.delimiter = answer
        else:
            self.decimal = answer

    def options(self) -> str:
        """The same as options of the command line."""
        words = [word for pair in self.columns.items() for word in ("--map", "=".join(pair))]
        words += [word for pair in self.units.items() for word in ("--unit", "=".join(pair))]
        words += ["--delimiter", self.delimiter] if self.delimiter else []
        words += ["--decimal", self.decimal] if self.decimal else []
        return shlex.join(words)


def _pairs(given: tuple[str, ...], option: str) -> dict[str, str]:
    pairs = {}
    for text in given:
        left, equals, right = text.partition("=") if option == "--map" else text.rpartition("=")
        if not (left and equals and right):
            raise click.UsageError(f"{option} {text!r}: write it as LEFT=RIGHT")
        pairs[left.strip()] = right.strip()
    return pairs


def _understand(
    path: Path, setup: Setup, answers: _Answers, ask: Callable[[Undecided], str] | None
) -> tuple[TableText, Plan, Samples]:
    """Read the table, asking what it leaves open. Raises TableError, naming the file."""
    from daq.errors import TableError
    from daq.table_import import Told, plan_import
    from daq.table_samples import read_samples
    from daq.table_text import Undecided, read_table

    data = path.read_bytes()
    while True:
        try:
            text = read_table(data, answers.delimiter, answers.decimal)
            plan = plan_import(text, setup, Told(answers.columns, answers.units))
            return text, plan, read_samples(text, plan, setup)
        except Undecided as question:
            if ask is None:
                raise TableError(f"{path}: {question}") from None
            answers.add(question, ask(question))
        except TableError as error:
            raise TableError(f"{path}: {error}") from None


def _ask(question: Undecided) -> str:
    """Ask at the terminal; the answer is one of the options, by its number."""
    say(str(question).partition(" (there are:")[0].partition("; say ")[0] + ".")
    for number, option in enumerate(question.options, start=1):
        say(f"  {number}  {option}")
    chosen: int = click.prompt("Number", type=click.IntRange(1, len(question.options)))
    return question.options[chosen - 1]


def _show(path: Path, text: TableText, plan: Plan, samples: Samples, fuel: str) -> None:
    from daq.mixture import STOICHIOMETRIC_AFR
    from daq.table_text import DECIMALS, DELIMITERS

    names = {mark: name for name, mark in DELIMITERS.items()}
    decimal = {mark: name for name, mark in DECIMALS.items()}[text.decimal]
    first_s, last_s = float(samples.time_s[0]), float(samples.time_s[-1])
    say(f"{path}: fields between {names[text.delimiter]}s, decimal {decimal}.")
    say(f"{samples.time_s.size} samples from {first_s:g} s to {last_s:g} s; {plan.time.said}.")
    bullets("Columns", [source.said for source in plan.columns])
    unused = [f"column {header!r}: the setup does not ask for it" for header in plan.unused]
    bullets("Not used", [*unused, *text.remarks, *samples.remarks])
    if any({source.unit, source.target_unit} == {"lambda", "afr"} for source in plan.columns):
        say(f"AFR is lambda times {STOICHIOMETRIC_AFR[fuel]:g} ({fuel}).")
    say()
