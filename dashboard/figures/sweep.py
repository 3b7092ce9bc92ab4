"""The picture that convinces: a sweep's curves as measured, and the same curves shifted onto each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.result import SweepCurves
from dashboard.display import Display, signed
from dashboard.figures.style import bank_colour, dash, finish, halo, is_faint

FloatArray = npt.NDArray[np.float64]


def sweep_figure(
    curves: SweepCurves, bank_index: int, display: Display, followed: int | None = None
) -> go.Figure:
    """Left: measured temperature against the bank's lambda. Right: each curve shifted by its own offset."""
    own_lambda, relative_C = curves.shifted()
    stacked = display.narrow
    left, right = ({"row": 1, "col": 1}, {"row": 2, "col": 1} if stacked else {"row": 1, "col": 2})
    figure = make_subplots(
        rows=2 if stacked else 1,
        cols=1 if stacked else 2,
        horizontal_spacing=0.11,
        vertical_spacing=0.2,
        subplot_titles=["as measured", "each moved by its offset: one curve"],
    )
    colour = bank_colour(bank_index, display)
    for place, cylinder in enumerate(curves.cylinders):
        faint = is_faint(cylinder, followed)
        common = {
            "mode": "lines",
            "line": {"color": colour, "dash": dash(place), "width": 3 if cylinder == followed else 1.8},
            "opacity": 0.4 if faint else 1.0,
            "name": f"cylinder {cylinder}",
            "customdata": [cylinder],
            "hovertemplate": f"cylinder {cylinder}, {signed(float(curves.offset_percent[place]), 1)} %<extra></extra>",
        }
        left_y = np.asarray(display.temperature(curves.egt_C[:, place]))
        left_x = np.asarray(display.mixture(curves.lambda_))
        figure.add_trace(go.Scatter(x=left_x, y=left_y, **common), **left)
        right_x = np.asarray(display.mixture(own_lambda[:, place]))
        right_y = np.asarray(display.difference(relative_C[:, place]))
        figure.add_trace(go.Scatter(x=right_x, y=right_y, **common), **right)
        for where, x, y in ((left, left_x, left_y), (right, right_x, right_y)):
            _number_the_line(figure, cylinder, place, len(curves.cylinders), x, y, where, display)
    figure.add_trace(
        go.Scatter(
            x=display.mixture(curves.curve_lambda),
            y=display.difference(curves.curve_C),
            mode="lines",
            line={"color": display.colours.ink, "width": 5},
            opacity=0.35,
            name="shared curve",
            hovertemplate="shared curve<extra></extra>",
        ),
        **right,
    )
    figure.update_xaxes(title_text=f"{display.mixture_name} of the bank", **left)
    figure.update_xaxes(title_text=f"{display.mixture_name} of the cylinder itself", **right)
    figure.update_yaxes(title_text=f"exhaust temperature [{display.temperature_unit}]", **left)
    figure.update_yaxes(title_text=f"against the curve's peak [{display.temperature_unit}]", **right)
    return finish(figure, display, height=720 if stacked else 430, top=40)


def _number_the_line(
    figure: go.Figure,
    cylinder: int,
    place: int,
    count: int,
    x: FloatArray,
    y: FloatArray,
    where: dict[str, int],
    display: Display,
) -> None:
    """The cylinder's number on its own line, each at another point of its lean half, where lines lie apart."""
    good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if good.size == 0:
        return
    at = good[min(good.size - 1, round(good.size * (0.5 + 0.5 * (place + 0.5) / count)))]
    figure.add_trace(
        go.Scatter(
            x=[float(x[at])],
            y=[float(y[at])],
            mode="text",
            text=[f"<b>{cylinder}</b>"],
            textposition="top center",
            textfont={"size": 17, "color": display.colours.ink, "shadow": halo(display)},
            hoverinfo="skip",
        ),
        **where,
    )
