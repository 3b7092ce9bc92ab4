"""`evenburn compare`: before and after a trim."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.output import bullets, console, say, table, write_json


@click.command("compare")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option(
    "--trims", type=click.Path(path_type=Path), metavar="CSV", help="The trims.csv of what was set."
)
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Write a report there as well.")
@click.option(
    "--json", "json_target", metavar="FILE", help="Write the comparison as JSON; - is standard output."
)
@click.option("--force", is_flag=True, help="Replace files that are there already.")
def command(
    before: Path, after: Path, trims: Path | None, out: Path | None, json_target: str | None, force: bool
) -> int:
    """Did the trims between the sessions BEFORE and AFTER do what was predicted?

    Without --trims it is taken that the trims were set that `evenburn trims` proposes for BEFORE; with it, what was
    written into the column really_set_percent. Exit status 1 if nothing can be compared.
    """
    from analysis.balance import balance
    from analysis.compare import compare
    from analysis.published import compare_to_json
    from analysis.trims import propose_trims
    from daq.physical import physical_table
    from daq.session import open_session
    from dashboard.compare_report import (
        COMPARE_COLUMNS,
        bank_numbers,
        compare_rows,
        movements,
        trims_set,
        write_compare_reports,
    )

    tables = [physical_table(open_session(folder)) for folder in (before, after)]
    earlier, later = (balance(physical) for physical in tables)
    limits = tables[0].setup.trims
    if trims is None:
        proposed = propose_trims(earlier, limits).cylinders
        steps = {t.cylinder: t.trim_percent for t in proposed if t.trim_percent is not None}
    else:
        steps = trims_set(trims)
    comparison = compare(earlier, later, steps)
    if json_target is not None:
        write_json(compare_to_json(comparison), json_target, force)
    if json_target != "-":
        console().print(table(COMPARE_COLUMNS, compare_rows(comparison), "llrrrrrrll"))
        if trims is None:
            say("Taken as set: the trims proposed for the session before (else give --trims).")
        for bank in comparison.banks:
            say(f"Bank {bank.bank}: {bank.verdict}. {bank_numbers(bank)}")
        bullets("Cylinder by cylinder", movements(comparison))
        bullets("Problems", comparison.problems)
    if out is not None:
        engine = tables[1].setup.engine.name
        paths = write_compare_reports(comparison, engine, limits.threshold_percent, out, force)
        say("Written: " + ", ".join(str(path) for path in paths), to_stderr=json_target == "-")
    return 0 if comparison.answered else 1
