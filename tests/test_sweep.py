"""A bank's sweep from blocks to offsets: averaging, outliers, dropouts, what is too narrow, and the picture."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_sessions import blocks, course
from test_sweep_fit import peak
from test_uncertainty import ar1

from analysis import sweep as sweep_module
from analysis.blocks import Blocks
from analysis.conditions import Span
from analysis.lag import Lags
from analysis.sweep import (
    MAX_POINTS,
    MIN_POINTS,
    RANGE_MIN,
    SweepEstimate,
    curves,
    estimate_sweep,
    mixture_range,
    offsets_from_shift,
    sweep_data,
    usable_points,
    without_points,
)
from analysis.uncertainty import expanded_u95

FloatArray = np.ndarray
OFFSET = np.array([2.0, -3.1, 0.4, 0.7])
HEIGHT_C, GAIN = np.array([8.0, -6.0, 3.0, -5.0]), np.array([1.04, 0.96, 1.0, 1.0])
LAGS = Lags((1, 2, 3, 4), np.full(4, 2.0), np.full(4, 0.15), 2, 1.0)
WIDE = course((20, 0.25, 0.25), (150, 0.25, -0.10), (120, -0.10, 0.25), (20, 0.25, 0.25))


def swept(x: FloatArray = WIDE, noise_C: float = 1.0, seed: int = 1, **conditions: FloatArray) -> Blocks:
    """Blocks of a bank whose every cylinder runs through the same curve at its own mixture."""
    noise = noise_C * (
        ar1(0.9, (4, len(x)), seed).T + 0.4 * np.random.default_rng(seed).normal(size=(len(x), 4))
    )
    own = np.log(1 + OFFSET / 100)
    egt = 750 + HEIGHT_C + GAIN * peak(x[:, None] + own) + noise
    return blocks(egt, ln_phi={"all": x}, **conditions)


def estimated(session: Blocks, points: FloatArray | None = None) -> SweepEstimate:
    points = np.arange(len(session.time_s)) if points is None else points
    data = sweep_data(session, points, "all", LAGS, 15.0)
    assert data is not None
    found = estimate_sweep(data, "all")
    assert found is not None
    return found


def true_offsets() -> FloatArray:
    fuel = 1 + OFFSET / 100
    return 100 * (fuel / fuel.mean() - 1)


@pytest.fixture(scope="module")
def quiet() -> SweepEstimate:
    return estimated(swept(noise_C=0.02))


def test_offsets_are_found_with_their_interval() -> None:
    found = estimated(swept())
    np.testing.assert_allclose(found.offset_percent, true_offsets(), rtol=0, atol=0.4)
    assert np.all(np.abs(found.offset_percent - true_offsets()) < 1.5 * found.u95_percent)
    assert np.all(found.u95_percent < 0.6)
    assert found.offset_percent.sum() == pytest.approx(0.0, abs=1e-9)
    assert found.left_out_points == 0
    assert found.cylinders == (1, 2, 3, 4)


def test_without_noise_offsets_are_exact_and_still_not_certain_beyond_what_curves_are_alike(
    quiet: SweepEstimate,
) -> None:
    np.testing.assert_allclose(quiet.offset_percent, true_offsets(), rtol=0, atol=0.05)
    assert np.all(quiet.u95_percent >= 1.9 * 0.08)


def test_budget_lines_make_the_interval_and_hold_the_sensor_s_slope(quiet: SweepEstimate) -> None:
    """A wideband sensor whose slope is 2 % off makes every offset 2 % of itself wrong."""
    for i, lines in enumerate(quiet.budgets):
        assert expanded_u95(lines) == pytest.approx(quiet.u95_percent[i])
        (sensor,) = [line for line in lines if "lambda" in line.source]
        assert sensor.contribution == pytest.approx(0.02 * abs(quiet.offset_percent[i]))
        assert len({line.source for line in lines}) == len(lines)


def test_the_picture_lays_every_cylinder_on_the_shared_curve(quiet: SweepEstimate) -> None:
    """As its description says: shift lambda by the offset, take height and gain off."""
    shown = curves(quiet)
    order = np.argsort(shown.curve_lambda)
    assert shown.curve_C.max() == 0.0
    for i in range(4):
        own_lambda = shown.lambda_ / (1 + shown.offset_percent[i] / 100)
        expected = np.interp(own_lambda, shown.curve_lambda[order], shown.curve_C[order])
        laid = (shown.egt_C[:, i] - shown.height_C[i]) / shown.gain[i]
        assert np.median(np.abs(laid - expected)) < 0.5
    # each cylinder's own highest temperature
    np.testing.assert_allclose(shown.height_C, shown.egt_C.max(axis=0), rtol=0, atol=2.0)
    assert shown.curve_lambda[np.argmax(shown.curve_C)] == pytest.approx(
        np.exp(-OFFSET.mean() / 100), abs=0.01
    )


def test_a_burst_of_misfire_inside_the_sweep_is_left_out() -> None:
    session = swept()
    session.egt_C[200:210, 1] -= 90.0
    found = estimated(session)
    assert found.left_out_points > 0
    np.testing.assert_allclose(found.offset_percent, true_offsets(), rtol=0, atol=0.4)


def test_a_dropout_inside_the_sweep_is_not_bridged() -> None:
    session = swept()
    session.egt_C[150:190, 2] = np.nan
    data = sweep_data(session, np.arange(len(session.time_s)), "all", LAGS, 15.0)
    assert data is not None
    assert not ((data.time_s > 75) & (data.time_s < 95)).any(), "no point averages across the hole"
    np.testing.assert_allclose(estimated(session).offset_percent, true_offsets(), rtol=0, atol=0.4)


def test_a_record_that_no_noise_explains_is_no_sweep(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every fit finds a fifth of the points strange: after the second there is not enough left to believe."""
    data = sweep_data(swept(), np.arange(len(WIDE)), "all", LAGS, 15.0)
    assert data is not None

    def strange(fit: Any) -> np.ndarray:
        return np.arange(len(fit.data.time_s)) < 0.2 * len(data.time_s)

    monkeypatch.setattr(sweep_module, "_strange", strange)
    assert estimate_sweep(data, "all") is None


