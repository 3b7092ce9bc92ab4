"""Platinum sensors by IEC 60751 and thermistors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.cold_junction import pt100_C, pt100_ohm, thermistor_b_C, thermistor_C

# IEC 60751 as computed by the package rtd-sensor 0.8.0 (all equal to its 4 decimals); −200 and −100 °C also
# in a table at infosys.beckhoff.com.
PT100_ROWS = [
    (-200.0, 18.5201), (-100.0, 60.2558), (-40.0, 84.2707), (0.0, 100.0), (10.0, 103.9025), (20.0, 107.7935),
    (25.0, 109.7347), (30.0, 111.6729), (40.0, 115.5408), (50.0, 119.3971), (60.0, 123.2419), (80.0,
    130.8968), (100.0, 138.5055), (200.0, 175.8560), (400.0, 247.0920), (850.0, 390.4811),
]  # fmt: skip

# 25 kΩ at 5 °C, 10 kΩ at 25 °C, 4 kΩ at 45 °C: a widely printed example (from memory), recomputed.
STEINHART_HART = (2.10850817e-3, 7.97920473e-5, 6.53507631e-7)
STEINHART_HART_ROWS = [
    (25_000.0, 5.0),
    (10_000.0, 25.0),
    (4_000.0, 45.0),
    (8_000.0, 29.8811),
    (12_000.0, 21.0117),
]

# 10 kΩ at 25 °C, B 3950 K: recomputed from 1/T = 1/298.15 + ln(R/R25)/B
B_ROWS = [
    (33_620.6, 0.0),
    (20_174.6, 10.0),
    (10_000.0, 25.0),
    (5_301.5, 40.0),
    (2_486.2, 60.0),
    (1_086.7, 85.0),
]


@pytest.mark.parametrize(("t_C", "ohm"), PT100_ROWS)
def test_pt100_table(t_C: float, ohm: float) -> None:
    assert pt100_ohm(t_C) == pytest.approx(ohm, rel=0, abs=0.00006)
    if -200 < t_C < 850:  # the printed ends are rounded outwards
        assert pt100_C(ohm) == pytest.approx(t_C, rel=0, abs=0.0003)


def test_pt100_mean_slope_and_sensitivity() -> None:
    """alpha 0.00385055 per °C from 0 to 100 °C; 0.3879 ohm/K at 25 °C."""
    assert (pt100_ohm(100.0) - pt100_ohm(0.0)) / 1e4 == pytest.approx(0.00385055, rel=0, abs=5e-9)
    assert (pt100_ohm(25.5) - pt100_ohm(24.5)) == pytest.approx(0.3879, rel=0, abs=0.00005)


def test_pt100_inverse_is_exact_on_both_branches() -> None:
    t_C = np.linspace(-200, 850, 10_501)
    np.testing.assert_allclose(pt100_C(pt100_ohm(t_C)), t_C, rtol=0, atol=1e-8)
    assert pt100_C(100.0) == pytest.approx(0.0, rel=0, abs=1e-12)


def test_a_pt1000_has_ten_times_the_resistance() -> None:
    t_C = np.linspace(-200, 850, 22)
    np.testing.assert_allclose(pt100_ohm(t_C, 1000.0), 10 * pt100_ohm(t_C), rtol=1e-14)
    np.testing.assert_allclose(pt100_C(1097.347, 1000.0), pt100_C(109.7347), rtol=1e-12)


def test_a_pt100_outside_its_range_is_no_reading() -> None:
    assert np.all(np.isnan(pt100_ohm(np.array([-200.01, 850.01, np.nan, np.inf]))))
    assert np.all(np.isnan(pt100_C(np.array([0.0, -5.0, 18.51, 390.49, 1e30, np.inf, -np.inf, np.nan]))))


@pytest.mark.parametrize(("ohm", "t_C"), STEINHART_HART_ROWS)
def test_steinhart_hart(ohm: float, t_C: float) -> None:
    assert thermistor_C(ohm, STEINHART_HART) == pytest.approx(t_C, rel=0, abs=0.0005)


@pytest.mark.parametrize(("ohm", "t_C"), B_ROWS)
def test_b_equation(ohm: float, t_C: float) -> None:
    assert thermistor_b_C(ohm, R25_ohm=10_000.0, B_K=3950.0) == pytest.approx(t_C, rel=0, abs=0.002)


def test_an_open_or_shorted_thermistor_is_no_reading() -> None:
    ohm = np.array([0.0, -1.0, 1e-300, 3.7e-6, 1.0, 1e12, np.inf, -np.inf, np.nan])
    assert np.all(np.isnan(thermistor_C(ohm, STEINHART_HART)))
    assert np.all(np.isnan(thermistor_b_C(ohm, 10_000.0, 3950.0)))


def test_vector_is_scalar() -> None:
    ohm = np.array([[25.0, 84.27, 120.0], [np.nan, 138.5, 1000.0]])
    kilohm = ohm * 100
    for result, single in (
        (pt100_C(ohm), [pt100_C(float(r)) for r in ohm.flat]),
        (pt100_ohm(ohm), [pt100_ohm(float(r)) for r in ohm.flat]),
        (thermistor_C(kilohm, STEINHART_HART), [thermistor_C(float(r), STEINHART_HART) for r in kilohm.flat]),
        (thermistor_b_C(kilohm, 1e4, 3950.0), [thermistor_b_C(float(r), 1e4, 3950.0) for r in kilohm.flat]),
    ):
        assert result.shape == ohm.shape
        np.testing.assert_allclose(result.ravel(), single, rtol=1e-14, equal_nan=True)
    assert isinstance(pt100_C(110.0), float)
    assert math.isnan(pt100_C(math.nan))
