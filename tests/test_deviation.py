"""Deviations from a bank's mean: what cancels, what stays, and the budget against a hand calculation."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import setup_text
from plain_sessions import SETUP, blocks
from test_uncertainty import ar1

from analysis.deviation import Deviation, deviation_budget, deviations, heat_line, probe_half_width_C
from analysis.uncertainty import combined_u, effective_degrees_of_freedom
from daq.setupfile import Setup, parse_setup

OWN_C = np.array([12.0, -3.0, -4.0, -5.0])
ALL = (1, 2, 3, 4)
N = 120


def setup_of(*tolerances: str) -> Setup:
    """The inline four with these probe classes, cylinder by cylinder."""
    wanted = iter(tolerances)
    text = setup_text("launch", {"all": ALL}, unit="C")
    return parse_setup(re.sub('(?<=tolerance = )"iec-2"', lambda usual: next(wanted, usual[0]), text))


def a_deviation(
    noise_u_C: float = 0.4, freedom: float = 9.0, level_C: float = 800.0, n: int = 4
) -> Deviation:
    return Deviation(
        "all", ALL[:n], np.zeros(n), np.full(n, noise_u_C), np.full(n, freedom), level_C, 0.87, 60.0
    )


def test_deviations_are_from_the_mean_of_the_cylinders_asked_for() -> None:
    egt = np.tile(750 + OWN_C, (N, 1))
    found = deviations(blocks(egt), np.arange(N), "all", ALL)
    assert found is not None
    np.testing.assert_allclose(found.deviation_C, OWN_C, rtol=0, atol=1e-9)
    without_the_first = deviations(blocks(egt), np.arange(N), "all", (2, 3, 4))
    assert without_the_first is not None
    np.testing.assert_allclose(without_the_first.deviation_C, [1, 0, -1], rtol=0, atol=1e-9)
    assert without_the_first.level_C == pytest.approx(746.0)
    assert found.duration_s == pytest.approx(N * 0.5)


def test_what_all_probes_share_cancels_in_value_and_noise() -> None:
    """Load, weather, the cold junction's common error, a warm-up: any common course."""
    own = 750 + OWN_C + ar1(0.9, (4, N), seed=1).T
    common = 80 * np.sin(np.arange(N) / 9)[:, None] + np.linspace(0, 40, N)[:, None]
    calm, moved = (deviations(blocks(e), np.arange(N), "all", ALL) for e in (own, own + common))
    assert calm is not None
    assert moved is not None
    np.testing.assert_allclose(moved.deviation_C, calm.deviation_C, rtol=0, atol=1e-9)
    np.testing.assert_allclose(moved.noise_u_C, calm.noise_u_C, rtol=1e-9, atol=0)


def test_a_block_with_a_hole_is_left_out_for_all() -> None:
    egt = np.tile(750 + OWN_C, (N, 1))
    egt[10:40, 1] = np.nan
    egt[10:40, 0] += 500.0
    found = deviations(blocks(egt), np.arange(N), "all", ALL)
    assert found is not None
    np.testing.assert_allclose(found.deviation_C, OWN_C, rtol=0, atol=1e-9)
    assert found.duration_s == pytest.approx((N - 30) * 0.5)


def test_too_little_gives_nothing() -> None:
    egt = np.tile(750 + OWN_C, (N, 1))
    assert deviations(blocks(egt), np.arange(3), "all", ALL) is None
    assert deviations(blocks(egt), np.arange(N), "all", (2,)) is None
    assert deviations(blocks(np.full((N, 4), np.nan)), np.arange(N), "all", ALL) is None


def test_the_mixture_is_that_of_the_same_blocks_or_unknown() -> None:
    egt = np.tile(750 + OWN_C, (N, 1))
    x = np.where(np.arange(N) < 60, -np.log(0.85), -np.log(0.95))
    found = deviations(blocks(egt, ln_phi={"all": x}), np.arange(60), "all", ALL)
    assert found is not None
    assert found.lambda_mean == pytest.approx(0.85)
    egt[60:, 2] = np.nan
    complete = deviations(blocks(egt, ln_phi={"all": x}), np.arange(N), "all", ALL)
    assert complete is not None
    assert complete.lambda_mean == pytest.approx(0.85), "of the blocks that were compared, no others"
    without = deviations(blocks(egt, ln_phi={"other": x}), np.arange(60), "all", ALL)
    assert without is not None
    assert np.isnan(without.lambda_mean)


