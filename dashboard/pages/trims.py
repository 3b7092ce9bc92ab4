"""Trims page: the proposed step, the limits that the reader may change, what it should do, and the report."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import msgspec
from dash import Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from analysis.result import Trims
from daq.errors import EvenburnError
from daq.setupfile import TrimLimits
from dashboard.analysing import Progress
from dashboard.context import context, display
from dashboard.display import MISSING, Display, signed, write_percent
from dashboard.downloads import REPORTS
from dashboard.figures.rails import offset_rails, predicted_rails, rails_picture
from dashboard.figures.style import nice_limit
from dashboard.pages.parts import (
    Children,
    address,
    cautions,
    choose_session,
    drawing,
    frame,
    guarded,
    message,
    table,
)
from dashboard.pages.wait import awaited, register_awaited
from dashboard.trim_limits import limits_from
from dashboard.wording import UNEQUAL_HEAT, sentence

PATH, NAME = "/trims", "Trims"
LIMITS = (
    ("step_percent", "Largest step [% fuel]", 0.5, 0.5, 10),
    ("leaning_share", "Share of it for leaning (0 to 1)", 0.1, 0, 1),
    ("threshold_percent", "Leave alone below [% fuel]", 0.1, 0, 5),
)


def layout(session: str | None = None, cylinder: str | None = None, **_: str) -> Component:
    """The page of one session, or the choice of one."""
    if session is None:
        return choose_session(NAME, PATH)
    followed = int(cylinder) if cylinder and cylinder.isdecimal() else None
    return guarded(lambda: _page(session, followed), NAME)


def _page(session: str, followed: int | None) -> Component:
    context().folder.path(session)
    query = {"session": session, "cylinder": followed}
    return frame(NAME, [html.H1(f"Trims for {session}"), awaited("trims", query, content)], session, followed)


def register(app: Dash) -> None:
    """Make the page live."""
    register_awaited(app, "trims", content)
    app.callback(
        Output("trims-proposal", "children"),
        *(Input(f"limit-{key}", "value") for key, *_ in LIMITS),
        State("trims-query", "data"),
        prevent_initial_call=True,
    )(changed)


def content(query: dict[str, Any], progress: Progress) -> Children:
    """The limits and, below them, the proposal with the setup's own limits."""
    if progress.table is None:
        return []
    limits = progress.table.setup.trims
    given = msgspec.to_builtins(limits)
    fields = [
        html.Label(
            [
                label,
                dcc.Input(
                    id=f"limit-{key}",
                    type="number",
                    value=given[key],
                    step=step,
                    min=least,
                    max=most,
                    debounce=True,
                ),
            ]
        )
        for key, label, step, least, most in LIMITS
    ]
    return [
        html.Div(fields, className="limits", role="group", **{"aria-label": "Limits of the step"}),
        html.Div(proposal(query, progress, limits), id="trims-proposal", **{"aria-live": "polite"}),
    ]


def changed(step: object, share: object, threshold: object, query: dict[str, Any]) -> Children:
    """The proposal with the limits as typed."""
    try:
        typed = {"step_percent": step, "leaning_share": share, "threshold_percent": threshold}
        progress = context().analyst.ask(str(query["session"]))
        return proposal(query, progress, limits_from(typed))
    except EvenburnError as error:
        return [message(str(error), "problem")]


def proposal(query: dict[str, Any], progress: Progress, limits: TrimLimits) -> Children:
    """The step within `limits`."""
    from analysis.trims import propose_trims

    if progress.balance is None or progress.table is None:
        return [message("This session is still being analysed.")]
    shown = display(progress.table.setup.engine.fuel)
    trims = propose_trims(progress.balance, limits)
    return proposal_of(trims, shown, str(query["session"]), query.get("cylinder"))


def proposal_of(trims: Trims, shown: Display, session: str, followed: int | None) -> Children:
    """The step, the picture before and after, the cautions, the files."""
    limits = {key: getattr(trims, key) for key, *_ in LIMITS}
    links = [
        html.Li(html.A(file, href=address(f"/download/{quote(session)}/{file}", **limits), download=file))
        for file in REPORTS
    ]
    return [
        cautions(trims.cautions),
        None if trims.any_trim else message("No cylinder is to be changed within these limits."),
        steps_table(trims, shown),
        spread_table(trims, shown),
        html.P(UNEQUAL_HEAT),
        *_pictures(trims, shown, followed),
        html.H2("The report"),
        html.P("The same in a form for the wall, the customer and the controller:"),
        html.Ul(links, className="files"),
    ]


def steps_table(trims: Trims, shown: Display) -> Component:
    """One row a cylinder: what was found, what to set, what that should do."""
    found = {c.cylinder: c for c in trims.balance.cylinders}
    with_ms = any(t.trim_ms is not None for t in trims.cylinders)
    heads = ["Cylinder", "Bank", "Trim", *(["Trim in ms"] if with_ms else []), "Offset now", "Offset after"]
    rows = []
    for t in trims.cylinders:
        now = found[t.cylinder]
        trim = MISSING if t.trim_percent is None else f"{signed(t.trim_percent, 1)} %"
        own_ms = [MISSING if t.trim_ms is None else f"{signed(t.trim_ms, 3)} ms"] if with_ms else []
        rows.append(
            [
                t.cylinder,
                t.bank,
                html.B(trim, className="step" if t.trim_percent else "no-step"),
                *own_ms,
                write_percent(now.fuel_offset_percent, now.fuel_offset_u95_percent),
                write_percent(t.predicted_offset_percent),
                shown.write_difference(t.predicted_deviation_C, t.predicted_deviation_u95_C),
                sentence(t.reason),
            ]
        )
    return table(
        "What to multiply each injector's fuel by, less 1",
        [*heads, "Deviation after", "Why"],
        rows,
        "steps stacked",
    )


def spread_table(trims: Trims, shown: Display) -> Component:
    """Hottest less coolest cylinder of each bank, now and as predicted."""
    rows = [
        (
            bank,
            _spread(before, None, shown),
            _spread(trims.spread_after_C.get(bank), trims.spread_after_u95_C.get(bank), shown),
        )
        for bank, before in trims.spread_before_C.items()
    ]
    caption = "Spread between the cylinders of a bank, now and as predicted"
    return table(caption, ("Bank", "Now", "After the step"), rows)


def _spread(spread_C: float | None, u95_C: float | None, shown: Display) -> str:
    return MISSING if spread_C is None else shown.write_difference(spread_C, u95_C).lstrip("+")


def _pictures(trims: Trims, shown: Display, followed: int | None) -> list[Component]:
    now, after = offset_rails(trims.balance), predicted_rails(trims)
    ends = [abs(b.value) + (b.u95 or 0) for rail in now for b in rail.beads if b.value is not None]
    if not ends:
        return []
    options: dict[str, Any] = {
        "unit": "%",
        "least": 2.0,
        "band": trims.threshold_percent,
        "limit": nice_limit(ends, 2.0),
        "followed": followed,
    }
    return [
        drawing(rails_picture(now, shown, title="fuel offset now", **options), "Fuel offsets as found."),
        drawing(
            rails_picture(after, shown, title="fuel offset after", **options),
            "Fuel offsets as predicted after the step, on the same scale. Record again to see whether it came true.",
        ),
    ]
