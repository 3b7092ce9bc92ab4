"""Type K thermocouples by the ITS-90 reference function: millivolts to °C and back.

The reference function E(t) is the definition and `emf_mV` evaluates it exactly. Its inverse has no closed
form, and the printed inverse polynomials are up to 0.05 °C off and step by 0.033 °C at 20.644 mV. So where it
must be fast, either direction is a table of straight pieces, drawn from E(t) once per process and within
0.0002 °C of it.

[1] Burns, Scroger, Strouse, Croarkin, Guthrie: Temperature-Electromotive Force Reference Functions and Tables
    for the Letter-Designated Thermocouple Types Based on the ITS-90, NIST Monograph 175, 1993; the
    coefficients are those of NIST Standard Reference Database 60.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial.polynomial import polyder, polyval

from daq.values import FloatArray, Values, as_given

LOWEST_C = -270.0
HIGHEST_C = 1372.0

# E [mV] = Σ cᵢ·tⁱ below 0 °C, and Σ cᵢ·tⁱ + a₀·exp(a₁·(t − a₂)²) from 0 °C on [1].
_BELOW_0C = (
    0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08,
    -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19,
    -0.163226974860e-22,
)  # fmt: skip
_FROM_0C = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
_A0, _A1, _A2 = 0.118597600000e00, -0.118343200000e-03, 0.126968600000e03

# Below −200 °C the sensitivity falls towards zero and even pieces of emf become too coarse. No exhaust is
# that cold, so this part is looked up by search.
_SEARCHED_BELOW_C = -200.0
# E(−270 °C) is −6.4577 mV and printed as −6.458: half a printed digit beyond an end still is the end.
_HALF_DIGIT_mV = 0.0005


def emf_mV(t_C: Values) -> Values:
    """Electromotive force E(t) [mV] against a junction at 0 °C, by the reference function [1].

    t_C: °C, scalar or array of any shape. NaN in, NaN out; outside −270…1372 °C NaN.

    >>> round(float(emf_mV(800.0)), 3)
    33.275
    """
    t = _inside(t_C)
    above = polyval(t, _FROM_0C) + _A0 * np.exp(_A1 * (t - _A2) ** 2)
    return as_given(np.where(t < 0.0, polyval(t, _BELOW_0C), above), t_C)


def seebeck_uV_per_K(t_C: Values) -> Values:
    """Sensitivity dE/dt [µV/K], the exact derivative of the reference function [1].

    t_C: °C, scalar or array of any shape. NaN in, NaN out; outside −270…1372 °C NaN.

    >>> round(float(seebeck_uV_per_K(800.0)), 2)
    41.0
    """
    t = _inside(t_C)
    bump = 2.0 * _A0 * _A1 * (t - _A2) * np.exp(_A1 * (t - _A2) ** 2)
    slope = np.where(t < 0.0, polyval(t, polyder(_BELOW_0C)), polyval(t, polyder(_FROM_0C)) + bump)
    return as_given(1000.0 * slope, t_C)


def temperature_C(emf_mV: Values) -> Values:
    """Temperature [°C] whose E(t) is `emf_mV` (against 0 °C): the inverse of `emf_mV` within 0.0002 °C.

    emf_mV: mV, scalar or array of any shape. NaN in, NaN out; outside E(−270 °C)…E(1372 °C) NaN, except that
    0.0005 mV beyond an end, half a digit of the printed table, still is that end.

    >>> round(float(temperature_C(33.275)), 3)
    799.991
    """
    emf = np.asarray(emf_mV, dtype=np.float64)
    table = _temperature_of_emf()
    t = table(emf)
    np.minimum(t, HIGHEST_C, out=t)
    cold = emf < table.low
    if np.any(cold):
        t = np.where(cold, _by_search(emf), t)
    return as_given(t, emf_mV)


def hot_junction_C(voltage_mV: Values, cold_junction_C: float | Values) -> Values:
    """Temperature [°C] of the hot junction: E⁻¹(V + E(t_cj)); degrees are never added.

    voltage_mV: mV at the terminals; cold_junction_C: °C of the terminals. Scalars or arrays that broadcast.
    NaN where either is NaN, the cold junction is outside −270…1372 °C or the sum outside E's range.

    >>> round(float(hot_junction_C(1.100, 23.0)), 3)
    49.908
    """
    reference = _emf_of_temperature()(np.asarray(cold_junction_C, dtype=np.float64))
    return as_given(temperature_C(voltage_mV + reference), voltage_mV)


def amplifier_C(volts: Values, mV_per_C: float, volts_at_0C: float = 0.0) -> Values:
    """Temperature [°C] that an amplifier or converter with a straight line puts out as volts.

    t = (volts − volts_at_0C)·1000/mV_per_C; it has done its cold junction itself.
    volts: V, scalar or array of any shape. NaN in, NaN out; outside −270…1372 °C, the thermocouple's range,
    NaN.

    >>> float(amplifier_C(5.25, mV_per_C=5.0, volts_at_0C=1.25))
    800.0
    """
    t = (np.asarray(volts, dtype=np.float64) - volts_at_0C) * (1000.0 / mV_per_C)
    return as_given(_inside(t), volts)


def straight_line_C(
    reading_C: Values,
    sensitivity_uV_per_C: float,
    cold_junction_C: float | Values,
    cold_junction_uV_per_C: float | None = None,
) -> Values:
    """Temperature [°C] of the hot junction behind a converter that takes the thermocouple for a straight line.

    With s the sensitivity and k that of its cold-junction compensation (k = s if None) [µV/°C], it shows
    t' = (E(t) − E(t_cj) + k·t_cj)/s, so t = E⁻¹(s·t' − k·t_cj + E(t_cj)). From first principles: the amplifier
    sees E(t) − E(t_cj), adds its own idea of the cold junction and divides by its own idea of the slope. What is
    left of t_cj is E(t_cj) − k·t_cj: with k near 40.5, 10 °C of error in t_cj make less than 0.3 °C.

    reading_C: °C as shown; cold_junction_C: °C of the chip's terminals. Scalars or arrays that broadcast. NaN where
    either is NaN or the result is outside −270…1372 °C.

    >>> round(float(straight_line_C(751.81, 41.276, 25.0)), 1)  # 30.000 mV with the terminals at 25 °C
    744.9
    """
    cold_uV_per_C = sensitivity_uV_per_C if cold_junction_uV_per_C is None else cold_junction_uV_per_C
    cold = np.asarray(cold_junction_C, dtype=np.float64)
    shown_mV = np.asarray(reading_C, dtype=np.float64) * (sensitivity_uV_per_C / 1000.0)
    emf = shown_mV - cold * (cold_uV_per_C / 1000.0) + _emf_of_temperature()(cold)
    return as_given(temperature_C(emf), reading_C)


def count_out_of_range(readings: float | FloatArray, temperatures_C: float | FloatArray) -> int:
    """How many of `readings` (mV or V) are numbers and yet became NaN in `temperatures_C`.

    >>> readings_mV = np.array([33.275, 80.0, np.nan])
    >>> count_out_of_range(readings_mV, temperature_C(readings_mV))
    1
    """
    return int(np.count_nonzero(np.isnan(temperatures_C) & ~np.isnan(readings)))


def _inside(t_C: float | FloatArray) -> FloatArray:
    """`t_C` as an array with NaN outside the range of the reference function."""
    t = np.asarray(t_C, dtype=np.float64)
    return np.where((t >= LOWEST_C) & (t <= HIGHEST_C), t, np.nan)


@dataclass(frozen=True)
class _StraightPieces:
    """A function as straight pieces of equal width from `low` on: y = intercept + slope·x, NaN outside.

    The first and the last entry are NaN: whatever lies outside, and NaN itself, is clipped onto them.
    """

    low: float
    pieces_per_x: float
    intercept: FloatArray
    slope: FloatArray

    @classmethod
    def through(cls, x: FloatArray, y: FloatArray) -> _StraightPieces:
        """Through the points (x, y); x is evenly spaced. Both end points belong to the range."""
        slope = np.diff(y) / np.diff(x)
        intercept, nan = y[:-1] - slope * x[:-1], [np.nan]
        # a billionth of a piece less at either end, so that rounding does not push an end point outside
        pieces_per_x = (len(slope) - 2e-9) / (x[-1] - x[0])
        return cls(
            float(x[0]),
            float(pieces_per_x),
            np.concatenate([nan, intercept, nan]),
            np.concatenate([nan, slope, nan]),
        )

    def __call__(self, x: FloatArray) -> FloatArray:
        """The function at `x`, any shape. In blocks: what a block needs in between stays in the cache."""
        block, offset = 16_384, 1.0 + 1e-9 - self.low * self.pieces_per_x
        result = np.empty(x.shape)
        flat_x, flat_result = x.ravel(), result.ravel()
        with np.errstate(invalid="ignore"):  # NaN as an index becomes a number that is clipped to a NaN entry
            for start in range(0, flat_x.size, block):
                part = flat_x[start : start + block]
                piece = (part * self.pieces_per_x + offset).astype(np.intp)
                y = self.slope.take(piece, mode="clip")
                y *= part
                y += self.intercept.take(piece, mode="clip")
                flat_result[start : start + block] = y
        return result


@cache
def _reference_points() -> tuple[FloatArray, FloatArray]:
    """(°C, mV) of the reference function every 0.01 °C: straight lines between them are within 0.00001 °C."""
    t = np.linspace(LOWEST_C, HIGHEST_C, round((HIGHEST_C - LOWEST_C) * 100) + 1)
    return t, emf_mV(t)


@cache
def _temperature_of_emf() -> _StraightPieces:
    """E⁻¹ from −200 °C up, in pieces of 0.004 mV."""
    t, emf = _reference_points()
    top_mV = emf[-1] + _HALF_DIGIT_mV
    top_C = t[-1] + 1000.0 * _HALF_DIGIT_mV / seebeck_uV_per_K(HIGHEST_C)
    x = np.linspace(emf_mV(_SEARCHED_BELOW_C), top_mV, 16_384)
    return _StraightPieces.through(x, np.interp(x, np.append(emf, top_mV), np.append(t, top_C)))


@cache
def _emf_of_temperature() -> _StraightPieces:
    """E in pieces of 0.125 °C, within 0.000001 mV in the range of cold junctions."""
    t = np.linspace(LOWEST_C, HIGHEST_C, round((HIGHEST_C - LOWEST_C) * 8) + 1)
    return _StraightPieces.through(t, emf_mV(t))


def _by_search(emf: FloatArray) -> FloatArray:
    """E⁻¹ at any emf of the range, by bisection of the reference points; slow."""
    t, known = _reference_points()
    return np.where(emf < known[0] - _HALF_DIGIT_mV, np.nan, np.interp(emf, known, t))
