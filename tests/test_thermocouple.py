"""Type K by ITS-90 against NIST SRD 60, an independent package and what must hold by construction."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from thermocouple_its90 import TypeK  # independent, pure Python, refines its inverse by Newton's method

from daq.thermocouple import (
    HIGHEST_C,
    LOWEST_C,
    amplifier_C,
    count_out_of_range,
    emf_mV,
    hot_junction_C,
    seebeck_uV_per_K,
    temperature_C,
)

FloatArray = npt.NDArray[np.float64]

# NIST SRD 60, type K, the table printed to 0.001 mV (tests/reference/README.md)
TABLE = Path(__file__).parent / "reference" / "type_k_its90_table.csv"
HALF_DIGIT_mV = 0.0005

# NIST SRD 60: cold-junction examples computed from its reference function; the first is printed in the
# documentation of thermocouples_reference (49.907928 °C), the third and fourth are differences of its table
# (33.275 at 800 °C).
COLD_JUNCTION_ROWS = [
    (23.0, 1.100, 49.908),
    (25.0, 30.000, 744.862),
    (20.0, 32.477, 799.994),
    (40.0, 31.663, 799.986),
    (60.0, 28.000, 731.302),
    (80.0, 35.000, 923.585),
    (-10.0, 35.000, 832.634),
]

# Exact derivative of the NIST SRD 60 reference function [µV/K].
SEEBECK_ROWS = [
    (-200.0, 15.259), (-100.0, 30.494), (0.0, 39.450), (25.0, 40.518), (50.0, 41.246), (100.0, 41.369),
    (200.0, 39.965), (300.0, 41.446), (400.0, 42.241), (500.0, 42.628), (600.0, 42.505), (700.0, 41.898),
    (800.0, 41.000), (900.0, 40.005), (1000.0, 38.981), (1100.0, 37.852), (1200.0, 36.494), (1300.0, 34.932),
    (1372.0, 33.885),
]  # fmt: skip


@pytest.fixture(scope="module")
def table() -> tuple[FloatArray, FloatArray]:
    with TABLE.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return np.array([float(r["t_C"]) for r in rows]), np.array([float(r["emf_mV"]) for r in rows])


def test_every_printed_emf_is_met(table: tuple[FloatArray, FloatArray]) -> None:
    t_C, printed_mV = table
    assert t_C.size == 1643
    np.testing.assert_allclose(emf_mV(t_C), printed_mV, rtol=0, atol=HALF_DIGIT_mV + 1e-9)


def test_every_printed_emf_gives_its_temperature_back(table: tuple[FloatArray, FloatArray]) -> None:
    """The printed value is rounded: half its last digit is 0.012 °C at 1000 °C, 0.033 °C at −200 °C and more
    below, where the sensitivity falls. There the emf of what comes back must still be the printed one."""
    t_C, printed_mV = table
    back_C = temperature_C(printed_mV)
    warm = t_C >= -200
    np.testing.assert_allclose(back_C[warm], t_C[warm], rtol=0, atol=0.05)
    assert back_C[0] == LOWEST_C  # −6.458 is printed for −6.4577
    emf_of_back = [TypeK.emf(t) for t in back_C[1:]]
    np.testing.assert_allclose(emf_of_back, printed_mV[1:], rtol=0, atol=5e-6)


def test_an_independent_package_agrees_forward_and_back() -> None:
    t_C = np.linspace(-270, 1372, 2001)
    np.testing.assert_allclose(emf_mV(t_C), [TypeK.emf(t) for t in t_C], rtol=0, atol=1e-9)
    emf = emf_mV(t_C[t_C >= -200])
    np.testing.assert_allclose(temperature_C(emf), [TypeK.temperature(e) for e in emf], rtol=0, atol=0.001)


def test_the_inverse_is_exact_against_the_forward_function() -> None:
    t_C = np.linspace(-200, 1372, 1_000_003)
    np.testing.assert_allclose(temperature_C(emf_mV(t_C)), t_C, rtol=0, atol=0.0005)
    cold_C = np.linspace(-270, -200, 50_001)
    np.testing.assert_allclose(temperature_C(emf_mV(cold_C)), cold_C, rtol=0, atol=0.001)


def test_there_is_no_step_where_the_printed_inverse_has_one() -> None:
    """The printed inverse polynomials step by 0.033 °C at 20.644 mV and join others at 0 mV and −5.891 mV."""
    for joint_mV in (20.644, 0.0, emf_mV(-200.0)):
        around = temperature_C(joint_mV + np.linspace(-1e-4, 1e-4, 201))
        assert np.all(np.diff(around) > 0)
        assert np.max(np.diff(around)) < 1e-6 * 1000 / seebeck_uV_per_K(float(around[0])) * 1.5


@pytest.mark.parametrize(("cold_C", "voltage_mV", "hot_C"), COLD_JUNCTION_ROWS)
def test_the_cold_junction_adds_its_emf(cold_C: float, voltage_mV: float, hot_C: float) -> None:
    assert hot_junction_C(voltage_mV, cold_C) == pytest.approx(hot_C, rel=0, abs=0.00075)
    assert hot_junction_C(voltage_mV, cold_C) != pytest.approx(
        temperature_C(voltage_mV) + cold_C, rel=0, abs=0.1
    )


def test_without_voltage_the_hot_junction_is_as_warm_as_the_cold_one() -> None:
    cold_C = np.linspace(-40, 125, 331)
    np.testing.assert_allclose(hot_junction_C(np.zeros(331), cold_C), cold_C, rtol=0, atol=0.0005)


@given(st.floats(-190, 1372), st.floats(-40, 125))
def test_whatever_the_cold_junction_the_hot_one_comes_back(hot_C: float, cold_C: float) -> None:
    voltage_mV = emf_mV(hot_C) - emf_mV(cold_C)
    assert hot_junction_C(voltage_mV, cold_C) == pytest.approx(hot_C, rel=0, abs=0.001)


@pytest.mark.parametrize(("t_C", "expected"), SEEBECK_ROWS)
def test_sensitivity(t_C: float, expected: float) -> None:
    assert seebeck_uV_per_K(t_C) == pytest.approx(expected, rel=0, abs=0.0005)


def test_sensitivity_has_its_three_extrema_above_0C() -> None:
    """41.546 at 77.9 °C, 39.908 at 185.6 °C, 42.649 at 527.3 °C: derivative of the NIST SRD 60 function;
    thermocouples_reference's documentation states 42.00 µV/K at 687 °C."""
    t_C = np.arange(1.0, 1372.0, 0.01)
    s = seebeck_uV_per_K(t_C)
    turning = t_C[1:-1][np.diff(np.sign(np.diff(s))) != 0]
    np.testing.assert_allclose(turning, [77.9, 185.6, 527.3], rtol=0, atol=0.06)
    np.testing.assert_allclose(seebeck_uV_per_K(turning), [41.546, 39.908, 42.649], rtol=0, atol=0.0006)
    assert seebeck_uV_per_K(687.0) == pytest.approx(42.00, rel=0, abs=0.005)


