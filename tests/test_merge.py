"""Interpolation and gaps: no sample is invented."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.merge import find_gaps, gap_limit_s, interpolate, nearest


@pytest.mark.parametrize(("period_s", "limit_s"), [(0.02, 0.5), (0.1, 0.5), (0.5, 1.5), (1.0, 3.0)])
def test_gap_limit(period_s: float, limit_s: float) -> None:
    assert gap_limit_s(period_s * np.arange(100)) == pytest.approx(limit_s)


def test_gaps_are_found_where_samples_are_missing() -> None:
    time_s = np.concatenate([np.arange(0, 10, 0.1), np.arange(12, 15, 0.1), np.arange(15.35, 16, 0.1)])
    assert find_gaps(time_s) == (pytest.approx((9.9, 12.0)),)
    assert find_gaps(np.empty(0)) == find_gaps(np.zeros(1)) == ()


def test_a_straight_line_is_met_exactly_and_never_carried_on() -> None:
    time_s = np.array([0.0, 1.0, 2.0])
    at_s = np.array([-0.1, 0.0, 0.25, 1.0, 1.75, 2.0, 2.1])
    found = interpolate(at_s, time_s, 3.0 * time_s, 1.5)
    np.testing.assert_allclose(found, [np.nan, 0.0, 0.75, 3.0, 5.25, 6.0, np.nan], rtol=0, atol=1e-12)


def test_nothing_is_drawn_across_a_gap_but_its_edges_stay() -> None:
    time_s = np.array([0.0, 0.1, 5.0, 5.1])
    found = interpolate(
        np.array([0.1, 0.2, 3.0, 4.9, 5.0, 5.05]), time_s, np.array([1.0, 2.0, 3.0, 4.0]), 0.5
    )
    np.testing.assert_allclose(found, [2.0, np.nan, np.nan, np.nan, 3.0, 3.5], rtol=0, atol=1e-12)


def test_a_single_missing_reading_is_bridged_and_many_are_not() -> None:
    time_s = 0.1 * np.arange(30)
    values = np.ones(30)
    values[5] = np.nan
    values[10:20] = np.nan
    found = interpolate(time_s, time_s, values, 0.5)
    assert np.flatnonzero(np.isnan(found)).tolist() == list(range(10, 20))
    assert np.isnan(interpolate(time_s, time_s, np.full(30, np.nan), 0.5)).all()


@settings(max_examples=200)
@given(
    steps=st.lists(st.floats(0.01, 3), min_size=1, max_size=20),
    at_s=st.lists(st.floats(-5, 70), min_size=1, max_size=20),
)
def test_against_a_plain_loop(steps: list[float], at_s: list[float]) -> None:
    time_s = np.cumsum(steps)
    values = np.sin(time_s)
    found = interpolate(np.array(at_s), time_s, values, 1.0)
    closest = nearest(np.array(at_s), time_s)
    for t, value, index in zip(at_s, found, closest, strict=True):
        assert abs(time_s[index] - t) == np.min(np.abs(time_s - t))
        inside = [i for i in range(time_s.size - 1) if time_s[i] <= t <= time_s[i + 1]]
        if t in time_s:
            assert value == pytest.approx(values[time_s == t][0])
        elif inside and time_s[inside[0] + 1] - time_s[inside[0]] <= 1.0:
            i = inside[0]
            share = (t - time_s[i]) / (time_s[i + 1] - time_s[i])
            assert value == pytest.approx(values[i] + share * (values[i + 1] - values[i]), abs=1e-12)
        else:
            assert np.isnan(value)
