"""Operating points: straight lines are smoothed without error, spans found where they were put."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from plain_sessions import blocks, course
from scipy.signal import savgol_filter

from analysis.conditions import (
    SPAN_MIN_S,
    Span,
    bridge,
    moving,
    operating_spans,
    regions,
    running,
    runs,
    same_point,
    smooth,
)


@pytest.mark.parametrize("window", [3, 8, 9, 500])
def test_a_straight_line_passes_the_smoother_unchanged_and_its_slope_is_exact(window: int) -> None:
    time_s = np.arange(50) * 0.5
    line = 700.0 - 3.0 * time_s
    np.testing.assert_allclose(smooth(line, window), line, rtol=1e-12, atol=0)
    slope = smooth(line, window, derivative=1, step_s=0.5)
    np.testing.assert_allclose(slope, -3.0, rtol=1e-9, atol=0)


@pytest.mark.parametrize("derivative", [0, 1])
@pytest.mark.parametrize(("n", "window"), [(9, 9), (40, 7), (41, 3)])
def test_the_smoother_is_a_first_order_savitzky_golay_filter(n: int, window: int, derivative: int) -> None:
    """Against scipy.signal.savgol_filter, an implementation of its own, ends included."""
    values = np.random.default_rng(2).normal(700.0, 30.0, n)
    expected = savgol_filter(values, window, 1, deriv=derivative, delta=0.5, mode="interp")
    np.testing.assert_allclose(smooth(values, window, derivative, 0.5), expected, rtol=1e-11, atol=1e-10)


def test_smoothing_divides_white_noise_by_the_root_of_its_window() -> None:
    """A local straight line at the middle of its window is the mean of the window."""
    noise = np.random.default_rng(1).normal(size=20_000)
    assert smooth(noise, 25)[20:-20].std() == pytest.approx(1 / 5, rel=0.05)


def test_what_was_not_measured_stays_unknown_and_does_not_bend_its_neighbours() -> None:
    line = np.arange(40.0)
    holed = line.copy()
    holed[10:14] = np.nan
    found = smooth(holed, 7)
    assert np.flatnonzero(np.isnan(found)).tolist() == [10, 11, 12, 13]
    np.testing.assert_allclose(found[np.isfinite(found)], line[np.isfinite(found)], rtol=1e-12, atol=1e-9)


def test_too_little_to_smooth_is_left_as_it_is_and_has_no_slope() -> None:
    assert smooth(np.array([1.0, 5.0]), 9).tolist() == [1.0, 5.0]
    assert np.isnan(smooth(np.array([1.0, 5.0]), 9, derivative=1)).all()
    assert np.isnan(smooth(np.full(9, np.nan), 3)).all()


def test_a_bridge_is_straight_between_neighbours_and_level_at_the_ends() -> None:
    nan = np.nan
    found = bridge(np.array([nan, 2.0, nan, nan, 8.0, nan]))
    np.testing.assert_allclose(found, [2, 2, 4, 6, 8, 8], rtol=0, atol=1e-12)


@given(arrays(np.bool_, st.integers(0, 40)))
def test_runs_are_exactly_the_true_values(mask: np.ndarray) -> None:
    rebuilt = np.zeros(len(mask), dtype=bool)
    last = -1
    for start, stop in runs(mask):
        assert last < start < stop, "runs are apart and in order"
        rebuilt[start:stop], last = True, stop
    np.testing.assert_array_equal(rebuilt, mask)


def test_running_is_told_by_speed_and_without_it_by_the_hottest_port() -> None:
    egt = np.array([[20.0, np.nan], [20.0, 160.0], [700.0, 700.0], [np.nan, np.nan]])
    assert running(blocks(egt)).tolist() == [False, True, True, False]
    rpm = np.array([0.0, 800.0, np.nan, 301.0])
    assert running(blocks(egt, rpm=rpm)).tolist() == [False, True, False, True]


def test_two_holds_with_a_ramp_between_are_two_spans_at_their_own_levels() -> None:
    rpm = course((40, 0, 0), (30, 2000, 2000), (5, 2000, 3000), (60, 3000, 3000), (20, 0, 0))
    load = course((40, 100, 100), (30, 50, 50), (5, 50, 80), (60, 80, 80), (20, 100, 100))
    found = operating_spans(blocks(rpm=rpm, load=load))
    assert len(found) == 2
    for span, (begin_s, end_s), level in zip(
        found, [(40, 70), (75, 135)], [(2000, 50), (3000, 80)], strict=True
    ):
        # the rate's window of 8 s reaches into the ramp by half its length
        assert begin_s <= span.start / 2 <= begin_s + 6
        assert end_s - 6 <= span.stop / 2 <= end_s
        assert span.rpm == pytest.approx(level[0], rel=1e-3)
        assert span.load == pytest.approx(level[1], rel=2e-3)


def test_a_slow_creep_to_another_level_is_cut_though_no_rate_gives_it_away() -> None:
    """8 % more load over 80 s is 0.8 % in the rate's window; same speed throughout."""
    load = course((60, 60, 60), (80, 60, 65), (60, 65, 65))
    found = operating_spans(blocks(rpm=np.full(len(load), 2500.0), load=load))
    found.sort(key=lambda span: span.start)
    assert len(found) >= 2
    assert found[0].stop <= found[1].start
    assert found[0].load == pytest.approx(60, abs=1.2)
    assert found[-1].load == pytest.approx(65, abs=1.2)
    assert not same_point(found[0], found[-1])


