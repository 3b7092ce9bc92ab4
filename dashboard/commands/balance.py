"""`evenburn balance`: the findings of a session, as a table or as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.output import bullets, console, say, table, write_json

if TYPE_CHECKING:
    from analysis.result import Balance


@click.command("balance")
@click.argument("session", type=click.Path(path_type=Path))
@click.option(
    "--json", "json_target", metavar="FILE", help="Write the findings as JSON; - is standard output."
)
@click.option("--force", is_flag=True, help="Replace FILE if it is there already.")
def command(session: Path, json_target: str | None, force: bool) -> int:
    """The findings of SESSION, cylinder by cylinder.

    Exit status 1 if the data cannot answer for any cylinder; the reasons are printed, and the JSON all the same.
    """
    from analysis.balance import balance
    from analysis.result import balance_to_json
    from daq.physical import physical_table
    from daq.session import open_session

    found = balance(physical_table(open_session(session)))
    if json_target is not None:
        write_json(balance_to_json(found), json_target, force)
    if json_target != "-":
        print_balance(found)
    return 0 if found.answered else 1


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
