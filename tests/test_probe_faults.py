"""Probes that cannot be believed, each broken by hand in an engine that starts, runs and is otherwise healthy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from plain_sessions import blocks, table
from test_uncertainty import ar1

from analysis.lag import Lags
from analysis.probe_faults import (
    UNKNOWN_DRIFT,
    DriftRate,
    drift_rates,
    drifting,
    loose_probes,
    median_of_ports,
    silent_probes,
    slow_probes,
)
from daq.physical import PhysicalTable, Status

FloatArray = np.ndarray
RATE_HZ = 10.0
TIME_S = np.arange(0, 200, 1 / RATE_HZ)
RUNNING = TIME_S >= 30
BROKEN = 3  # the cylinder that is broken
COLUMN = BROKEN - 1


def healthy(seed: int = 1) -> PhysicalTable:
    """30 s cold at 20 °C, then warming to 700 °C with a time constant of 8 s; noise and wander of real engines."""
    warm = 1 - np.exp(-np.maximum(TIME_S - 30, 0) / 8.0)
    noise = (
        0.4 * np.random.default_rng(seed).normal(size=(len(TIME_S), 4))
        + 1.2 * ar1(0.99, (4, len(TIME_S)), seed).T
    )
    egt = 20 + warm[:, None] * (680 + np.array([5.0, -8.0, 3.0, 0.0])) + noise * (0.05 + warm[:, None])
    return table(TIME_S, egt, rpm=np.where(RUNNING, 2500.0, 0.0))


def broken(
    change: Callable[[FloatArray], FloatArray], status: Status | None = None, where: FloatArray | None = None
) -> PhysicalTable:
    """The healthy engine with one column changed; where `status` is given, `where` has no value but that status."""
    session = healthy()
    session.egt_C[:, COLUMN] = change(session.egt_C[:, COLUMN])
    if status is not None:
        where = np.ones(len(TIME_S), dtype=bool) if where is None else where
        session.egt_status[where, COLUMN] = status
        session.egt_C[where, COLUMN] = np.nan
    return session


def reversed_wires(values: FloatArray) -> FloatArray:
    """A type K pair the wrong way round reads as far below the cold junction as the port is above it."""
    return 40.0 - values


def every(k: int) -> FloatArray:
    return np.arange(len(TIME_S)) % k == 0


SAME: Callable[[FloatArray], FloatArray] = np.array
SILENT = {
    "open": broken(SAME, Status.OPEN_CIRCUIT),
    "open from 100 s on": broken(SAME, Status.OPEN_CIRCUIT, TIME_S >= 100),
    "open now and then": broken(SAME, Status.OPEN_CIRCUIT, every(20)),
    "silent": broken(SAME, Status.NO_READING),
    "out of range": broken(SAME, Status.OUT_OF_RANGE, every(3)),
    "reversed": broken(
        reversed_wires, Status.OUT_OF_RANGE, reversed_wires(healthy().egt_C[:, COLUMN]) < -200
    ),
    "dead": broken(lambda values: np.full_like(values, 24.0) + 0.1 * np.sin(TIME_S)),
    "frozen": broken(lambda values: np.full_like(values, 512.3)),
}


@pytest.mark.parametrize("name", SILENT)
def test_the_broken_probe_is_named_for_what_it_is_and_no_other_is(name: str) -> None:
    found = silent_probes(SILENT[name])
    assert set(found) == {BROKEN}
    assert found[BROKEN].kind == name.split(" from")[0].split(" now")[0]
    assert f"cylinder {BROKEN}'s" in found[BROKEN].reason
    assert loose_probes(SILENT[name]) == {}


def test_an_open_probe_is_told_from_one_that_comes_and_goes() -> None:
    assert "is open" in silent_probes(SILENT["open"])[BROKEN].reason
    assert "comes and goes" in silent_probes(SILENT["open now and then"])[BROKEN].reason


def test_a_reversed_pair_of_a_record_that_begins_hot_is_reversed_too() -> None:
    hot = TIME_S > 100
    session = SILENT["reversed"]
    cut = replace(
        session,
        time_s=session.time_s[hot],
        egt_C=session.egt_C[hot],
        egt_status=session.egt_status[hot],
        rpm=None if session.rpm is None else session.rpm[hot],
    )
    assert silent_probes(cut)[BROKEN].kind == "reversed"


@pytest.mark.parametrize("seed", range(6))
def test_a_healthy_engine_s_probes_are_believed(seed: int) -> None:
    assert silent_probes(healthy(seed)) == {}
    assert loose_probes(healthy(seed)) == {}


def test_a_single_missed_reading_is_no_fault() -> None:
    where = np.arange(len(TIME_S)) == 900
    assert silent_probes(broken(SAME, Status.OPEN_CIRCUIT, where)) == {}
    assert silent_probes(broken(SAME, Status.NO_READING, every(50))) == {}


def test_an_engine_that_does_not_run_tells_nothing_of_its_probes() -> None:
    cold = replace(SILENT["open"], rpm=np.zeros(len(TIME_S)))
    assert silent_probes(cold) == {}
    assert loose_probes(cold) == {}


def test_without_speed_a_hot_port_is_a_running_engine() -> None:
    assert set(silent_probes(replace(SILENT["dead"], rpm=None))) == {BROKEN}
    assert set(silent_probes(replace(SILENT["open"], rpm=None))) == {BROKEN}


def jumping(size_C: float, share: float) -> Callable[[FloatArray], FloatArray]:
    def change(values: FloatArray) -> FloatArray:
        jumps = np.random.default_rng(5).random(len(values)) < share
        return values - size_C * jumps

    return change


def test_readings_that_jump_from_sample_to_sample_are_loose() -> None:
    found = loose_probes(broken(jumping(60.0, 0.04)))
    assert set(found) == {BROKEN}
    assert found[BROKEN].kind == "loose"
    assert "loose connection" in found[BROKEN].reason


def test_small_or_rare_jumps_and_jumps_of_all_probes_accuse_nobody() -> None:
    assert loose_probes(broken(jumping(6.0, 0.04))) == {}
    assert loose_probes(broken(jumping(60.0, 0.002))) == {}
    everywhere = healthy()
    everywhere.egt_C[:] -= 60.0 * (np.random.default_rng(6).random((len(TIME_S), 1)) < 0.04)
    assert loose_probes(everywhere) == {}


def lags(*time_constant_s: float, n_transients: int = 2) -> Lags:
    n = len(time_constant_s)
    return Lags(tuple(range(1, n + 1)), np.array(time_constant_s), np.full(n, 0.2), n_transients, 1.0)


def test_a_probe_far_slower_than_its_neighbours_is_slow() -> None:
    found = slow_probes(lags(1.8, 2.2, 16.0, 2.0))
    assert set(found) == {BROKEN}
    assert found[BROKEN].kind == "slow"
    assert "16 s" in found[BROKEN].reason
    assert "2.0 s" in found[BROKEN].reason


def test_like_probes_fast_probes_and_untold_lags_accuse_nobody() -> None:
    """References, section 10: 0.5 to 1.5 mm junctions take 0.6 to 5 s; a set of alike ones is no fault."""
    assert slow_probes(lags(0.8, 1.5, 3.0, 2.0)) == {}
    assert slow_probes(lags(14.0, 15.0, 16.0, 13.0)) == {}
    assert slow_probes(lags(0.5, 0.5, 3.0, 0.5)) == {}
    assert slow_probes(lags(1.8, 2.2, 16.0, 2.0, n_transients=0)) == {}


def test_two_rates_together_weigh_by_their_uncertainty() -> None:
    """By hand: (2 ± 1) and (4 ± 2) have weights 1 and 1/4: (2 + 1)/1.25 = 2.4, u = 1/√1.25."""
    both = DriftRate(2.0, 1.0).and_also(DriftRate(4.0, 2.0))
    assert both.C_per_min == pytest.approx(2.4)
    assert both.u_C_per_min == pytest.approx(1.25**-0.5)
    assert DriftRate(2.0, 1.0).and_also(UNKNOWN_DRIFT) == DriftRate(2.0, 1.0)
    assert UNKNOWN_DRIFT.and_also(DriftRate(2.0, 1.0)) == DriftRate(2.0, 1.0)
    assert UNKNOWN_DRIFT.and_also(UNKNOWN_DRIFT) == UNKNOWN_DRIFT


def test_a_drift_must_be_fast_and_certain() -> None:
    fault = drifting(4, DriftRate(-9.0, 1.0))
    assert fault is not None
    assert fault.kind == "drifting"
    assert "-9.0 ± 2.0 °C a minute" in fault.reason
    assert drifting(4, DriftRate(9.0, 1.0)) is not None
    assert drifting(4, DriftRate(9.0, 5.0)) is None, "fast perhaps, not certainly"
    assert drifting(4, DriftRate(0.8, 0.01)) is None, "certain, and as slow as a sound probe's"
    assert drifting(4, UNKNOWN_DRIFT) is None


HOLDS = [(60, 140), (200, 300), (400, 520), (560, 640)]


def held(drift_C_per_min: float, per_hold_C: float = 0.0, seed: int = 1) -> dict[int, DriftRate]:
    """Rates found when cylinder 3 drifts; every hold has its own conditions, which move the ports unequally."""
    minutes = (np.arange(700) + 0.5) * 0.5 / 60
    egt = 700 + np.array([5.0, -8.0, 3.0, 0.0]) + 1.3 * ar1(0.92, (4, 700), seed).T
    rng = np.random.default_rng(seed)
    for start, stop in HOLDS:
        egt[start:stop] += rng.normal(0, 60) + per_hold_C * rng.normal(size=4)
    egt[:, COLUMN] += drift_C_per_min * minutes
    return drift_rates(blocks(egt), HOLDS)


@pytest.mark.parametrize("seed", range(3))
def test_a_probe_s_drift_is_found_within_its_uncertainty_and_its_neighbours_are_not_blamed(seed: int) -> None:
    rates = held(12.0, per_hold_C=6.0, seed=seed)
    assert abs(rates[BROKEN].C_per_min - 12.0) < 2.5 * rates[BROKEN].u_C_per_min
    assert [c for c, rate in rates.items() if drifting(c, rate) is not None] == [BROKEN]


def test_constant_differences_and_common_changes_are_no_drift() -> None:
    rates = held(0.0)
    assert len(rates) == 4
    assert all(abs(rate.C_per_min) < 2.5 * rate.u_C_per_min for rate in rates.values())
    assert all(drifting(c, rate) is None for c, rate in rates.items())


def test_a_longer_record_tells_a_drift_better() -> None:
    short = drift_rates(blocks(700 + ar1(0.9, (4, 700), 2).T), HOLDS[:2])
    long = drift_rates(blocks(700 + ar1(0.9, (4, 700), 2).T), HOLDS)
    assert long[1].u_C_per_min < short[1].u_C_per_min


def test_too_little_to_tell_a_drift() -> None:
    egt = 700 + ar1(0.9, (4, 700), 2).T
    assert drift_rates(blocks(egt), []) == {}
    assert drift_rates(blocks(egt), [(0, 20)]) == {}
    assert drift_rates(blocks(egt[:, :2]), HOLDS) == {}, "of two nobody knows which"
    egt[:, 0] = np.nan
    assert 1 not in drift_rates(blocks(egt), HOLDS)


@pytest.mark.parametrize("n_ports", [1, 4, 7])
def test_the_ports_median_is_that_of_the_readings_there_are(n_ports: int) -> None:
    rng = np.random.default_rng(n_ports)
    values = rng.normal(700, 30, (300, n_ports))
    values[rng.random(values.shape) < 0.5] = np.nan
    known = np.isfinite(values).any(axis=1)
    found = median_of_ports(values)
    assert known.any() and not known.all()
    np.testing.assert_array_equal(found[known], np.nanmedian(values[known], axis=1))
    assert np.isnan(found[~known]).all()
