"""The cold soak: found where there is one, right within its own uncertainty, refused where nothing is cold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from builders import setup_text
from unseen_engines import Fault, make_engine, run

from analysis.soak import soak_offsets
from daq.physical import PhysicalTable, Status
from daq.setupfile import parse_setup

FloatArray = npt.NDArray[np.float64]
SETUP = parse_setup(setup_text())


def table(
    egt_C: FloatArray, rpm: FloatArray | None, time_s: FloatArray, cold_junction_C: float = 21.0
) -> PhysicalTable:
    return PhysicalTable(
        name="soak",
        setup=SETUP,
        time_s=time_s,
        cylinders=SETUP.cylinders,
        egt_C=egt_C,
        egt_status=np.where(np.isnan(egt_C), Status.OPEN_CIRCUIT, Status.GOOD).astype(np.uint8),
        cold_junction_C=np.full_like(egt_C, cold_junction_C),
        lambda_by_bank={},
        rpm=rpm,
    )


TIME_S = np.arange(0.0, 60.0, 0.05)
OFFSETS_C = np.array([1.5, -1.0, 0.0, 0.4, -0.4, 0.8, -0.8, 0.0])


def soaking(seed: int = 0, noise_C: float = 0.3, time_s: FloatArray = TIME_S) -> FloatArray:
    rng = np.random.default_rng(seed)
    return 20.0 + OFFSETS_C + rng.normal(0.0, noise_C, (time_s.size, 8))


def test_offsets_are_right_within_their_uncertainty() -> None:
    """Over many sessions about 95 % of the intervals hold the truth (they are a little wide: ±0.1 °C is assumed)."""
    inside = []
    for seed in range(40):
        found = soak_offsets(table(soaking(seed), np.zeros(TIME_S.size), TIME_S))
        assert found is not None
        truth = OFFSETS_C - np.median(OFFSETS_C)
        inside.append(np.abs(found.offset_C - truth) <= 1.96 * found.u_C)
        assert np.all(found.u_C < 0.2)
    assert np.mean(inside) > 0.93


def test_the_stretch_ends_where_the_engine_turns() -> None:
    rpm = np.where(TIME_S < 40.0, 0.0, 900.0)
    egt_C = soaking() + np.where(TIME_S > 40.0, 8.0 * (TIME_S - 40.0), 0.0)[:, np.newaxis]
    found = soak_offsets(table(egt_C, rpm, TIME_S))
    assert found is not None
    assert found.start_s <= 2.0 and 37.0 <= found.end_s <= 40.0
    assert found.engine_C == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize("rpm", [None, np.full(TIME_S.size, np.nan)])
def test_without_rpm_the_temperatures_decide(rpm: FloatArray | None) -> None:
    egt_C = soaking() + np.where(TIME_S > 40.0, 8.0 * (TIME_S - 40.0), 0.0)[:, np.newaxis]
    found = soak_offsets(table(egt_C, rpm, TIME_S))
    assert found is not None and found.end_s < 45.0
    np.testing.assert_allclose(found.offset_C, OFFSETS_C - np.median(OFFSETS_C), rtol=0, atol=0.3)


def test_a_hot_engine_a_cooling_one_and_a_short_rest_are_no_soak() -> None:
    still = np.zeros(TIME_S.size)
    assert soak_offsets(table(soaking() + 60.0, still, TIME_S)) is None
    cooling = soaking() + (5.0 - 3.0 * TIME_S / 60.0)[:, np.newaxis]
    assert soak_offsets(table(cooling, still, TIME_S)) is None
    assert soak_offsets(table(soaking(), np.full(TIME_S.size, 900.0), TIME_S)) is None
    short_s = np.arange(0.0, 9.0, 0.05)
    assert soak_offsets(table(soaking(time_s=short_s), np.zeros(short_s.size), short_s)) is None
    assert soak_offsets(table(np.empty((0, 8)), np.empty(0), np.empty(0))) is None


def test_an_engine_that_is_still_warm_makes_the_offsets_uncertain() -> None:
    cold = soak_offsets(table(soaking(), np.zeros(TIME_S.size), TIME_S, cold_junction_C=20.0))
    warm = soak_offsets(table(soaking() + 9.0, np.zeros(TIME_S.size), TIME_S, cold_junction_C=20.0))
    assert cold is not None and warm is not None
    assert np.all(warm.u_C > 3 * cold.u_C)


def test_broken_and_missing_probes_are_not_offset() -> None:
    egt_C = soaking()
    egt_C[:, 2] = np.nan
    egt_C[:, 5] += 40.0
    found = soak_offsets(table(egt_C, np.zeros(TIME_S.size), TIME_S))
    assert found is not None
    assert np.flatnonzero(np.isnan(found.offset_C)).tolist() == [2, 5]
    assert np.isinf(found.u_C[[2, 5]]).all()


def test_a_port_that_somebody_warms_is_not_taken_for_an_offset() -> None:
    egt_C = soaking()
    egt_C[:, 3] += np.clip(TIME_S - 35.0, 0.0, 10.0)
    found = soak_offsets(table(egt_C, np.zeros(TIME_S.size), TIME_S))
    assert found is not None and found.end_s < 36.0
    np.testing.assert_allclose(found.offset_C, OFFSETS_C - np.median(OFFSETS_C), rtol=0, atol=0.3)


def test_instruments_that_convert_by_themselves_have_no_cold_junction() -> None:
    found = soak_offsets(table(soaking(), np.zeros(TIME_S.size), TIME_S, cold_junction_C=np.nan))
    assert found is not None
    np.testing.assert_allclose(found.offset_C, OFFSETS_C - np.median(OFFSETS_C), rtol=0, atol=0.3)


@pytest.mark.parametrize("seed", range(6))
def test_on_engines_it_has_not_seen(seed: int) -> None:
    """The rig's soak lasts 40 s; a swapped pair or a dead probe must not move the others' offsets."""
    sound, _ = run(make_engine("kinked", seed), "standard")
    found = soak_offsets(sound)
    assert found is not None
    assert found.start_s < 3.0 and 34.0 < found.end_s < 41.0
    harmed, _ = run(make_engine("kinked", seed, faults=(Fault("open", 3),)), "standard")
    other = soak_offsets(harmed)
    assert other is not None and np.isnan(other.offset_C[sound.cylinders.index(3)])
    rest = np.isfinite(other.offset_C)
    assert np.ptp((found.offset_C - other.offset_C)[rest]) < 0.2
