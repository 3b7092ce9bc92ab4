"""Lambda from volts and air-fuel ratios."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.mixture import RAIL_MARGIN, STOICHIOMETRIC_AFR, afr_from_lambda, lambda_from_afr, lambda_from_volts

VOLTS, LAMBDA = (0.5, 4.5), (0.65, 1.45)

# mass of C, H, O [g/mol], dry air [g/mol] and its share of oxygen by volume
C, H, O, AIR, OXYGEN = 12.011, 1.008, 15.999, 28.9647, 0.20946  # noqa: E741

# hydrogen and oxygen per carbon atom
COMPOSITIONS = {
    "petrol": (1.87, 0.0),
    "e5": (1.89, 0.016),
    "e10": (1.93, 0.033),
    "e85": (2.74, 0.385),
    "ethanol": (3.0, 0.5),
    "methanol": (4.0, 1.0),
    "cng": (4.0, 0.0),
    "diesel": (1.8, 0.0),
}


def combustion_afr(hydrogen: float, oxygen: float) -> float:
    """Air by mass that burns CHₓOᵧ to CO₂ and H₂O, per mass of fuel."""
    air = (1.0 + hydrogen / 4.0 - oxygen / 2.0) / OXYGEN * AIR
    return air / (C + hydrogen * H + oxygen * O)


@pytest.mark.parametrize("fuel", COMPOSITIONS)
def test_the_air_that_a_fuel_needs_follows_from_its_composition(fuel: str) -> None:
    """Within 1 %: what respectable tables differ by (petrol 14.6 computed, 14.7 in use)."""
    assert STOICHIOMETRIC_AFR[fuel] == pytest.approx(combustion_afr(*COMPOSITIONS[fuel]), rel=0.01)


def test_lpg_is_60_percent_propane_and_40_percent_butane_by_mass() -> None:
    blend = 0.6 * combustion_afr(8 / 3, 0.0) + 0.4 * combustion_afr(10 / 4, 0.0)
    assert STOICHIOMETRIC_AFR["lpg"] == pytest.approx(blend, rel=0.002)
    assert set(STOICHIOMETRIC_AFR) == {*COMPOSITIONS, "lpg"}


@given(st.floats(0.3, 5.0), st.sampled_from(sorted(STOICHIOMETRIC_AFR)))
def test_ratio_and_lambda_are_each_others_inverse(lambda_: float, fuel: str) -> None:
    assert lambda_from_afr(afr_from_lambda(lambda_, fuel), fuel) == pytest.approx(lambda_, rel=1e-12)


def test_stoichiometric_is_lambda_1() -> None:
    assert lambda_from_afr(14.7, "petrol") == 1.0
    assert afr_from_lambda(np.array([1.0, 0.5]), "ethanol").tolist() == [9.0, 4.5]
    with pytest.raises(KeyError):
        lambda_from_afr(14.7, "coal")


def test_straight_between_the_points_of_the_table() -> None:
    assert lambda_from_volts(0.5, VOLTS, LAMBDA) == 0.65
    assert lambda_from_volts(2.5, VOLTS, LAMBDA) == pytest.approx(1.05, rel=1e-12)
    assert lambda_from_volts(4.5, VOLTS, LAMBDA) == 1.45
    assert lambda_from_volts(0.75, (0.0, 1.0, 5.0), (1.3, 1.1, 0.7)) == pytest.approx(1.15, rel=1e-12)
    assert lambda_from_volts(3.0, (0.0, 1.0, 5.0), (1.3, 1.1, 0.7)) == pytest.approx(0.9, rel=1e-12)


def test_a_little_beyond_an_end_is_the_end_and_further_out_is_no_reading() -> None:
    margin = RAIL_MARGIN * 4.0
    for near in (0.5 - 0.99 * margin, 0.499):
        assert lambda_from_volts(near, VOLTS, LAMBDA) == 0.65
    assert lambda_from_volts(4.5 + 0.99 * margin, VOLTS, LAMBDA) == 1.45
    far = np.array([0.0, 0.5 - 1.01 * margin, 4.5 + 1.01 * margin, 5.0, -np.inf, np.inf])
    assert np.all(np.isnan(lambda_from_volts(far, VOLTS, LAMBDA)))


def test_vector_is_scalar_and_no_reading_in_is_no_reading_out() -> None:
    volts = np.array([[0.1, 0.5, 1.3], [np.nan, 4.2, 4.55]])
    result = lambda_from_volts(volts, VOLTS, LAMBDA)
    assert result.shape == volts.shape
    for index in np.ndindex(volts.shape):
        np.testing.assert_equal(result[index], lambda_from_volts(float(volts[index]), VOLTS, LAMBDA))
    assert math.isnan(lambda_from_volts(math.nan, VOLTS, LAMBDA))
    assert isinstance(lambda_from_volts(1.0, VOLTS, LAMBDA), float)


@pytest.mark.parametrize(
    ("volts", "lambda_"), [((1.0,), (1.0,)), ((0.0, 1.0), (1.0,)), ((1.0, 0.0), (1.0, 2.0)), ((0, 0), (1, 2))]
)
def test_a_table_that_cannot_be_read_is_an_error(
    volts: tuple[float, ...], lambda_: tuple[float, ...]
) -> None:
    with pytest.raises(ValueError, match="increasing"):
        lambda_from_volts(0.5, volts, lambda_)