def test_a_minute_of_a_real_engine_s_wander_is_a_few_independent_values() -> None:
    """References, section 11: tau 8 to 19 s, and 'a 60 s mean deviation has about 0.4 K standard error'."""
    wander = 1.35 * ar1(np.exp(-0.5 / 6.0), (800, N), seed=2)  # integrated correlation time 12 s
    u, freedom = [], []
    for k in range(0, 800, 4):
        found = deviations(blocks(750 + wander[k : k + 4].T), np.arange(N), "all", ALL)
        assert found is not None
        u.append(found.noise_u_C)
        freedom.append(found.noise_freedom)
    assert np.sqrt(np.mean(np.square(u))) == pytest.approx(0.5, abs=0.15)
    # 60 s hold at most five values 12 s apart, one of which the mean takes
    assert np.median(freedom) >= 1.0
    assert np.max(freedom) <= 4.0 + 1e-9


def test_the_budget_of_a_deviation_by_hand() -> None:
    """Four class 2 probes at 800 °C: ±6 °C each, 6/√3 = 3.464; own 3/4 and the three others' 1/4 each."""
    lines = {line.source: line for line in deviation_budget(a_deviation(), SETUP, 1)}
    own, others = lines["own probe's tolerance"], lines["the other probes' tolerance"]
    assert own.contribution == pytest.approx(0.75 * 3.4641, abs=1e-4)
    assert others.contribution == pytest.approx(0.25 * np.sqrt(3) * 3.4641, abs=1e-4)
    assert np.hypot(own.contribution, others.contribution) == pytest.approx(3.0, abs=1e-3)
    assert {own.distribution, others.distribution} == {"rectangular"}
    assert lines["gradient along the terminals"].contribution == pytest.approx(0.25, abs=1e-3)
    noise = lines["wander and noise"]
    assert (noise.contribution, noise.degrees_of_freedom, noise.distribution) == (0.4, 9.0, "t")
    total = combined_u(list(lines.values()))
    assert total == pytest.approx(np.sqrt(9 + 0.25**2 + 0.4**2), abs=1e-3)
    freedom = effective_degrees_of_freedom(list(lines.values()))
    assert freedom == pytest.approx(total**4 / (0.4**4 / 9), rel=1e-3)


@pytest.mark.parametrize("n", [2, 3, 4])
def test_the_probes_share_of_a_deviation_against_a_monte_carlo_of_their_errors(n: int) -> None:
    """JCGM 101:2008: draw every probe's error within its limit and look how the deviation scatters."""
    setup = setup_of('"iec-1"', '"iec-2"', "10.0", '"iec-2"')
    limits = np.array([3.2, 6.0, 10.0, 6.0])[:n]  # references, section 3, at 800 °C
    errors = np.random.default_rng(3).uniform(-1, 1, (200_000, n)) * limits
    scatter = (errors - errors.mean(axis=1, keepdims=True)).std(axis=0)
    for i in range(n):
        own, others = deviation_budget(a_deviation(n=n), setup, i)[:2]
        assert np.hypot(own.contribution, others.contribution) == pytest.approx(scatter[i], rel=0.01)


@pytest.mark.parametrize(
    ("tolerance", "level_C", "limit_C"),
    [
        ('"iec-2"', 800.0, 6.0),
        ('"iec-2"', 250.0, 2.5),
        ('"iec-1"', 800.0, 3.2),
        ('"astm-special"', 800.0, 3.2),
        ('"astm-standard"', 800.0, 6.0),
        ("4.0", 800.0, 4.0),
        ('"iec-2"', 1250.0, 9.375),  # beyond the class's range: its rule at least, never nothing
        ('"iec-1"', 1100.0, 8.25),
    ],
)
def test_limits_of_the_probe_s_class_at_the_level_of_the_bank(
    tolerance: str, level_C: float, limit_C: float
) -> None:
    """References, section 3."""
    assert probe_half_width_C(setup_of(tolerance), 1, level_C) == pytest.approx(limit_C)


def test_heat_that_is_not_mixture_is_the_setup_s_own_assumption_less_its_share_in_the_mean() -> None:
    """10 °C by default: healthy engines show 20 to 33 °C of spread (references, section 11).

    The range of four normal values is 2.06 standard deviations on average (control chart constant d2).
    """
    line = heat_line(a_deviation(), SETUP)
    assert line.contribution == pytest.approx(10.0 * np.sqrt(3 / 4))
    spread = 2.06 * SETUP.assumptions.heat_u_C
    assert 20 <= spread <= 33
    other = parse_setup(setup_text("launch", {"all": ALL}, unit="C") + "\n[assumptions]\nheat_u_C = 3.0\n")
    assert heat_line(replace(a_deviation(), cylinders=(1, 2)), other).contribution == pytest.approx(
        3 / np.sqrt(2)
    )
