"""Figures without a browser: what is drawn is what the results say."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree

import builders
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.setupfile import parse_setup
from dashboard.display import DARK, LIGHT, Display
from dashboard.figures.channels import deviations_of
from dashboard.figures.downsample import thin_out
from dashboard.figures.regions import regions_figure
from dashboard.figures.sweep import sweep_figure
from dashboard.figures.thumbnail import glance_svg, thumbnail_svg
from dashboard.figures.trace_view import LANE, Overlay, time_ticks
from dashboard.figures.traces import traces_figure


@pytest.mark.parametrize("name", builders.CASES)
def test_every_figure_of_every_case_is_valid_json_without_nan_text(name: str) -> None:
    trims, table = builders.CASES[name]()
    balance, display = trims.balance, Display(dark=True, fahrenheit=True, afr=True)
    figures = [
        regions_figure(balance, display),
        traces_figure(table, display, 0.0, 400.0, stretches=balance.stretches),
        *(sweep_figure(curves, 0, display) for curves in balance.sweeps),
    ]
    for figure in figures:
        assert json.loads(figure.to_json())["layout"]["showlegend"] is False


def test_shifted_curves_fall_on_the_shared_curve() -> None:
    trims, _ = builders.lean()
    curves = trims.balance.sweeps[0]
    own_lambda, relative_C = curves.shifted()
    for column in range(len(curves.cylinders)):
        shared = np.interp(own_lambda[:, column], curves.curve_lambda, curves.curve_C)
        inside = (own_lambda[:, column] > 0.79) & (own_lambda[:, column] < 1.09)
        # the curves were made with 0.7 °C of noise
        assert np.sqrt(np.mean((relative_C[inside, column] - shared[inside]) ** 2)) < 1.2
    apart = curves.egt_C - curves.height_C
    assert np.ptp(apart, axis=1).max() > 15.0  # as measured they lie far apart


def test_regions_have_a_panel_for_each_cylinder_on_one_scale() -> None:
    trims, _ = builders.lean()
    figure = regions_figure(trims.balance, Display())
    assert [trace.name for trace in figure.data] == ["cylinder 5", "cylinder 7"]
    assert list(figure.data[0].y) == [r.egt_deviation_C for r in trims.balance.regions if r.cylinder == 5]
    assert figure.layout.yaxis.range == figure.layout.yaxis2.range


def test_no_region_is_said_in_words() -> None:
    trims, _ = builders.even()
    assert "region" in regions_figure(trims.balance, Display()).layout.annotations[0].text


def test_traces_hold_each_channel_and_break_at_what_is_missing() -> None:
    trims, table = builders.faulty_probe()
    figure = traces_figure(table, Display(), 0.0, 400.0, stretches=trims.balance.stretches)
    names = [trace.name for trace in figure.data if trace.type == "scatter" and trace.mode == "lines"]
    assert names.count("cylinder 4") == 2  # its deviation and its temperature
    assert {"port", "starboard", "speed", "load"} <= set(names)
    lost = next(t for t in figure.data if t.name == "cylinder 4")
    after = np.asarray(lost.x, dtype=float) > 61.0
    assert np.isnan(np.asarray(lost.y, dtype=float)[after]).all()


def test_lane_names_the_stretches_and_hollows_the_unused() -> None:
    trims, table = builders.near_peak()
    figure = traces_figure(table, Display(), 0.0, 400.0, stretches=trims.balance.stretches)
    used, unused = (trace for trace in figure.data if trace.name == LANE)
    assert [list(pair) for pair in used.customdata] == [[90.0, 150.0]]
    assert [list(pair) for pair in unused.customdata] == [[150.0, 300.0], [40.0, 55.0]]
    assert (used.marker.color, unused.marker.color) == (LIGHT.band, "rgba(0,0,0,0)")
    words = [t for t in figure.data if t.type == "scatter" and t.mode == "text"][-1]
    assert list(words.text) == [
        "<b>steady</b>",
        "<b>sweep</b>",
    ]  # no room for the third, which is 15 s of 400 s
    assert list(words.x) == [120.0, 225.0]
    assert "lambda did not move far enough" in unused.hovertext[0]


def test_deviations_in_the_picture_are_from_the_banks_own_mean() -> None:
    _, table = builders.lean()
    deviation = deviations_of(table)
    for bank in table.setup.bank:
        rows = [table.cylinders.index(c) for c in bank.cylinders]
        np.testing.assert_allclose(deviation[rows].sum(axis=0), 0.0, atol=1e-9)
    assert deviations_of(table) is deviation  # kept
    assert deviations_of(replace(table, egt_C=table.egt_C + 1.0)) is not deviation


def test_overlay_is_moved_and_kept_to_the_same_panels() -> None:
    _, table = builders.lean()
    _, other = builders.even()
    figure = traces_figure(table, Display(), 0.0, 400.0, overlay=Overlay(replace(other, name="before"), 50.0))
    laid_over = next(t for t in figure.data if t.name == "before: cylinder 5")
    assert 50.0 <= float(np.asarray(laid_over.x)[0]) < 52.0


@pytest.mark.parametrize(
    ("span_s", "in_view"),
    [
        ((0.0, 36000.0), ["0:00", *(f"{hour}:00:00" for hour in range(2, 11, 2))]),
        ((60.0, 180.0), ["1:00", "1:15", "1:30", "1:45", "2:00", "2:15", "2:30", "2:45", "3:00"]),
        ((3723.0, 3723.2), [f"1:02:03.{n:02d}" for n in range(0, 21, 5)]),
        ((0.0, 0.0), ["0:00.00"]),
    ],
)
def test_times_on_the_axis_are_round(span_s: tuple[float, float], in_view: list[str]) -> None:
    ticks_s, texts = time_ticks(*span_s)
    start_s, end_s = span_s
    shown = [text for t, text in zip(ticks_s, texts, strict=True) if start_s - 1e-9 <= t <= end_s + 1e-9]
    assert shown == in_view


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_times_on_the_axis_are_few_and_in_order(start_s: float, length_s: float) -> None:
    ticks_s, texts = time_ticks(start_s, start_s + length_s)
    assert len(set(texts)) == len(texts) == len(ticks_s) <= 32
    assert list(ticks_s) == sorted(ticks_s)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 5000), st.integers(0, 2**32 - 1), st.data())
def test_thinning_keeps_extremes_order_and_range(size: int, seed: int, data: st.DataObject) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 0.1, size))
    values = rng.normal(size=size)
    values[rng.random(size) < 0.2] = np.nan
    end = float(time_s[-1]) if size else 1.0
    start_s, end_s = sorted(data.draw(st.tuples(st.floats(0, end), st.floats(0, end))))
    t, v = thin_out(time_s, values, start_s, end_s, points=200)
    assert t.size == v.size <= 200
    assert (np.diff(t) >= 0).all()
    inside = values[(time_s >= start_s) & (time_s <= end_s)]
    inside = inside[np.isfinite(inside)]
    if inside.size and np.isfinite(v).any():
        assert np.nanmax(v) >= inside.max()  # one sample beyond each edge may exceed it
        assert np.nanmin(v) <= inside.min()


def test_thinning_breaks_the_line_at_a_gap() -> None:
    time_s = np.concatenate([np.arange(0, 100, 0.02), np.arange(160, 260, 0.02)])
    t, v = thin_out(time_s, np.ones(time_s.size), 0.0, 260.0, gaps_s=[(100.0, 160.0)], points=100)
    assert np.isnan(v).sum() == 1
    assert t[np.flatnonzero(np.isnan(v))[0]] == pytest.approx(130.0)


@pytest.mark.parametrize("name", builders.CASES)
@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_small_pictures_are_well_formed_and_hold_no_nan(name: str, colours) -> None:
    trims, table = builders.CASES[name]()
    for svg in (thumbnail_svg(table, colours), glance_svg(trims.balance, colours)):
        ElementTree.fromstring(svg)
        assert "nan" not in svg


def test_small_picture_of_a_session_without_samples() -> None:
    _, table = builders.lean()
    nothing = replace(
        table, time_s=np.zeros(0), egt_C=np.zeros((0, 8)), egt_status=np.zeros((0, 8), np.uint8)
    )
    assert "<svg" in thumbnail_svg(nothing, LIGHT)


def test_glance_is_hollow_where_only_deviations_are_known() -> None:
    known, unknown = builders.even()[0].balance, builders.near_peak()[0].balance
    assert 'fill="none"' not in glance_svg(known, LIGHT)
    assert glance_svg(unknown, LIGHT).count('fill="none"') == 8


def test_a_name_of_a_bank_with_markup_is_not_markup_in_the_small_picture() -> None:
    setup = parse_setup(builders.setup_text(banks={"<b>x</b>": (1, 2)}))
    table = builders.physical(setup, {})
    assert "<b>" not in thumbnail_svg(table, LIGHT)
