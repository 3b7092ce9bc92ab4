"""Fitting page: how probes, sensors and cables are fitted so that the readings can be believed."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.context import display
from dashboard.figures.fitting import description, drawing
from dashboard.fitting_guide import Section, fitting_guide
from dashboard.pages.parts import cautions, frame, svg_image

PATH, NAME = "/fitting", "Fitting"


def layout(**_: str) -> Component:
    """The guide, drawings beside their text."""
    guide = fitting_guide()
    return frame(
        NAME,
        [
            html.H1("Fitting probes and sensors"),
            html.P("Whatever the analysis can do, it starts here: like probes, fitted alike."),
            cautions(guide.cautions),
            html.Div([_section(section) for section in guide.sections], className="guide"),
        ],
    )


def register(app: Dash) -> None:
    """Nothing on this page moves."""


def _section(section: Section) -> Component:
    items = [html.Li([advice.text, " ", html.Cite(f"[{advice.source}]")]) for advice in section.advice]
    return html.Section([html.H2(section.title), _picture(section.drawing), html.Ul(items)])


def _picture(name: str) -> Component | None:
    if not name:
        return None
    return svg_image(drawing(name, display().colours), alt=description(name), className="drawing")
