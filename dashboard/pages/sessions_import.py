"""The import of a table that lies in the folder: what was understood is shown first, and open questions are asked."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from daq.errors import EvenburnError, TableError
from daq.setupfile import Setup, load_setup
from daq.table_import import Plan, Told, plan_import
from daq.table_samples import Samples, read_samples, write_session
from daq.table_text import TableText, Undecided, read_table
from dashboard.context import context
from dashboard.pages.parts import address, bullets, message, table
from dashboard.wording import duration, sentence

PATH = "/sessions"
LARGEST_TABLE_BYTES = 300_000_000


@dataclass(frozen=True)
class Answers:
    """What the reader told of a table, as it travels in the page's address."""

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    delimiter: str | None = None
    decimal: str | None = None

    def with_answer(self, question: Undecided, answer: str) -> Answers:
        """These answers and one more."""
        columns, units = dict(self.columns), dict(self.units)
        if question.kind == "column":
            columns[question.key] = answer
        if question.kind == "unit":
            units[question.key] = answer
        return Answers(
            columns,
            units,
            answer if question.kind == "delimiter" else self.delimiter,
            answer if question.kind == "decimal" else self.decimal,
        )

    def as_text(self) -> str:
        """For an address."""
        return json.dumps(
            {
                "columns": dict(self.columns),
                "units": dict(self.units),
                "delimiter": self.delimiter,
                "decimal": self.decimal,
            }
        )


def answers_from(text: object) -> Answers:
    """What an address holds; nothing where it is not what `Answers.as_text` wrote."""
    try:
        told = json.loads(str(text or "{}"))
        columns, units = (
            {str(k): str(v) for k, v in told.get(key, {}).items()} for key in ("columns", "units")
        )
        delimiter, decimal = (None if told.get(k) is None else str(told[k]) for k in ("delimiter", "decimal"))
    except (ValueError, AttributeError):
        return Answers()
    return Answers(columns, units, delimiter, decimal)


def understand(path: Path, setup: Setup, answers: Answers) -> tuple[TableText, Plan, Samples]:
    """Read a table with these answers. Raises TableError, and Undecided where the reader has to tell."""
    if path.stat().st_size > LARGEST_TABLE_BYTES:
        raise TableError(f"{path.name}: is too large for this page; use the command evenburn import")
    text = read_table(path.read_bytes(), answers.delimiter, answers.decimal)
    plan = plan_import(text, setup, Told(answers.columns, answers.units))
    return text, plan, read_samples(text, plan, setup)


def import_section(table_name: str | None, setup_name: str | None, told: str | None) -> Component:
    """Choose a table and a setup, or what is understood of them once chosen."""
    folder = context().folder
    tables, setups = folder.files(".csv"), folder.files(".toml")
    if not tables:
        body: list[Component | None] = [html.P("Put a table (.csv) and its setup (.toml) into the folder.")]
    elif not setups:
        body = [html.P("Put the setup (.toml) of these tables into the folder: it names their columns.")]
    else:
        links = [
            html.Li([f"{name} with ", dcc.Link(setup, href=address(PATH, table=name, setup=setup))])
            for name in tables
            for setup in setups
        ]
        body = [html.Ul(links, className="session-choice")]
    chosen = table_name is not None and setup_name is not None
    if table_name is not None and setup_name is not None:
        body.append(_understood(table_name, setup_name, answers_from(told)))
    return html.Details(
        [html.Summary("Import a table of another program"), *body], open=chosen, className="import"
    )


def _understood(table_name: str, setup_name: str, answers: Answers) -> Component:
    """The dry run: columns, what is not used, and the button; or the question that is open."""
    try:
        folder = context().folder
        setup = load_setup(folder.file(setup_name, ".toml"))
        _, plan, samples = understand(folder.file(table_name, ".csv"), setup, answers)
    except Undecided as question:
        return _question(question, table_name, setup_name, answers)
    except EvenburnError as error:
        return message(str(error), "problem")
    length_s = float(samples.time_s[-1] - samples.time_s[0])
    unused = [f"Column {header!r}: the setup does not ask for it" for header in plan.unused]
    return html.Section(
        [
            html.H2(f"{table_name} as {setup_name} understands it"),
            html.P(f"{samples.time_s.size} samples, {duration(length_s)}; {plan.time.said}."),
            table(
                "Columns",
                ("Setup's column", "Read from"),
                [(c.target, sentence(c.said)) for c in plan.columns],
            ),
            bullets([*unused, *(sentence(remark) for remark in samples.remarks)]),
            html.Div(
                [
                    html.Label(
                        [
                            "Name of the session",
                            dcc.Input(id="import-name", type="text", value=Path(table_name).stem),
                        ]
                    ),
                    html.Button("Import", id="import-go", type="button", className="main-action"),
                ],
                className="limits",
            ),
            html.Div(id="import-said", role="status"),
            dcc.Store(
                id="import-query", data={"table": table_name, "setup": setup_name, "told": answers.as_text()}
            ),
        ]
    )


def _question(question: Undecided, table_name: str, setup_name: str, answers: Answers) -> Component:
    """What the table leaves open, with a link for each answer."""
    links = [
        html.Li(
            dcc.Link(
                option,
                href=address(
                    PATH,
                    table=table_name,
                    setup=setup_name,
                    told=answers.with_answer(question, option).as_text(),
                ),
            )
        )
        for option in question.options
    ]
    asked = str(question).partition("; say ")[0].partition(" (there are:")[0]
    return html.Section([message(sentence(asked)), html.Ul(links, className="session-choice")])


def register_import(app: Dash) -> None:
    """Make the button live."""
    app.callback(
        Output("import-said", "children"),
        Input("import-go", "n_clicks"),
        State("import-name", "value"),
        State("import-query", "data"),
        prevent_initial_call=True,
    )(go)


def go(_clicks: int, name: Any, query: dict[str, Any]) -> Component:
    """Write the session."""
    folder = context().folder
    try:
        setup_path = folder.file(str(query["setup"]), ".toml")
        table_path, setup = folder.file(str(query["table"]), ".csv"), load_setup(setup_path)
        _, _, samples = understand(table_path, setup, answers_from(query.get("told")))
        out = folder.new_path(str(name or ""))
        write_session(samples, setup, setup_path.read_text(encoding="utf-8"), out, table_path.name)
    except EvenburnError as error:
        return message(str(error), "problem")
    return html.P(
        [f"Imported as {out.name}. ", dcc.Link("Show it", href=address("/review", session=out.name))]
    )