def test_a_straight_flank_tells_no_shift_from_height() -> None:
    """Far from the bend the curve is a line: the interval must say so."""
    flank = course((20, 0.30, 0.30), (120, 0.30, 0.20), (120, 0.20, 0.30))
    found = estimated(swept(flank))
    assert np.all(found.u95_percent > 1.0)
    assert np.all(np.abs(found.offset_percent - true_offsets()) < 1.5 * found.u95_percent)


def test_range_leaves_out_the_outermost_twentieths() -> None:
    """A uniform spread over 0.2 is 0.18 wide; a few stray readings do not make a sweep."""
    x = np.linspace(0.0, 0.2, 1001)
    session = blocks(ln_phi={"all": x}, egt_C=np.full((1001, 4), 700.0))
    assert mixture_range(session, np.arange(1001), "all") == pytest.approx(0.18, abs=1e-9)
    held = np.zeros(1001)
    held[:30] = 0.3
    stray = blocks(ln_phi={"all": held}, egt_C=np.full((1001, 4), 700.0))
    assert mixture_range(stray, np.arange(1001), "all") < RANGE_MIN
    assert mixture_range(session, np.arange(0), "all") == 0.0


def test_usable_points_have_settled_probes_and_a_known_mixture() -> None:
    x = WIDE.copy()
    x[100:110] = np.nan
    session = blocks(ln_phi={"all": x}, egt_C=np.full((len(x), 4), 700.0))
    points = usable_points(session, [Span(40, 200, 3000.0, 60.0), Span(300, 400, 3000.0, 60.0)], "all", 9.0)
    expected = [*range(58, 100), *range(110, 200), *range(318, 400)]
    assert points.tolist() == expected
    assert usable_points(session, [Span(40, 200, None, None)], "no such bank", 9.0).size == 0
    assert usable_points(session, [], "all", 9.0).size == 0


