"""Numbers as the reader wants them: units, signs, what is missing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.display import DARK, LIGHT, Display, display_from, signed, write_percent, write_time
from dashboard.wording import typeset


def test_fahrenheit_at_the_fixed_points_of_its_definition() -> None:
    # 0 °C = 32 °F and 100 °C = 212 °F (NIST SP 811, table B.9: t/°F = 1.8 t/°C + 32)
    display = Display(fahrenheit=True)
    assert display.write_temperature(0.0) == "32 °F"
    assert display.write_temperature(100.0) == "212 °F"
    assert display.difference(10.0) == pytest.approx(18.0)  # a difference has no offset


def test_afr_is_lambda_times_that_of_the_fuel() -> None:
    petrol, methanol = Display(afr=True), Display(afr=True, fuel="methanol")
    assert petrol.mixture(2.0) == pytest.approx(2 * petrol.mixture(1.0))
    # stoichiometry of CH3OH + 1.5 O2 in air with 23.14 % oxygen by mass: 1.5·31.998/32.042/0.2314 = 6.47
    assert methanol.mixture(1.0) == pytest.approx(6.47, abs=0.05)
    assert Display().write_mixture(0.87) == "0.870"


@pytest.mark.parametrize("value", [None, float("nan")])
def test_what_is_missing_is_a_dash_and_never_nan(value: float | None) -> None:
    display = Display()
    assert (
        display.write_temperature(value)
        == display.write_difference(value)
        == display.write_mixture(value)
        == "–"
    )
    assert write_percent(value) == "–"


def test_sign_is_always_shown_except_for_zero() -> None:
    assert signed(3.14, 1) == "+3.1"
    assert signed(-3.14, 1) == "−3.1"
    assert signed(-0.04, 1) == "0.0"


@given(st.floats(-1e5, 1e5), st.integers(0, 3))
def test_signed_reads_back_as_the_rounded_number(value: float, digits: int) -> None:
    assert float(signed(value, digits).replace("−", "-")) == pytest.approx(round(value, digits), abs=1e-9)


def test_interval_follows_the_number() -> None:
    assert Display().write_difference(14.2, 7.9) == "+14.2 ± 7.9 °C"
    assert Display(fahrenheit=True).write_difference(10.0, 5.0) == "+18.0 ± 9.0 °F"
    assert write_percent(-3.14, 0.5) == "−3.1 ± 0.5 %"


@pytest.mark.parametrize(("seconds", "text"), [(0, "0:00"), (59.6, "1:00"), (3723, "1:02:03"), (-1, "0:00")])
def test_time(seconds: float, text: str) -> None:
    assert write_time(seconds) == text


def test_cookie_is_read_and_nonsense_in_it_ignored() -> None:
    chosen = display_from({"evenburn_display": "auto.dark.F.afr"}, "ethanol")
    assert (chosen.dark, chosen.fahrenheit, chosen.afr, chosen.fuel) == (True, True, True, "ethanol")
    assert display_from({"evenburn_display": "<script>.Q"}) == Display()
    assert display_from({}) == Display()


def luminance(colour: str) -> float:
    """Relative luminance of '#rrggbb' (WCAG 2.2, definition of relative luminance)."""
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_of_text_and_of_the_banks_against_the_paper(colours) -> None:
    # WCAG 2.2: 1.4.3 asks 4.5:1 for text, 1.4.11 asks 3:1 for what a graphic needs to be understood
    def contrast(colour: str) -> float:
        low, high = sorted([luminance(colour), luminance(colours.paper)])
        return (high + 0.05) / (low + 0.05)

    assert contrast(colours.ink) >= 4.5
    assert contrast(colours.faint_ink) >= 4.5
    assert all(contrast(bank) >= 4.5 for bank in colours.banks)  # the numbers stand in the beads


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("within 0.3 % of fuel (-0.3 %)", "within 0.3 % of fuel (−0.3 %)"),
        ("-0.4 % remain, and -2 °C", "−0.4 % remain, and −2 °C"),
        (
            "run-1 of 2026-11-25, 40-100 mm, 1e-5, moderate-load",
            "run-1 of 2026-11-25, 40-100 mm, 1e-5, moderate-load",
        ),
    ],
)
def test_only_negative_numbers_get_a_minus(text: str, shown: str) -> None:
    assert typeset(text) == shown
    assert typeset(shown) == shown