def test_sensitivity_is_the_slope_of_the_emf() -> None:
    t_C = np.linspace(-269, 1371, 500)
    slope = (emf_mV(t_C + 0.005) - emf_mV(t_C - 0.005)) / 0.01 * 1000
    np.testing.assert_allclose(seebeck_uV_per_K(t_C), slope, rtol=0, atol=2e-4)


@pytest.mark.parametrize(
    "convert", [emf_mV, seebeck_uV_per_K, temperature_C, lambda x: hot_junction_C(x, 25.0)]
)
def test_scalars_stay_scalars_and_arrays_keep_their_shape(convert: object) -> None:
    assert callable(convert)
    assert isinstance(convert(20.0), float)
    values = np.linspace(-5, 50, 40_000).reshape(4, 100, 100)
    before = values.copy()
    result = convert(values)
    assert result.shape == values.shape
    assert np.array_equal(values, before)
    assert [result[i, 7, 99 - i] for i in range(4)] == [
        convert(float(values[i, 7, 99 - i])) for i in range(4)
    ]
    assert np.array_equal(convert(values.T), result.T)
    assert np.array_equal(convert(values[::2, ::3]), result[::2, ::3])
    assert convert(np.zeros((0, 8))).shape == (0, 8)
    assert convert(np.array([[20]])).shape == (1, 1)


def test_one_cold_junction_serves_all_columns() -> None:
    voltage_mV = np.array([[30.0, 31.0, 32.0], [28.0, 29.0, 30.0]])
    cold_C = np.array([25.0, 40.0])
    result = hot_junction_C(voltage_mV, cold_C[:, None])
    expected = [[hot_junction_C(v, c) for v in row] for row, c in zip(voltage_mV, cold_C, strict=True)]
    assert result.tolist() == expected


def test_no_reading_in_no_reading_out() -> None:
    for convert in (emf_mV, seebeck_uV_per_K, temperature_C):
        assert math.isnan(convert(math.nan))
        assert np.isnan(convert(np.array([20.0, np.nan, 20.0]))).tolist() == [False, True, False]
    assert math.isnan(hot_junction_C(math.nan, 25.0))
    assert math.isnan(hot_junction_C(30.0, math.nan))
    assert math.isnan(amplifier_C(math.nan, 5.0))


def test_the_ends_belong_to_the_range_and_nothing_beyond_is_extrapolated() -> None:
    for end_C in (LOWEST_C, HIGHEST_C):
        assert temperature_C(emf_mV(end_C)) == pytest.approx(end_C, rel=0, abs=1e-9)
        assert not math.isnan(emf_mV(temperature_C(emf_mV(end_C))))
        assert hot_junction_C(0.0, end_C) == pytest.approx(end_C, rel=0, abs=1e-6)
    assert np.all(np.isnan(emf_mV(np.array([-270.001, 1372.001, -1e300, 1e300, np.inf, -np.inf]))))
    assert np.all(np.isnan(seebeck_uV_per_K(np.array([-270.001, 1372.001, np.inf]))))
    assert temperature_C(np.array([-6.4582, -6.458, 54.8867])).tolist() == [LOWEST_C, LOWEST_C, HIGHEST_C]
    outside_mV = np.array([-6.4584, 54.8869, -1e300, 1e300, np.inf, -np.inf])
    assert np.all(np.isnan(temperature_C(outside_mV)))
    assert math.isnan(hot_junction_C(54.0, 25.0))
    assert math.isnan(hot_junction_C(30.0, 1372.5))


def test_readings_without_a_temperature_are_counted() -> None:
    voltage_mV = np.array([[30.0, np.nan, 60.0], [-8.0, 54.0, np.inf]])
    assert count_out_of_range(voltage_mV, hot_junction_C(voltage_mV, 25.0)) == 4
    assert count_out_of_range(30.0, hot_junction_C(30.0, 25.0)) == 0


def test_an_amplifier_is_a_straight_line() -> None:
    """5 mV/°C above 1.25 V at 0 °C: 5.25 V at 800 °C."""
    assert amplifier_C(5.25, 5.0, 1.25) == pytest.approx(800.0, rel=0, abs=1e-9)
    assert amplifier_C(1.25, 5.0, 1.25) == 0.0
    assert amplifier_C(np.array([0.0, 4.0]), 10.0).tolist() == [0.0, 400.0]
    assert math.isnan(amplifier_C(8.2, 5.0, 1.25))  # 1390 °C: no type K works there
