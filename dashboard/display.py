"""How the reader wants to see numbers and colours: theme, °C or °F, lambda or AFR; kept in a cookie by the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.mixture import STOICHIOMETRIC_AFR

COOKIE = "evenburn_display"
MISSING = "–"


@dataclass(frozen=True)
class Colours:
    """Colours of one theme. Only two hues carry meaning, one per bank; identity never rests on them alone."""

    ink: str
    faint_ink: str
    grid: str
    band: str
    paper: str
    banks: tuple[str, str]


# bank pair: least colour difference 48 over normal and three kinds of colour-blind vision (measured, CIEDE2000)
LIGHT = Colours("#1b1f24", "#545c66", "#d5dae0", "rgba(27,31,36,0.08)", "#ffffff", ("#0072B2", "#B34700"))
DARK = Colours("#e9edf2", "#a7b0bb", "#39424d", "rgba(233,237,242,0.10)", "#171b20", ("#5CB8EC", "#F0935A"))


@dataclass(frozen=True)
class Display:
    """A reader's choice. `fuel` decides the AFR of lambda 1; `narrow`: the screen is a phone's."""

    dark: bool = False
    fahrenheit: bool = False
    afr: bool = False
    fuel: str = "petrol"
    narrow: bool = False

    @property
    def colours(self) -> Colours:
        """The colours of the chosen background."""
        return DARK if self.dark else LIGHT

    @property
    def temperature_unit(self) -> str:
        """°C or °F."""
        return "°F" if self.fahrenheit else "°C"

    @property
    def mixture_name(self) -> str:
        """Lambda or air-fuel ratio, as an axis calls it."""
        return "AFR" if self.afr else "lambda"

    @property
    def mixture_digits(self) -> int:
        """Decimals that a mixture is shown with."""
        return 1 if self.afr else 3

    def temperature(self, T_C: Any) -> Any:
        """Temperature(s) in the chosen unit from °C."""
        return np.multiply(T_C, 1.8) + 32.0 if self.fahrenheit else T_C

    def difference(self, dT_C: Any) -> Any:
        """Temperature difference(s) in the chosen unit from °C (= K)."""
        return np.multiply(dT_C, 1.8) if self.fahrenheit else dT_C

    def mixture(self, lambda_: Any) -> Any:
        """Lambda(s) as chosen: itself, or AFR of this fuel."""
        return np.multiply(lambda_, STOICHIOMETRIC_AFR[self.fuel]) if self.afr else lambda_

    def write_temperature(self, T_C: float | None) -> str:
        """'812 °C', or a dash for what is not there."""
        return MISSING if not _there(T_C) else f"{self.temperature(T_C):.0f} {self.temperature_unit}"

    def write_difference(self, dT_C: float | None, u95_C: float | None = None) -> str:
        """'+14.2 ± 7.9 °C'; the sign always shown, the interval only where there is one."""
        if not _there(dT_C):
            return MISSING
        interval = f" ± {self.difference(u95_C):.1f}" if _there(u95_C) else ""
        return f"{signed(self.difference(dT_C), 1)}{interval} {self.temperature_unit}"

    def write_mixture(self, lambda_: float | None) -> str:
        """'0.870' or '12.8', or a dash."""
        return MISSING if not _there(lambda_) else f"{self.mixture(lambda_):.{self.mixture_digits}f}"


def display_from(cookies: Mapping[str, str], fuel: str = "petrol") -> Display:
    """The choice in the page's cookie, e.g. 'dark.F.afr'; anything unknown in it is ignored."""
    chosen = cookies.get(COOKIE, "").split(".")
    return Display("dark" in chosen, "F" in chosen, "afr" in chosen, fuel, "narrow" in chosen)


def signed(value: float, digits: int) -> str:
    """A number with its sign, minus as a proper minus; what rounds to zero has no sign."""
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def write_percent(value: float | None, u95: float | None = None, digits: int = 1) -> str:
    """'−3.1 ± 0.5 %', or a dash for what is not there."""
    if value is None or not np.isfinite(value):
        return MISSING
    interval = f" ± {u95:.{digits}f}" if _there(u95) else ""
    return f"{signed(value, digits)}{interval} %"


def write_time(seconds: float) -> str:
    """'1:02:03' or '2:03' from seconds."""
    whole = max(0, round(seconds))
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def _there(value: float | None) -> bool:
    return value is not None and bool(np.isfinite(value))
