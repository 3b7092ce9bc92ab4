"""What the pages share: the frame with its links, tables, messages, the wait for an analysis."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html
from dash.development.base_component import Component
from flask import request

from daq.errors import EvenburnError
from daq.setupfile import Setup
from dashboard.context import context
from dashboard.figures.rails import Picture
from dashboard.figures.style import shape_sign

PAGES = (
    ("Run", "/"),
    ("Review", "/review"),
    ("Balance", "/balance"),
    ("Trims", "/trims"),
    ("Sessions", "/sessions"),
    ("Fitting", "/fitting"),
)
Children = Sequence[Component | str | None]
PHASES = {
    "waiting": "Waiting for its turn",
    "reading": "Reading the samples",
    "analysing": "Analysing",
}


def address(path: str, **query: object) -> str:
    """A link within the dashboard; queries that are None are left out."""
    given = {key: value for key, value in query.items() if value is not None}
    return path + (f"?{urlencode(given)}" if given else "")


def frame(
    page: str, children: Children, session: str | None = None, cylinder: int | None = None
) -> Component:
    """A whole page: links on top that keep the session and the followed cylinder, then the content."""
    links = []
    for name, path in PAGES:
        kept = (
            {"session": session, "cylinder": cylinder} if path not in {"/", "/sessions", "/fitting"} else {}
        )
        here = {"aria-current": "page"} if name == page else {}
        links.append(html.Li(dcc.Link(name, href=address(path, **kept)), **here))
    return html.Div(
        [
            html.A("Skip to the content", href="#content", className="skip"),
            html.Header(
                [
                    html.Span("Evenburn", className="brand"),
                    html.Nav(html.Ul(links), **{"aria-label": "Pages"}),
                    _display_choice(),
                ]
            ),
            html.Main([child for child in children if child is not None], id="content", tabIndex=-1),
        ],
        className=f"page page-{page.lower()}",
    )


def _display_choice() -> Component:
    """The reader's choice of theme and units; the page's own script keeps it and loads the page again."""
    chosen = request.cookies.get("evenburn_display", "").split(".")
    groups = (
        ("Theme", (("auto", "as the system"), ("light", "light"), ("dark", "dark"))),
        ("Temperature", (("C", "°C"), ("F", "°F"))),
        ("Mixture", (("lambda", "lambda"), ("afr", "AFR"))),
    )
    rows = []
    for title, choices in groups:
        pressed = next((value for value, _ in choices if value in chosen), choices[0][0])
        buttons = [
            html.Button(
                text,
                type="button",
                **{"data-display": value, "aria-pressed": "true" if value == pressed else "false"},
            )
            for value, text in choices
        ]
        rows.append(html.Div([html.Span(title), *buttons], role="group", **{"aria-label": title}))
    if context().door.needs_token:
        invitation = [
            html.Button("Let another device in", id="invite", type="button"),
            html.Div(id="invitation"),
        ]
        rows.append(html.Div(invitation))
    return html.Details([html.Summary("Display"), html.Div(rows, className="choices")], className="display")


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]], class_name: str = ""
) -> Component:
    """A plain table; the first cell of each row heads it.

    On a narrow screen it scrolls sideways, or with the class "stacked" each row is a block with its heads in it.
    """
    body = [
        html.Tr(
            [
                html.Th(row[0], scope="row"),
                *(
                    html.Td(cell, **{"data-head": head})
                    for head, cell in zip(heads[1:], row[1:], strict=True)
                ),
            ]
        )
        for row in rows
    ]
    return html.Div(
        html.Table(
            [
                html.Caption(caption),
                html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
                html.Tbody(body),
            ],
            className=class_name,
        ),
        className="wide",
        tabIndex=0,
        role="region",
        **{"aria-label": caption},
    )


def bullets(sentences: Sequence[str], class_name: str = "") -> Component | None:
    """A list of sentences, or nothing at all."""
    return html.Ul([html.Li(s) for s in sentences], className=class_name) if sentences else None


def message(text: str, kind: str = "note") -> Component:
    """A sentence that must be seen: 'note', 'problem' or 'caution'."""
    signs = {"note": "ⓘ ", "problem": "✗ ", "caution": "⚠ "}
    return html.P([html.B(signs[kind], **{"aria-hidden": "true"}), text], className=f"message {kind}")


def cautions(sentences: Sequence[str]) -> Component:
    """What to heed where work can hurt."""
    return html.Section(
        [html.H2("⚠ Before you touch the engine"), bullets(sentences)],
        className="cautions",
        **{"aria-label": "Cautions"},
    )


def cylinder_links(setup: Setup, path: str, session: str, followed: int | None, **query: object) -> Component:
    """One link a cylinder, to follow it on every page; the followed one's link lets it go."""
    items = []
    for index, bank in enumerate(setup.bank):
        items.append(html.Span(f"{shape_sign(index)} {bank.name}", className=f"bank-name bank-{index % 2}"))
        for cylinder in bank.cylinders:
            chosen = cylinder == followed
            target = address(path, session=session, cylinder=None if chosen else cylinder, **query)
            label = f"stop following cylinder {cylinder}" if chosen else f"follow cylinder {cylinder}"
            items.append(
                dcc.Link(
                    str(cylinder),
                    href=target,
                    className=f"cylinder bank-{index % 2}" + (" followed" if chosen else ""),
                    title=label,
                )
            )
    return html.Nav(
        [html.Span("Follow a cylinder:"), *items], className="cylinders", **{"aria-label": "Cylinders"}
    )


def guarded(build: Callable[[], Component], page: str) -> Component:
    """The page, or a page that says in one line why there is none."""
    try:
        return build()
    except EvenburnError as error:
        return frame(page, [html.H1(page), message(str(error), "problem")])


def choose_session(page: str, path: str) -> Component:
    """The page before a session is chosen: a link for each."""
    names = context().folder.names()
    items = [html.Li(dcc.Link(name, href=address(path, session=name))) for name in names]
    body: list[Component | None] = [html.H1(page)]
    if items:
        body += [html.P("Choose a session:"), html.Ul(items, className="session-choice")]
    else:
        body.append(message("There is no session in this folder yet. Record one on the Run page."))
    return frame(page, body)


def drawing(picture: Picture, label: str) -> Component:
    """A drawing of our own with a line below it that says how to read it."""
    image = svg_image(picture.svg, alt=picture.words, className="rails", height=picture.height)
    return html.Figure([image, html.Figcaption(label)])


def svg_image(svg: str, **more: Any) -> Component:
    """SVG text as one element of the page, however much it holds; `alt` says in words what it shows."""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return html.Img(src=f"data:image/svg+xml;base64,{data}", **more)


def graph(figure: Any, label: str, **more: Any) -> Component:
    """A plotly figure without its maker's buttons; `label` says to a screen reader what it shows."""
    config = {"displaylogo": False, "showSendToCloud": False, "responsive": True, **more.pop("config", {})}
    picture = dcc.Graph(figure=figure, config=config, **more)
    return html.Figure([picture, html.Figcaption(label)])