def test_wander_that_is_usual_for_the_record_is_not_movement_but_a_step_is() -> None:
    rng = np.random.default_rng(2)
    calm = 2500 + 8 * rng.standard_normal(400).cumsum() / np.sqrt(np.arange(1, 401))
    active = np.ones(400, dtype=bool)
    assert moving(calm, active, 0.02, 0.5).mean() < 0.05
    stepped = calm + np.where(np.arange(400) >= 200, 150.0, 0.0)
    assert moving(stepped, active, 0.02, 0.5)[198:202].all()
    assert moving(np.full(400, np.nan), active, 0.02, 0.5).all(), "unknown speed is not steady speed"


def test_a_hold_shorter_than_the_least_is_no_span() -> None:
    rpm = course((30, 0, 0), (SPAN_MIN_S - 1, 2000, 2000), (30, 0, 0))
    assert operating_spans(blocks(rpm=rpm)) == []


def test_without_speed_and_load_what_is_hot_and_heats_slowly_is_a_span_without_levels() -> None:
    egt = np.repeat(course((30, 20, 20), (60, 700, 760), (10, 90, 90))[:, None], 4, axis=1)
    (span,) = operating_spans(blocks(egt))
    assert (span.rpm, span.load) == (None, None)
    assert 60 <= span.start <= 65, "all but the blocks in which the ports jumped"
    assert 175 <= span.stop <= 180


def test_without_speed_and_load_a_jump_of_heat_parts_two_points_that_cannot_be_called_one() -> None:
    egt = np.repeat(course((60, 700, 700), (60, 780, 780))[:, None], 4, axis=1)
    first, second = operating_spans(blocks(egt))
    assert first.stop <= 120 <= second.start
    assert not same_point(first, second)
    assert len(regions([first, second])) == 2


def test_one_operating_point_is_within_its_shares_of_speed_and_load() -> None:
    """The limits are the module's own choice: 2.5 % of speed, 5 % of load."""
    here = Span(0, 10, 3000.0, 60.0)
    assert same_point(here, Span(0, 10, 3070.0, 62.5))
    assert not same_point(here, Span(0, 10, 3090.0, 60.0))
    assert not same_point(here, Span(0, 10, 3000.0, 64.0))
    assert same_point(here, Span(0, 10, 3000.0, None)), "what is not known tells nothing apart"
    assert same_point(here, Span(0, 10, None, 60.0))


def test_a_point_returned_to_is_one_region_and_the_longest_region_comes_first() -> None:
    a, b, again = Span(0, 50, 2000.0, 40.0), Span(60, 130, 3000.0, 70.0), Span(140, 190, 2010.0, 40.5)
    assert regions([a, b, again]) == [[a, again], [b]]
    assert regions([again, b, a]) == [[a, again], [b]]
    assert regions([]) == []


def test_spans_are_compared_with_the_longest_of_their_region_and_not_with_its_first() -> None:
    """2000 and 2090 rpm are 4.4 % apart, yet both within 2.5 % of the long hold at 2045."""
    slow, long, fast = Span(0, 20, 2000.0, None), Span(30, 130, 2045.0, None), Span(140, 160, 2090.0, None)
    assert regions([slow, long, fast]) == [[slow, long, fast]]
