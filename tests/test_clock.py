"""Sample times from arrivals: against simulated truth, whatever the transport and the counter do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from benchmark_clock import as_table, errors_ms, simulated_arrivals
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import earliest_delay_s, sample_times
from daq.epochs import split_epochs
from daq.session import InstrumentTable

FloatArray = npt.NDArray[np.float64]


def errors(
    true_s: FloatArray, counter: FloatArray, arrival_s: FloatArray, name: str = "time_ms"
) -> FloatArray:
    """(n_kept,) error [s] of the sample times."""
    fitted = sample_times(InstrumentTable("main", (name,), arrival_s, counter[np.newaxis, :]))
    assert np.all(np.diff(fitted.time_s) > 0)
    return fitted.time_s - true_s[fitted.kept]


@pytest.mark.parametrize("drift_ppm", [-50.0, 50.0])
@pytest.mark.parametrize(("duration_s", "target_ms"), [(60.0, 2.0), (600.0, 1.0)])
def test_the_target_is_met_on_usb_timing_and_least_squares_is_not(
    duration_s: float, target_ms: float, drift_ppm: float
) -> None:
    for seed in range(3):
        found = errors_ms(duration_s, drift_ppm, seed)
        assert np.max(np.abs(found["earliest arrivals"])) < target_ms
        assert np.median(np.abs(found["least squares"])) > 4.0


@settings(max_examples=25, deadline=None)
@given(
    drift_ppm=st.floats(-3000, 3000),
    duration_s=st.floats(5, 900),
    rate_Hz=st.sampled_from([5.0, 20.0, 50.0, 100.0]),
    seed=st.integers(0, 1000),
)
def test_drift_of_either_sign_and_any_length(
    drift_ppm: float, duration_s: float, rate_Hz: float, seed: int
) -> None:
    stamps = simulated_arrivals(duration_s, drift_ppm, seed, rate_Hz)
    found = errors(*stamps)
    allowed_s = 0.001 + 0.016 * min(1.0, 20.0 / (rate_Hz * duration_s / 10.0))  # few samples: few fast ones
    assert np.quantile(np.abs(found), 0.95) < allowed_s + 0.003 * (duration_s < 20)


def test_an_exact_transport_gives_exact_times() -> None:
    true_s = 0.02 * np.arange(50_000)
    found = errors(true_s, np.rint(1e6 * true_s), true_s, "time_us")
    np.testing.assert_allclose(found, 0.5e-6, rtol=0, atol=0.6e-6)  # half a tick, in whole µs


def test_a_constant_delay_stays_since_it_cannot_be_seen() -> None:
    true_s, counter, arrival_s = simulated_arrivals(120.0, 20.0, 1)
    late = errors(true_s, counter, arrival_s + 0.005) - errors(true_s, counter, arrival_s)
    np.testing.assert_allclose(late, 0.005, rtol=0, atol=1.1e-6)


def test_a_clock_that_wanders_with_temperature_is_followed() -> None:
    rng = np.random.default_rng(3)
    true_s = np.arange(0.0, 3600.0, 0.02)
    drift = 5e-6 * np.sin(2 * np.pi * true_s / 900.0)
    device_s = true_s + np.cumsum(drift) * 0.02
    found = errors(true_s, np.floor(1e6 * device_s), true_s + rng.uniform(0, 0.016, true_s.size), "time_us")
    assert np.quantile(np.abs(found), 0.95) < 0.001


@pytest.mark.parametrize(
    ("name", "tick_s", "range_s"), [("time_ms", 1e-3, 2**32 / 1e3), ("time_us", 1e-6, 2**32 / 1e6)]
)
def test_a_wrap_is_no_event(name: str, tick_s: float, range_s: float) -> None:
    true_s, _, arrival_s = simulated_arrivals(300.0, 0.0, 5)
    counter = np.mod(np.floor((range_s - 100.0 + true_s) / tick_s), 2.0**32)
    assert np.any(np.diff(counter) < 0)
    fitted = sample_times(InstrumentTable("main", (name,), arrival_s, counter[np.newaxis, :]))
    assert fitted.epochs == 1
    assert np.max(np.abs(errors(true_s, counter, arrival_s, name))) < 0.002


def test_a_long_gap_over_several_wraps_of_microseconds() -> None:
    true_s = np.concatenate([np.arange(0.0, 100.0, 0.02), np.arange(20_000.0, 20_100.0, 0.02)])
    counter = np.mod(np.floor(true_s * (1 + 40e-6) * 1e6), 2.0**32)
    arrival_s = true_s + np.random.default_rng(0).uniform(0, 0.016, true_s.size)
    assert np.max(np.abs(errors(true_s, counter, arrival_s, "time_us"))) < 0.002


@pytest.mark.parametrize(
    ("up_before_s", "away_s", "starts_at_s"),
    [(60.0, 0.5, 0.0), (600.0, 3.0, 0.1), (1.0, 60.0, 2.0), (3.0, 4.0, 3.5)],
)
def test_a_restart_begins_a_new_epoch(up_before_s: float, away_s: float, starts_at_s: float) -> None:
    rng = np.random.default_rng(1)
    first_s = np.arange(0.0, up_before_s, 0.02)
    second_s = up_before_s + away_s + np.arange(0.0, 120.0, 0.02)
    true_s = np.concatenate([first_s, second_s])
    device_s = np.concatenate([first_s, starts_at_s + second_s - second_s[0]])
    arrival_s = true_s + rng.uniform(0.0, 0.016, true_s.size)
    table = as_table(np.floor(1000.0 * device_s), np.maximum.accumulate(arrival_s))
    fitted = sample_times(table)
    assert fitted.epochs == 2
    assert fitted.problems == ()
    assert np.max(np.abs(fitted.time_s - true_s)) < 0.003


@pytest.mark.parametrize("stall_s", [0.7, 3.0, 30.0])
def test_a_stall_holds_samples_up_but_does_not_move_them(stall_s: float) -> None:
    true_s, counter, arrival_s = simulated_arrivals(120.0, 30.0, 2, stall_every_s=1e9)
    held = (arrival_s > 50.0) & (arrival_s < 50.0 + stall_s)
    arrival_s[held] = 50.0 + stall_s
    assert np.max(np.abs(errors(true_s, counter, arrival_s))) < 0.0015


def test_a_stall_that_overflows_the_ports_buffer_loses_samples_only() -> None:
    true_s, counter, arrival_s = simulated_arrivals(120.0, 30.0, 2, stall_every_s=1e9)
    held = (arrival_s > 50.0) & (arrival_s < 60.0)
    arrival_s[held] = 60.0
    lost = (true_s > 54.0) & (true_s < 60.0)  # 4 s of samples found room
    kept = ~lost
    assert np.max(np.abs(errors(true_s[kept], counter[kept], arrival_s[kept]))) < 0.0015


def test_wrong_stamps_are_left_out_and_harm_no_other() -> None:
    true_s, counter, arrival_s = simulated_arrivals(600.0, 50.0, 4)
    rng = np.random.default_rng(9)
    wrong = rng.choice(counter.size, counter.size // 500, replace=False)
    counter[wrong] = rng.integers(0, 2**32, wrong.size)
    fitted = sample_times(as_table(counter, arrival_s))
    assert fitted.epochs == 1
    assert set(wrong).isdisjoint(fitted.kept) and fitted.kept.size == counter.size - wrong.size
    assert np.max(np.abs(fitted.time_s - true_s[fitted.kept])) < 0.0015
    assert fitted.problems == (
        f"main: left out, with a missing or impossible time stamp: {wrong.size} samples",
    )


def test_stamps_that_are_wrong_by_little_do_not_drag_the_rest_along() -> None:
    true_s, counter, arrival_s = simulated_arrivals(600.0, 50.0, 4)
    wrong = np.arange(100, counter.size, 997)
    counter[wrong] += 64  # one bit
    fitted = sample_times(as_table(counter, arrival_s))
    right = ~np.isin(fitted.kept, wrong)
    assert np.max(np.abs(fitted.time_s - true_s[fitted.kept])[right]) < 0.0015
    assert np.count_nonzero(right) == counter.size - wrong.size


def test_samples_that_come_twice_are_taken_once() -> None:
    counter = np.array([0.0, 20.0, 40.0, 40.0, 60.0, 50.0, 80.0])
    fitted = sample_times(as_table(counter, np.arange(7) * 0.02))
    assert fitted.kept.tolist() == [0, 1, 2, 4, 6]
    assert fitted.problems == ("main: left out, not later than the one before: 2 samples",)


def test_without_a_counter_arrival_is_all_there_is() -> None:
    table = InstrumentTable("main", ("cj_C",), np.array([0.0, 0.1, 0.1, 0.2]), np.zeros((1, 4)))
    fitted = sample_times(table)
    assert fitted.time_s.tolist() == [0.0, 0.1, 0.2]
    assert fitted.kept.tolist() == [0, 1, 3]


@pytest.mark.parametrize("size", [0, 1, 2, 3])
def test_few_samples(size: int) -> None:
    table = as_table(20.0 * np.arange(size), 0.02 * np.arange(size) + 0.001)
    fitted = sample_times(table)
    np.testing.assert_allclose(fitted.time_s, 0.02 * np.arange(size) + 0.0015, rtol=0, atol=1e-9)


def test_two_counters_one_after_the_other() -> None:
    """A new firmware that counts microseconds: the columns changed within the session."""
    host_s = 0.02 * np.arange(200)
    values = np.full((2, 200), np.nan)
    values[0, :100] = 20.0 * np.arange(100)
    values[1, 100:] = 20_000.0 * np.arange(100)
    fitted = sample_times(InstrumentTable("main", ("time_ms", "time_us"), host_s, values))
    assert fitted.epochs == 2
    np.testing.assert_allclose(fitted.time_s, host_s, rtol=0, atol=0.6e-3)


@settings(max_examples=200, deadline=None)
@given(
    counter=st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=60),
    steps=st.lists(st.floats(0, 100), min_size=60, max_size=60),
)
def test_garbage_never_breaks_the_promises(counter: list[int], steps: list[float]) -> None:
    host_s = np.cumsum(steps)[: len(counter)]
    fitted = sample_times(as_table(np.array(counter, dtype=float), host_s))
    assert np.all(np.diff(fitted.time_s) > 0)
    assert np.all(np.diff(fitted.kept) > 0)
    members = [
        m for samples, _ in split_epochs(host_s, np.array(counter, dtype=float), 1e-3) for m in samples
    ]
    assert len(members) == len(set(members))


def test_the_envelope_lies_below_the_delays_and_touches_them() -> None:
    """Limiting case of the linear programme: noise without drift touches at its smallest values."""
    rng = np.random.default_rng(0)
    device_s = np.arange(0.0, 100.0, 0.02)
    delay_s = 0.003 + rng.exponential(0.004, device_s.size)
    envelope_s = earliest_delay_s(device_s, device_s + delay_s)
    assert np.all(envelope_s <= delay_s + 1e-12)
    assert np.min(delay_s - envelope_s) < 1e-9
    assert np.max(np.abs(envelope_s - 0.003)) < 0.0003
