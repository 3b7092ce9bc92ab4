"""Sides of the peak and what is known of a slope, against the published and measured figures."""

from __future__ import annotations

import pytest

from analysis.slope import Slope, prior_slope, side_by_slope, side_of


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


def test_the_engine_s_own_slope_says_the_side_only_when_it_is_clear() -> None:
    assert side_by_slope(Slope(4.0, 0.5, "")) == "rich"
    assert side_by_slope(Slope(-4.0, 0.5, "")) == "lean"
    assert side_by_slope(Slope(4.0, 2.1, "")) == "near-peak"
    assert side_by_slope(Slope(0.9, 0.01, "")) == "near-peak"
    assert not Slope(-4.0, 2.1, "").telling
