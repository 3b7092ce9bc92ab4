"""Time constants of probes that lag by exactly known amounts behind one and the same gas."""

from __future__ import annotations

import numpy as np
import pytest
from plain_sessions import blocks, course, table

from analysis.blocks import Blocks, make_blocks
from analysis.lag import Lags, exhaust_flow, probe_lags
from daq.physical import PhysicalTable

FloatArray = np.ndarray
RATE_HZ = 20.0
TAUS_S = np.array([1.0, 1.6, 2.4, 4.0])
LOAD = course((60, 50, 50), (2, 50, 75), (50, 75, 75), (2, 75, 50), (60, 50, 50), step_s=1 / RATE_HZ)


def first_order(gas: FloatArray, tau_s: FloatArray) -> FloatArray:
    """y' = (gas - y)/tau in small explicit steps, settled at the start; tau_s (n,) or (n_samples, n)."""
    tau = np.broadcast_to(tau_s, gas.shape)
    y = gas.copy()
    for k in range(1, len(gas)):
        y[k] = y[k - 1] + (1 - np.exp(-1 / RATE_HZ / tau[k])) * (gas[k] - y[k - 1])
    return y


def session(
    taus_s: FloatArray = TAUS_S,
    height_C: FloatArray | float = 0.0,
    gain: FloatArray | float = 1.0,
    noise_C: float = 0.3,
    flow_matters: bool = False,
    gas_C: FloatArray | None = None,
) -> PhysicalTable:
    """Two steps of load, 3000 rpm; the gas moves by 4 °C per kPa."""
    n = len(LOAD)
    gas = 600.0 + 4.0 * (LOAD[:, None] - 50.0) * gain + np.zeros(len(taus_s)) if gas_C is None else gas_C
    flow = LOAD[:, None] / np.median(LOAD) if flow_matters else np.ones((n, 1))
    noise = np.random.default_rng(1).normal(0, noise_C, gas.shape)
    egt = first_order(gas, taus_s * flow**-0.5) + height_C + noise
    load = LOAD if flow_matters else None
    return table(np.arange(n) / RATE_HZ, egt, rpm=3000.0, load=load)


def lags_of(session: PhysicalTable) -> Lags:
    return probe_lags(make_blocks(session), session.cylinders)


def test_differences_of_lags_are_found_within_their_uncertainty() -> None:
    found = lags_of(session())
    assert found.n_transients == 2
    away = found.time_constant_s - found.time_constant_s.mean()
    expected = TAUS_S - TAUS_S.mean()
    np.testing.assert_allclose(away, expected, rtol=0, atol=0.35)
    assert np.all(np.abs(away - expected) < 2.5 * found.u_s)
    assert np.all(found.u_s < 0.8)


def test_the_lag_shrinks_with_the_root_of_the_flow() -> None:
    """References, section 10: tau ~ U^-0.5. Time constants are given at the usual flow."""
    found = lags_of(session(flow_matters=True))
    away = found.time_constant_s - found.time_constant_s.mean()
    np.testing.assert_allclose(away, TAUS_S - TAUS_S.mean(), rtol=0, atol=0.35)
    plain, plain_u = found.against_mean_s(found.reference_flow)
    fourfold, fourfold_u = found.against_mean_s(4 * found.reference_flow)
    np.testing.assert_allclose(fourfold, plain / 2, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(fourfold_u, plain_u / 2, rtol=1e-9, atol=0)
    assert plain.sum() == pytest.approx(0.0, abs=1e-9)
    assert np.all(np.isfinite(found.against_mean_s(0.0)[0]))


@pytest.mark.parametrize(
    "change",
    [
        {"height_C": np.array([40.0, -25.0, 0.0, 10.0])},
        {"gain": np.array([1.06, 0.94, 1.0, 1.03])},
    ],
)
def test_a_probe_s_error_and_a_port_s_own_heat_do_not_pass_for_lag(change: dict[str, FloatArray]) -> None:
    plain, changed = lags_of(session()), lags_of(session(**change))
    np.testing.assert_allclose(changed.time_constant_s, plain.time_constant_s, rtol=0, atol=0.15)


def test_the_order_of_the_cylinders_does_not_matter() -> None:
    forward = make_blocks(session())
    one, other = probe_lags(forward, (1, 2, 3, 4)), probe_lags(forward, (3, 1, 4, 2))
    np.testing.assert_allclose(other.of((1, 2, 3, 4)).time_constant_s, one.time_constant_s, rtol=0, atol=0.02)
    assert one.of((4, 2)).cylinders == (4, 2)
    np.testing.assert_array_equal(one.of((4, 2)).time_constant_s, one.time_constant_s[[3, 1]])
    np.testing.assert_array_equal(one.of((4, 2)).u_s, one.u_s[[3, 1]])


def test_a_probe_ten_times_slower_than_its_neighbours_is_seen_to_be() -> None:
    found = lags_of(session(np.array([1.5, 1.5, 15.0, 1.5])))
    slow = found.time_constant_s[2]
    assert slow > 8.0
    assert slow > 4 * np.delete(found.time_constant_s, 2).max()


def nothing_told(found: Lags) -> bool:
    return (
        found.n_transients == 0
        and np.ptp(found.time_constant_s) == 0.0
        and np.all(found.u_s == 0.8)
        and 1.0 <= found.time_constant_s[0] <= 5.0  # references, section 10: 1 to 2 mm in exhaust flow
    )


def test_without_a_transient_lags_are_typical_and_uncertain() -> None:
    rng = np.random.default_rng(1)
    calm = 700 + rng.normal(0, 0.3, (400, 4))
    assert nothing_told(probe_lags(blocks(calm, rpm=np.full(400, 3000.0)), (1, 2, 3, 4)))


def test_the_start_of_the_engine_is_no_transient_that_tells() -> None:
    """Every port warms at its own pace then."""
    rpm = course((30, 0, 0), (100, 1000, 1000))
    warm = 20 + 500 * (1 - np.exp(-np.maximum(np.arange(260) * 0.5 - 30, 0) / 3.0))
    assert nothing_told(probe_lags(blocks(np.repeat(warm[:, None], 4, axis=1), rpm=rpm), (1, 2, 3, 4)))


def test_a_slow_instrument_and_a_lone_cylinder_tell_nothing() -> None:
    slow = blocks(
        np.repeat(course((60, 600, 600), (60, 700, 700), step_s=3.0)[:, None], 4, axis=1), length_s=3.0
    )
    assert nothing_told(probe_lags(slow, (1, 2, 3, 4)))
    one: Blocks = make_blocks(session())
    assert nothing_told(probe_lags(one, (2,)))
    assert probe_lags(one, ()).time_constant_s.shape == (0,)
    for n in (0, 1, 5):
        assert nothing_told(probe_lags(blocks(np.full((n, 4), 700.0), rpm=np.full(n, 3000.0)), (1, 2, 3, 4)))


def test_exhaust_flow_is_speed_times_load_or_one() -> None:
    rpm, load = np.array([1000.0, 2000.0, np.nan, 2000.0]), np.array([50.0, 50.0, 50.0, 100.0])
    egt = np.full((4, 2), 600.0)
    np.testing.assert_allclose(
        exhaust_flow(blocks(egt, rpm=rpm, load=load)), [5e4, 1e5, 1.5e5, 2e5], rtol=1e-12, atol=0
    )
    assert exhaust_flow(blocks(egt, rpm=rpm)).tolist() == [1.0] * 4
    assert exhaust_flow(blocks(egt, rpm=rpm, load=np.full(4, np.nan))).tolist() == [1.0] * 4
