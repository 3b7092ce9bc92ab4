"""Block means against hand calculation, gaps, missing values and invariances."""

from __future__ import annotations

import numpy as np
import pytest
from builders import setup_text
from hypothesis import given
from hypothesis import strategies as st
from plain_sessions import table

from analysis.blocks import BLOCK_S, make_blocks
from daq.setupfile import parse_setup


def test_means_coverage_and_middles_of_two_blocks_by_hand() -> None:
    nan = np.nan
    egt = np.array(
        [[1, 10], [2, 10], [3, nan], [4, 10], [5, 10], [6, nan], [8, nan], [7, nan], [9, nan], [10, nan]]
    )
    found = make_blocks(table(np.arange(10) * 0.1, egt.astype(float), rpm=np.arange(10.0)))
    np.testing.assert_allclose(found.egt_C, [[3, 10], [8, nan]], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.coverage, [[1, 0.8], [1, 0]], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.time_s, [0.25, 0.75], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.rpm, [2, 7], rtol=0, atol=1e-12)
    assert found.length_s == BLOCK_S == 0.5
    assert found.load is None
    assert found.injector_ms is None


def test_scatter_of_hundredths_of_a_degree_survives_at_900_C() -> None:
    """Against numpy's two-pass standard deviation; plain sums of squares would lose it."""
    noise = np.random.default_rng(1).normal(0, 0.01, (40, 3))
    found = make_blocks(table(np.arange(40) * 0.05, 900.0 + np.array([0.0, -500.0, 300.0]) + noise))
    expected = noise.reshape(4, 10, 3).std(axis=1, ddof=1)
    np.testing.assert_allclose(found.scatter_C, expected, rtol=1e-6, atol=0)


def test_scatter_is_unknown_below_three_samples() -> None:
    egt = np.array([[1.0, 1.0], [2.0, 5.0], [3.0, np.nan]])
    scatter = make_blocks(table(np.arange(3) * 0.1, egt)).scatter_C[0]
    assert scatter[0] == pytest.approx(1.0)
    assert np.isnan(scatter[1])


def test_a_gap_in_time_is_blocks_without_values_not_a_shorter_record() -> None:
    time_s = np.concatenate([np.arange(10), np.arange(30, 40)]) * 0.1
    found = make_blocks(table(time_s, np.full((20, 1), 600.0), rpm=2000.0))
    assert len(found.time_s) == 8
    missing = [2, 3, 4, 5]
    assert np.flatnonzero(np.isnan(found.egt_C[:, 0])).tolist() == missing
    assert np.flatnonzero(np.isnan(found.rpm)).tolist() == missing
    assert np.flatnonzero(found.coverage[:, 0] == 0).tolist() == missing


def test_an_instrument_slower_than_a_block_gives_one_block_a_sample() -> None:
    egt = np.arange(20.0)[:, None]
    found = make_blocks(table(np.arange(20) * 2.0, egt))
    assert found.length_s == pytest.approx(2.0)
    np.testing.assert_array_equal(found.egt_C, egt)


def test_mixture_is_minus_the_mean_logarithm_of_lambda_and_unknown_where_lambda_is_no_number() -> None:
    lambda_ = np.array([0.8, 0.9, 1.0, 1.1, 1.25, 0.0, -1.0, np.nan, np.nan, np.nan])
    found = make_blocks(table(np.arange(10) * 0.1, np.full((10, 2), 700.0), lambda_))
    assert found.ln_phi["all"][0] == pytest.approx(-np.log([0.8, 0.9, 1.0, 1.1, 1.25]).mean())
    assert np.isnan(found.ln_phi["all"][1])


def test_a_bank_without_lambda_takes_the_engine_s_mixture_column_and_one_with_lambda_does_not() -> None:
    setup = parse_setup(setup_text("tug", {"port": (1, 3), "starboard": (2, 4)}, unit="C"))
    session = table(
        np.arange(5) * 0.1,
        np.full((5, 4), 700.0),
        setup=setup,
        lambda_by_bank={"port": np.full(5, 0.8)},
        mixture=np.array([1.1, 1.1, 1.1, 1.1, 0.0]),
    )
    found = make_blocks(session).ln_phi
    assert found["port"][0] == pytest.approx(np.log(1.25))
    assert found["starboard"][0] == pytest.approx(np.log(1.1))
    assert set(make_blocks(table(np.arange(5) * 0.1, np.full((5, 4), 700.0), setup=setup)).ln_phi) == set()


def test_columns_are_found_by_the_cylinder_s_number_in_any_order() -> None:
    session = table(np.arange(5) * 0.1, np.full((5, 4), 700.0), cylinders=(1, 3, 4, 2))
    assert make_blocks(session).columns((2, 1, 4)) == [3, 0, 2]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_nothing_and_next_to_nothing(n: int) -> None:
    found = make_blocks(table(np.arange(n) * 0.1, np.full((n, 4), 700.0), np.ones(n), rpm=900.0))
    assert found.egt_C.shape == (min(n, 1), 4)
    assert len(found.time_s) == len(found.rpm) == len(found.ln_phi["all"]) == min(n, 1)


@given(
    steps=st.lists(st.sampled_from([0.1, 0.1, 0.1, 0.13, 0.7]), min_size=1, max_size=60),
    start_s=st.sampled_from([0.0, 17.3, 36000.0]),
    seed=st.integers(0, 1000),
)
def test_blocks_hold_every_sample_once_wherever_the_record_begins(
    steps: list[float], start_s: float, seed: int
) -> None:
    """The mean over blocks, weighted by their samples, is the mean over samples."""
    rng = np.random.default_rng(seed)
    time_s = start_s + np.cumsum(steps)
    egt = np.where(rng.random((len(time_s), 2)) < 0.2, np.nan, rng.normal(700, 20, (len(time_s), 2)))
    found = make_blocks(table(time_s, egt))
    index = np.floor((time_s - time_s[0]) / found.length_s + 1e-6).astype(int)
    samples = np.bincount(index, minlength=len(found.time_s))
    counts = found.coverage * samples[:, None]
    np.testing.assert_allclose(counts.sum(axis=0), np.isfinite(egt).sum(axis=0), rtol=0, atol=1e-9)
    np.testing.assert_allclose(
        np.nansum(counts * found.egt_C, axis=0), np.nansum(egt, axis=0), rtol=1e-12, atol=0
    )
    inside = np.abs(time_s - found.time_s[index]) <= found.length_s / 2 + 1e-5
    assert inside.all()
