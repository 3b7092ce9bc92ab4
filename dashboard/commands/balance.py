"""`evenburn balance`: the findings of a session or of a whole season, as tables or as JSON."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.output import (
    OutputError,
    bullets,
    console,
    printable,
    refuse_to_replace,
    say,
    table,
    write_json,
)

if TYPE_CHECKING:
    from analysis.result import Balance
    from dashboard.season import Outcome


@click.command("balance")
@click.argument("sessions", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SESSION...")
@click.option(
    "--json", "json_target", metavar="TARGET", help="Write the findings as JSON; - is standard output."
)
@click.option("--force", is_flag=True, help="Replace files of TARGET that are there already.")
def command(sessions: tuple[Path, ...], json_target: str | None, force: bool) -> int:
    """The findings of SESSION, cylinder by cylinder; of several, or of a folder of sessions, one line each.

    Exit status 1 if the data of a session cannot answer for any cylinder; the reasons are printed, and the JSON all the
    same. 2 if a session cannot be read; the others are judged all the same.

    TARGET is a folder that exists or a name that ends in /: one NAME.json for each session; or it is a file or -: the
    findings of one session, or a list of those of several, in which sessions that cannot be read are missing.
    """
    from dashboard.season import sessions_of

    found = sessions_of(sessions)
    if json_target is not None:
        _check_target(json_target, found, force)
    if found == [*sessions] and len(found) == 1:
        return _one(found[0], json_target, force)
    return _season(found, json_target, force)


def _is_folder(target: str) -> bool:
    return Path(target).is_dir() or target.endswith(("/", os.sep))


def _file_in(target: str, session: Path) -> str:
    return str(Path(target) / f"{session.resolve().name}.json")


def _check_target(target: str, sessions: Sequence[Path], force: bool) -> None:
    """Say before the work, and not after it, that the JSON cannot be written. Raises OutputError."""
    files = [_file_in(target, session) for session in sessions] if _is_folder(target) else [target]
    for file in files:
        if files.count(file) > 1:
            raise OutputError(f"{file}: several sessions have this name; write them one after the other")
        if file != "-":
            refuse_to_replace(Path(file), force)


def _one(session: Path, json_target: str | None, force: bool) -> int:
    from analysis.balance import balance
    from analysis.published import balance_to_json
    from daq.physical import physical_table
    from daq.session import open_session

    found = balance(physical_table(open_session(session)))
    if json_target is not None:
        target = _file_in(json_target, session) if _is_folder(json_target) else json_target
        write_json(balance_to_json(found), target, force)
    if json_target != "-":
        print_balance(found)
    return 0 if found.answered else 1


def _season(sessions: Sequence[Path], json_target: str | None, force: bool) -> int:
    outcomes = _judged(sessions)
    if json_target is not None:
        _write_season(outcomes, json_target, force)
    if json_target != "-":
        print_season(outcomes)
    else:
        for outcome in outcomes:
            if outcome.error:
                say(f"evenburn: {outcome.error}", to_stderr=True)
    if any(outcome.error for outcome in outcomes):
        return 2
    return 0 if all(outcome.balance and outcome.balance.answered for outcome in outcomes) else 1


def _write_season(outcomes: Sequence[Outcome], target: str, force: bool) -> None:
    from analysis.published import balance_to_json

    documents = {o.path: balance_to_json(o.balance) for o in outcomes if o.balance is not None}
    if not _is_folder(target):
        write_json([*documents.values()], target, force)
        return
    for session, document in documents.items():
        write_json(document, _file_in(target, session), force)


def _judged(sessions: Sequence[Path]) -> list[Outcome]:
    """All sessions, with a bar on a terminal that shows how far it is and how long it will take."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from dashboard.season import judge_all

    columns = (
        BarColumn(None),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}", markup=False),
    )
    with Progress(
        *columns, console=console(to_stderr=True), transient=True, disable=not sys.stderr.isatty()
    ) as bar:
        task = bar.add_task("", total=len(sessions))
        return judge_all(
            sessions, lambda outcome: bar.update(task, advance=1, description=printable(outcome.name))
        )


def print_season(outcomes: Sequence[Outcome]) -> None:
    """One line for each session, then how often which cylinder was named."""
    from dashboard.wording import FINDING_WORDS, verdict

    for outcome in outcomes:
        unreadable = f"Cannot be read: {outcome.error.removeprefix(f'{outcome.path}: ')}."
        say(f"{outcome.name}: {verdict(outcome.balance) if outcome.balance else unreadable}")
    say()
    counts = named_how_often(outcomes)
    several = len({engine for engine, _ in counts}) > 1
    rows = [
        (*([engine] if several else []), str(cylinder), *(str(found.get(f) or "") for f in FINDING_WORDS))
        for (engine, cylinder), found in counts.items()
    ]
    columns = (
        *(["Engine"] if several else []),
        "Cylinder",
        *(w.capitalize() for w in FINDING_WORDS.values()),
    )
    if rows:
        title = "In how many sessions each cylinder was found"
        console().print(table(columns, rows, "l" * several + "l" + "r" * len(FINDING_WORDS), title))
    judged = [outcome.balance for outcome in outcomes if outcome.balance]
    answered = sum(balance.answered for balance in judged)
    say(
        f"{len(outcomes)} sessions: {answered} answered, {len(judged) - answered} cannot tell, "
        f"{len(outcomes) - len(judged)} cannot be read."
    )


def named_how_often(outcomes: Sequence[Outcome]) -> dict[tuple[str, int], dict[str, int]]:
    """(engine, cylinder) -> finding -> in how many sessions; in order of engine and cylinder."""
    counts: dict[tuple[str, int], dict[str, int]] = {}
    for outcome in outcomes:
        for entry in outcome.balance.cylinders if outcome.balance else ():
            found = counts.setdefault((outcome.engine, entry.cylinder), {})
            found[entry.finding] = found.get(entry.finding, 0) + 1
    return dict(sorted(counts.items()))


def print_balance(balance: Balance) -> None:
    """The findings as a table, reasons below, then what to log next and what was wrong with the files."""
    from dashboard.wording import (
        FINDING_WORDS,
        METHOD_WORDS,
        reason_sentence,
        reasons_by_cylinders,
        sentence,
        verdict,
        with_interval,
    )

    rows = [
        (
            str(c.cylinder),
            c.bank,
            FINDING_WORDS[c.finding],
            with_interval(c.egt_deviation_C, c.egt_deviation_u95_C),
            with_interval(c.fuel_offset_percent, c.fuel_offset_u95_percent),
        )
        for c in balance.cylinders
    ]
    say(f"Session {balance.session}. Method: {METHOD_WORDS[balance.method]}.")
    columns = ("Cylinder", "Bank", "Finding", "Deviation, °C", "Fuel offset, %")
    console().print(table(columns, rows, "lllrr"))
    say(verdict(balance))
    say(
        "Deviation and offset are against the mean of the cylinder's own bank; lean is negative; ± covers "
        "about 95 %."
    )
    bullets("Reasons", [reason_sentence(*pair) for pair in reasons_by_cylinders(balance)])
    bullets("What to log next", [sentence(step) for step in balance.next_steps])
    bullets("Problems with this session", balance.problems)
