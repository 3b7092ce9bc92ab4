"""The temperature of the terminals from the resistance of the sensor that sits there.

[1] IEC 60751:2022, industrial platinum resistance thermometers, clause 4.2.
[2] Steinhart, Hart: Calibration curves for thermistors, Deep-Sea Research 15 (1968) 497-503 (from memory).
"""

from __future__ import annotations

import numpy as np

from daq.values import FloatArray, Values, as_given

PT100_LOWEST_C = -200.0
PT100_HIGHEST_C = 850.0
# What bead and chip thermistors are made for; common practice, no published source.
THERMISTOR_LOWEST_C = -55.0
THERMISTOR_HIGHEST_C = 150.0

# R = R0·(1 + A·t + B·t² + C·(t − 100)·t³), the last term only below 0 °C [1]; coefficients as in rtd-sensor
# 0.8.0.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12

KELVIN_AT_0C = 273.15


def pt100_ohm(t_C: Values, R0_ohm: float = 100.0) -> Values:
    """Resistance [ohm] of a platinum sensor at `t_C` [1].

    t_C: °C, scalar or array of any shape. NaN in, NaN out; outside −200…850 °C NaN.

    >>> round(float(pt100_ohm(25.0)), 4)
    109.7347
    """
    t = np.asarray(t_C, dtype=np.float64)
    t = np.where((t >= PT100_LOWEST_C) & (t <= PT100_HIGHEST_C), t, np.nan)
    return as_given(R0_ohm * _pt100_ratio(t), t_C)


def pt100_C(ohm: Values, R0_ohm: float = 100.0) -> Values:
    """Temperature [°C] of a platinum sensor, the inverse of `pt100_ohm` within rounding.

    ohm: scalar or array of any shape. NaN in, NaN out; outside the resistances of −200…850 °C NaN.
    From 0 °C up the root of the quadratic equation; below, three Newton steps on [1] from that root.

    >>> round(float(pt100_C(109.7347)), 3)
    25.0
    """
    ratio = np.asarray(ohm, dtype=np.float64) / R0_ohm
    lowest, highest = (float(_pt100_ratio(np.asarray(t))) for t in (PT100_LOWEST_C, PT100_HIGHEST_C))
    rounding = 1e-12
    ratio = np.where((ratio >= lowest - rounding) & (ratio <= highest + rounding), ratio, np.nan)
    t = (-_A + np.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    for _ in range(3):
        slope = _A + 2.0 * _B * t + _C * (4.0 * t - 300.0) * t * t
        t = np.where(t < 0.0, t - (_pt100_ratio(t) - ratio) / slope, t)
    return as_given(t, ohm)


def _pt100_ratio(t: FloatArray) -> FloatArray:
    """R/R0 at `t` [°C] [1]."""
    return 1.0 + _A * t + _B * t**2 + np.where(t < 0.0, _C * (t - 100.0) * t**3, 0.0)


def thermistor_C(ohm: Values, steinhart_hart: tuple[float, float, float]) -> Values:
    """Temperature [°C] of a thermistor: 1/T = A + B·ln R + C·(ln R)³, T in K, R in ohm [2].

    ohm: scalar or array of any shape. NaN in, NaN out; NaN outside −55…150 °C, where it is open or shorted.

    >>> three_points = (2.10850817e-3, 7.97920473e-5, 6.53507631e-7)  # of 25, 10, 4 kΩ at 5, 25, 45 °C
    >>> round(float(thermistor_C(10_000.0, three_points)), 2), float(thermistor_C(5e6, three_points))
    (25.0, nan)
    """
    a, b, c = steinhart_hart
    r = np.asarray(ohm, dtype=np.float64)
    log_ohm = np.log(np.where((r > 0.0) & np.isfinite(r), r, np.nan))
    per_K = a + b * log_ohm + c * log_ohm**3
    coldest, hottest = (1.0 / (t + KELVIN_AT_0C) for t in (THERMISTOR_LOWEST_C, THERMISTOR_HIGHEST_C))
    per_K = np.where((per_K >= hottest) & (per_K <= coldest), per_K, np.nan)
    return as_given(1.0 / per_K - KELVIN_AT_0C, ohm)


def thermistor_b_C(ohm: Values, R25_ohm: float, B_K: float) -> Values:
    """Temperature [°C] of a thermistor by its B value: 1/T = 1/298.15 K + ln(R/R25)/B, T in K.

    That is the Steinhart-Hart equation with C = 0. ohm: scalar or array of any shape; NaN as in
    `thermistor_C`.

    >>> round(float(thermistor_b_C(5301.5, 10_000.0, 3950.0)), 2)
    40.0
    """
    return thermistor_C(ohm, (1.0 / (25.0 + KELVIN_AT_0C) - float(np.log(R25_ohm)) / B_K, 1.0 / B_K, 0.0))