def test_points_are_averaged_to_a_number_that_can_be_fitted_and_never_across_a_break() -> None:
    x = np.linspace(0.3, -0.1, 1500)
    session = blocks(np.arange(1500.0)[:, None] * np.ones(4), ln_phi={"all": x})
    points = np.concatenate([np.arange(100, 500), np.arange(900, 1400)])
    data = sweep_data(session, points, "all", LAGS, 15.0)
    assert data is not None
    assert MIN_POINTS <= len(data.time_s) <= MAX_POINTS + 2
    assert np.all(np.diff(data.time_s) > 0)
    # °C here are block numbers: a mean of them is half a second times the mean of the blocks
    np.testing.assert_allclose(data.time_s, (data.egt_C[:, 0] + 0.5) * 0.5, rtol=0, atol=1e-9)
    assert not ((data.time_s > 250.0) & (data.time_s < 450.0)).any()
    assert data.x_time_s[0] <= data.time_s[0] - 25
    np.testing.assert_allclose(data.x_rate, -0.4 / 1499 / 0.5, rtol=1e-6, atol=0)


def test_fewer_complete_points_than_needed_are_none() -> None:
    session = swept()
    assert sweep_data(session, np.arange(MIN_POINTS - 1), "all", LAGS, 15.0) is None
    session.egt_C[MIN_POINTS - 4 :, 0] = np.nan
    assert sweep_data(session, np.arange(len(WIDE)), "all", LAGS, 15.0) is None


def test_speed_and_load_are_standardised_and_a_constant_or_broken_one_is_left_out() -> None:
    n = len(WIDE)
    rng = np.random.default_rng(1)
    both = swept(rpm=3000 + 8 * rng.normal(size=n), load=60 + 0.5 * rng.normal(size=n))
    data = sweep_data(both, np.arange(n), "all", LAGS, 15.0)
    assert data is not None
    assert data.conditions.shape[1] >= 2
    np.testing.assert_allclose(data.conditions.mean(axis=0), 0.0, rtol=0, atol=1e-9)
    np.testing.assert_allclose(data.conditions.std(axis=0), 1.0, rtol=1e-9, atol=0)
    rpm = 3000 + rng.normal(size=n)
    alone = sweep_data(swept(rpm=rpm), np.arange(n), "all", LAGS, 15.0)
    assert alone is not None
    assert 0 < alone.conditions.shape[1] < data.conditions.shape[1]
    for load in (np.full(n, 60.0), np.full(n, np.nan)):
        beside = sweep_data(swept(load=load, rpm=rpm), np.arange(n), "all", LAGS, 15.0)
        assert beside is not None
        np.testing.assert_array_equal(beside.conditions, alone.conditions)


def test_leaving_points_out_keeps_the_mixture_s_course() -> None:
    data = sweep_data(swept(), np.arange(len(WIDE)), "all", LAGS, 15.0)
    assert data is not None
    left_out = np.zeros(len(data.time_s), dtype=bool)
    left_out[5:9] = True
    less = without_points(data, left_out)
    assert len(less.time_s) == len(less.egt_C) == len(less.conditions) == len(data.time_s) - 4
    np.testing.assert_array_equal(less.time_s[:7], data.time_s[[0, 1, 2, 3, 4, 9, 10]])
    np.testing.assert_array_equal(less.x, data.x)


def test_offsets_of_two_cylinders_by_hand() -> None:
    """e^0.02 = 1.020201 and e^-0.02 = 0.980199: mean 1.000200."""
    np.testing.assert_allclose(
        offsets_from_shift(np.array([0.02, -0.02])), [1.99973, -1.99973], rtol=0, atol=1e-4
    )


@given(st.lists(st.floats(-0.2, 0.2), min_size=2, max_size=8), st.floats(-0.3, 0.3))
def test_offsets_sum_to_zero_and_know_nothing_of_the_bank_s_own_mixture(
    shift: list[float], bank: float
) -> None:
    offset = offsets_from_shift(np.array(shift))
    assert offset.sum() == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(offsets_from_shift(np.array(shift) + bank), offset, rtol=0, atol=1e-9)
    ratio = (1 + offset[0] / 100) / (1 + offset[-1] / 100)
    assert ratio == pytest.approx(np.exp(shift[0] - shift[-1]), rel=1e-9)
