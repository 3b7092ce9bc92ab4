"""Sides of the peak and what is known of a slope, against the published and measured figures."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.slope import Slope, combined, prior_slope, side_by_slope, side_of, slope_from_holds


def test_sides_by_lambda_leave_out_every_published_place_of_the_peak() -> None:
    """References, section 9: ideally at lambda 1.00, in practice at air-fuel ratios 13 to 14 of petrol's 14.7."""
    for peak in (1.00, 13 / 14.7 + 0.03, 14 / 14.7):
        assert side_of(peak) == "near-peak"
    assert side_of(0.80) == side_of(0.88) == "rich"
    assert side_of(1.10) == side_of(1.20) == "lean"


@pytest.mark.parametrize("real", [3.5, 4.1, 5.4, 6.8, 7.6, 8.8])
def test_an_offset_by_the_prior_holds_the_one_by_any_published_slope(real: float) -> None:
    """References, section 9: 3.5 to 4.1 °C/% measured on the rich side, ideally 6.8 to 8.8 rich and 5.4 to 7.6 lean.

    A deviation over the prior, ± two relative standard uncertainties, must hold the deviation over the real slope.
    """
    rich, lean = prior_slope("rich"), prior_slope("lean")
    assert rich is not None
    assert lean is not None
    by_prior, really = 10.0 / rich.C_per_percent, 10.0 / real
    assert abs(really - by_prior) < 2 * by_prior * rich.u_C_per_percent / rich.C_per_percent
    assert (lean.C_per_percent, lean.u_C_per_percent) == (-rich.C_per_percent, rich.u_C_per_percent)
    assert rich.telling
    assert lean.telling
    assert "no sweep" in rich.source


def test_near_the_peak_nothing_is_assumed() -> None:
    assert prior_slope("near-peak") is None
    assert prior_slope("mixed") is None


def test_holds_at_two_mixtures_are_a_slope_by_hand() -> None:
    """60 °C over ln(fuel) 0.15: 4 °C a per cent, hotter with less fuel; a hold in the middle changes nothing."""
    two = slope_from_holds(np.array([0.20, 0.05]), np.array([680.0, 740.0]))
    assert two is not None
    assert two.C_per_percent == pytest.approx(4.0)
    assert 0 < two.u_C_per_percent < 4.0
    three = slope_from_holds(np.array([0.20, 0.125, 0.05]), np.array([680.0, 710.0, 740.0]))
    assert three is not None
    assert three.C_per_percent == pytest.approx(4.0)
    lean = slope_from_holds(np.array([-0.05, -0.20]), np.array([740.0, 680.0]))
    assert lean is not None
    assert lean.C_per_percent == pytest.approx(-4.0)


def test_holds_at_one_mixture_tell_no_slope() -> None:
    assert slope_from_holds(np.array([0.200, 0.199]), np.array([680.0, 740.0])) is None
    assert slope_from_holds(np.array([0.2]), np.array([680.0])) is None
    assert slope_from_holds(np.zeros(0), np.zeros(0)) is None


def test_two_slopes_together_weigh_by_their_uncertainty() -> None:
    """By hand: 3 ± 1 and 6 ± 2 have weights 1 and 1/4."""
    both = combined(Slope(3.0, 1.0, "measured"), Slope(6.0, 2.0, "prior"))
    assert both.C_per_percent == pytest.approx(3.6)
    assert both.u_C_per_percent == pytest.approx(1.25**-0.5)
    assert both.source == "measured"
    assert combined(Slope(3.0, 1.0, "measured"), None) == Slope(3.0, 1.0, "measured")


def test_the_engine_s_own_slope_says_the_side_only_when_it_is_clear() -> None:
    assert side_by_slope(Slope(4.0, 0.5, "")) == "rich"
    assert side_by_slope(Slope(-4.0, 0.5, "")) == "lean"
    assert side_by_slope(Slope(4.0, 2.1, "")) == "near-peak"
    assert side_by_slope(Slope(0.9, 0.01, "")) == "near-peak"
    assert not Slope(-4.0, 2.1, "").telling
