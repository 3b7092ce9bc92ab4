"""Balance page: what was found, the picture that convinces, where it comes from, what to log next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import Dash, html
from dash.development.base_component import Component

from analysis.result import Balance, BudgetLine, CylinderBalance
from daq.setupfile import Setup
from dashboard.analysing import Progress
from dashboard.context import context, display
from dashboard.display import Display, signed, write_percent
from dashboard.figures.rails import deviation_rails, offset_rails, rails_picture
from dashboard.figures.regions import regions_figure
from dashboard.figures.sweep import sweep_figure
from dashboard.pages.parts import (
    Children,
    bullets,
    choose_session,
    cylinder_links,
    drawing,
    frame,
    guarded,
    message,
    table,
)
from dashboard.pages.parts import graph as graph_of
from dashboard.pages.wait import awaited, register_awaited
from dashboard.wording import (
    FINDING_WORDS,
    METHOD_WORDS,
    SIDE_WORDS,
    duration,
    reason_sentence,
    sentence,
    verdict,
)

PATH, NAME = "/balance", "Balance"


def layout(session: str | None = None, cylinder: str | None = None, **_: str) -> Component:
    """The page of one session, or the choice of one."""
    if session is None:
        return choose_session(NAME, PATH)
    followed = int(cylinder) if cylinder and cylinder.isdecimal() else None
    return guarded(lambda: _page(session, followed), NAME)


def register(app: Dash) -> None:
    """Make the page live."""
    register_awaited(app, "balance", content)


def _page(session: str, followed: int | None) -> Component:
    context().folder.path(session)
    query = {"session": session, "cylinder": followed}
    return frame(
        NAME,
        [html.H1(f"Balance of {session}"), awaited("balance", query, content)],
        session,
        followed,
    )


def content(query: dict[str, Any], progress: Progress) -> Children:
    """Everything below the heading."""
    if progress.balance is None or progress.table is None:
        return []
    setup, followed = progress.table.setup, query.get("cylinder")
    return page_of(progress.balance, setup, display(setup.engine.fuel), followed, str(query["session"]))


def page_of(balance: Balance, setup: Setup, shown: Display, followed: int | None, session: str) -> Children:
    """The findings of `balance` from the answer down to its evidence."""
    return [
        cylinder_links(setup, PATH, session, followed),
        html.P(verdict(balance), className="summary"),
        html.P(basis(balance)),
        *(message(sentence(problem), "problem") for problem in balance.problems),
        _rails(balance, setup, shown, followed),
        html.H2("Findings"),
        findings_table(balance, shown),
        html.H2("What to log next"),
        bullets([sentence(step) for step in balance.next_steps])
        or html.P("Nothing more is needed for an answer."),
        *_sweeps(balance, shown, followed),
        *_regions(balance, shown, followed),
        html.H2("Where the ± comes from"),
        *(_budget(entry, followed) for entry in balance.cylinders if entry.budget),
    ]


def basis(balance: Balance) -> str:
    """What the answer rests on: method, stretches, side of the hottest mixture."""
    used = [s for s in balance.stretches if s.used]
    length = duration(sum(s.end_s - s.start_s for s in used))
    sides = [f"bank {b.bank} ran {SIDE_WORDS[b.side]}" for b in balance.banks if b.side]
    text = f"Method: {METHOD_WORDS[balance.method]}; {len(used)} of {len(balance.stretches)} stretches, {length}."
    return text + (f" {'; '.join(sides)}.".replace(" b", " B", 1) if sides else "")


def findings_table(balance: Balance, shown: Display) -> Component:
    """One row a cylinder."""
    heads = ("Cylinder", "Bank", "Finding", "Fuel offset", "Deviation", "Why")
    rows = [
        (
            c.cylinder,
            c.bank,
            html.B(FINDING_WORDS[c.finding], className=f"finding {c.finding}"),
            write_percent(c.fuel_offset_percent, c.fuel_offset_u95_percent),
            shown.write_difference(c.egt_deviation_C, c.egt_deviation_u95_C),
            bullets([reason_sentence([c.cylinder], reason) for reason in c.reasons], "reasons"),
        )
        for c in balance.cylinders
    ]
    return table(
        "Each cylinder against its own bank's mean, with its 95 % interval", heads, rows, "findings stacked"
    )


def _rails(balance: Balance, setup: Setup, shown: Display, followed: int | None) -> Component:
    if any(c.fuel_offset_percent is not None for c in balance.cylinders):
        picture = rails_picture(
            offset_rails(balance),
            shown,
            title="fuel offset, + is rich",
            unit="%",
            least=2.0,
            band=setup.trims.threshold_percent,
            followed=followed,
        )
        return drawing(
            picture,
            "How much more (+) or less (−) fuel per air than the bank's mean each cylinder gets, in %. "
            "Whiskers: 95 % interval. Grey: too small to trim.",
        )
    picture = rails_picture(
        deviation_rails(balance, shown),
        shown,
        title="deviation",
        unit=shown.temperature_unit,
        least=20.0,
        followed=followed,
    )
    return drawing(
        picture,
        "Each cylinder's exhaust temperature against its bank's mean. Fuel offsets cannot be told from this session.",
    )


def _sweeps(balance: Balance, shown: Display, followed: int | None) -> list[Component]:
    banks = [b.bank for b in balance.banks]
    parts: list[Component] = (
        [html.H2("The sweep, before and after the curves are moved")] if balance.sweeps else []
    )
    for curves in balance.sweeps:
        index = banks.index(curves.bank)
        bank = balance.banks[index]
        slope = ""
        if bank.slope_C_per_percent is not None:
            slope = f" Slope at the hold: {signed(shown.difference(bank.slope_C_per_percent), 1)}"
            slope += f" {shown.temperature_unit} per % fuel."
        parts += [
            html.H3(f"Bank {curves.bank}"),
            graph_of(
                sweep_figure(curves, index, shown, followed),
                "First each cylinder's temperature against the bank's mixture, then the same curves, each moved "
                "sideways by its own fuel offset, with its own height and gain taken off. The better they lie on one "
                f"another, the better the offsets explain what was measured.{slope}",
            ),
        ]
    return parts


def _regions(balance: Balance, shown: Display, followed: int | None) -> list[Component]:
    if len({r.region for r in balance.regions}) < 2:
        return []
    return [
        html.H2("By operating region"),
        graph_of(
            regions_figure(balance, shown, followed),
            "Deviation from the bank's mean where the engine ran. A cylinder that is off everywhere points to its "
            "injector's flow; one that is off in one region only points elsewhere.",
        ),
    ]


def _budget(entry: CylinderBalance, followed: int | None) -> Component:
    """A cylinder's uncertainty budget, folded unless the cylinder is followed."""
    interval = write_percent(entry.fuel_offset_percent, entry.fuel_offset_u95_percent)
    head = (
        f"Cylinder {entry.cylinder}: {interval}"
        if entry.fuel_offset_percent is not None
        else (f"Cylinder {entry.cylinder}: deviation only")
    )
    return html.Details(
        [html.Summary(head), budget_table(entry.cylinder, entry.budget)], open=entry.cylinder == followed
    )


def budget_table(cylinder: int, lines: Sequence[BudgetLine]) -> Component:
    """Each source with its share of the variance."""
    total = sum(line.contribution**2 for line in lines) or 1.0
    rows = [
        (
            line.source,
            f"{line.u:.3g} {line.unit}",
            line.distribution,
            f"{line.degrees_of_freedom:.0f}" if line.degrees_of_freedom < 1e4 else "∞",
            f"{line.sensitivity:.3g}".replace("-", "−"),
            f"{line.contribution:.3g}",
            f"{line.contribution**2 / total:.0%}",
        )
        for line in sorted(lines, key=lambda line: -line.contribution)
    ]
    heads = ("Source", "u", "Distribution", "Degrees of freedom", "Sensitivity", "Contribution", "Share")
    return table(f"Uncertainty budget of cylinder {cylinder} (JCGM 100:2008)", heads, rows)
