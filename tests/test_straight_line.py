"""Converters that take a type K thermocouple for a straight line: their line undone, from the setup to °C.

The expected temperatures are ITS-90 values: NIST's table, or E⁻¹(V + E(t_cj)) computed beside it
(references, section 2). What the chip shows follows from first principles: (V + k·t_cj)/s.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_physical import TWO_PROBES, physical, table

from daq.errors import SetupError
from daq.physical import Status
from daq.setupfile import parse_setup
from daq.thermocouple import emf_mV, straight_line_C

S = 41.276  # µV/°C, E(1000 °C)/1000 by NIST's table: a sensitivity that such converters are printed with


# terminals °C, mV, true °C, and what a straight line of 41.276 µV/°C shows: references, section 2
@pytest.mark.parametrize(
    ("cold_C", "t_C", "shown_C"),
    [
        (23.0, 49.908, 49.65),
        (25.0, 744.862, 751.81),
        (20.0, 799.994, 806.83),
        (40.0, 799.986, 807.10),
        (60.0, 731.302, 738.36),
        (80.0, 923.585, 927.95),
        (-10.0, 832.634, 837.95),
    ],
)
def test_the_published_straight_line_is_undone(cold_C: float, t_C: float, shown_C: float) -> None:
    # shown with two decimals: half a digit is 0.005 °C, and the slope of the correction is near 1
    assert straight_line_C(shown_C, S, cold_C) == pytest.approx(t_C, rel=0, abs=0.007)


def test_an_amplifier_whose_cold_junction_has_a_line_of_its_own() -> None:
    """Gain 122.4 with 40.8 µV/°C for the cold junction: 33.275 mV (800 °C, NIST) less 1.000 mV (25 °C, NIST)."""
    volts = 122.4e-3 * (33.275 - 1.000 + 0.0408 * 25.0)
    mV_per_C = 5.0
    sensitivity_uV_per_C = 1000.0 * mV_per_C / 122.4
    shown_C = 1000.0 * volts / mV_per_C
    found_C = straight_line_C(shown_C, sensitivity_uV_per_C, 25.0, 40.8)
    assert found_C == pytest.approx(800.0, rel=0, abs=0.025)  # half a printed digit of each voltage
    assert abs(shown_C - 800.0) > 10.0  # so the line by itself is no answer


@given(
    st.floats(-50.0, 1300.0),
    st.floats(-20.0, 80.0),
    st.floats(36.0, 44.0),
    st.one_of(st.none(), st.floats(38.0, 43.0)),
)
def test_whatever_the_line_it_is_undone(t_C: float, cold_C: float, s: float, k: float | None) -> None:
    shown_C = (1000.0 * (emf_mV(t_C) - emf_mV(cold_C)) + (s if k is None else k) * cold_C) / s
    assert straight_line_C(shown_C, s, cold_C, k) == pytest.approx(t_C, rel=0, abs=0.001)


def test_what_is_not_known_or_impossible_is_no_temperature() -> None:
    assert math.isnan(straight_line_C(math.nan, S, 25.0))
    assert math.isnan(straight_line_C(700.0, S, math.nan))
    assert np.isnan(straight_line_C(np.array([700.0, 1400.0]), S, np.array([25.0, 25.0]))).tolist() == [
        False,
        True,
    ]


def setup_with(column: str, amplifier: str, cold_junction: str = "") -> str:
    junction = f'cold_junction = "{cold_junction}"\n' if cold_junction else ""
    return (
        f'{TWO_PROBES}[[probe]]\ncylinder = 1\ncolumn = "{column}"\n{junction}amplifier = {{{amplifier}}}\n'
        '[[probe]]\ncylinder = 2\ncolumn = "egt2_C"\n'
    )


def test_a_converter_in_degrees_with_its_own_terminals() -> None:
    setup = setup_with("egt1_C", f"sensitivity_uV_per_C = {S}", "chip_C")
    found = physical(setup, table("main", [0, 1], egt1_C=[751.81, 807.10], chip_C=[25.0, 40.0], egt2_C=700.0))
    np.testing.assert_allclose(found.egt_C[:, 0], [744.862, 799.986], rtol=0, atol=0.007)
    assert found.cold_junction_C[:, 0].tolist() == [25.0, 40.0]
    assert (found.egt_status == Status.GOOD).all()


def test_an_amplifier_in_volts_whose_terminals_are_not_measured() -> None:
    """25 °C is assumed: between 10 and 45 °C that costs less than 0.4 °C."""
    setup = setup_with("egt1_V", f"mV_per_C = 5.0, volts_at_0C = 1.25, sensitivity_uV_per_C = {S}")
    for cold_C in (10.0, 25.0, 45.0):
        shown_C = 1000.0 * (33.275 - float(emf_mV(cold_C))) / S + cold_C
        found = physical(setup, table("main", [0, 1], egt1_V=1.25 + 0.005 * shown_C, egt2_C=700.0))
        np.testing.assert_allclose(found.egt_C[:, 0], 799.99, rtol=0, atol=0.4)
        assert np.isnan(found.cold_junction_C[:, 0]).all()


def test_a_chip_that_does_not_say_how_warm_it_is_gives_no_reading() -> None:
    setup = setup_with("egt1_C", f"sensitivity_uV_per_C = {S}", "chip_C")
    found = physical(setup, table("main", [0, 1], egt1_C=751.81, chip_C=[np.nan, 25.0], egt2_C=700.0))
    assert found.egt_status[:, 0].tolist() == [Status.NO_READING, Status.GOOD]


@pytest.mark.parametrize(
    ("column", "amplifier", "said"),
    [
        ("egt1_V", "sensitivity_uV_per_C = 41.276", "'egt1_V' is in volts; the amplifier needs mV_per_C"),
        ("egt1_C", "mV_per_C = 5.0", "'egt1_C' is in °C already; leave mV_per_C and volts_at_0C out"),
        ("egt1_C", "volts_at_0C = 0.5", "'egt1_C' is in °C already; leave mV_per_C"),
        ("egt1_C", "", "the converter's straight line needs sensitivity_uV_per_C"),
        ("egt1_V", "mV_per_C = 5, cold_junction_uV_per_C = 40", "goes with sensitivity_uV_per_C"),
        ("egt1_C", "sensitivity_uV_per_C = 0", "expected a number > 0"),
    ],
)
def test_a_mistake_is_named(column: str, amplifier: str, said: str) -> None:
    with pytest.raises(SetupError) as error:
        parse_setup(setup_with(column, amplifier))
    assert said in str(error.value)


@pytest.mark.parametrize("shape", [float, lambda x: np.full((3, 2), x)])
def test_scalars_and_arrays_keep_their_shape(shape: Callable[[float], float]) -> None:
    given_C = shape(751.81)
    assert np.shape(straight_line_C(given_C, S, 25.0)) == np.shape(given_C)
