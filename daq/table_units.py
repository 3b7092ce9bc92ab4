"""Units as other programs write them, and what a column's name says of them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.mixture import STOICHIOMETRIC_AFR, lambda_from_afr

FloatArray = npt.NDArray[np.float64]

# spelling (lower case, without brackets) -> unit
SPELLINGS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "microseconds": "us",
    "min": "min", "minutes": "min",
    "c": "C", "°c": "C", "degc": "C", "deg c": "C", "deg. c": "C", "celsius": "C",
    "f": "F", "°f": "F", "degf": "F", "deg f": "F", "deg. f": "F", "fahrenheit": "F",
    "k": "K", "kelvin": "K",
    "uv": "uV", "µv": "uV", "μv": "uV", "mv": "mV", "v": "V", "volt": "V", "volts": "V",
    "ohm": "ohm", "ohms": "ohm", "ω": "ohm", "kohm": "kohm", "kω": "kohm",
    "pa": "Pa", "hpa": "hPa", "mbar": "mbar", "kpa": "kPa", "bar": "bar", "psi": "psi",
    "%": "pct", "pct": "pct", "percent": "pct",
    "lambda": "lambda", "λ": "lambda", "afr": "afr",
    "rpm": "rpm", "1/min": "rpm", "r/min": "rpm", "min-1": "rpm", "rev/min": "rpm",
}  # fmt: skip
# pound-force per square inch: exact from 0.45359237 kg, 9.80665 m/s² and 25.4 mm (NIST SP 811, appendix B)
PSI_KPA = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0
# target unit -> the units that become it by a factor
FACTORS: dict[str, dict[str, float]] = {
    "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0},
    "ms": {"ms": 1.0, "us": 1e-3, "s": 1e3},
    "uV": {"uV": 1.0, "mV": 1e3, "V": 1e6},
    "mV": {"mV": 1.0, "uV": 1e-3, "V": 1e3},
    "V": {"V": 1.0, "mV": 1e-3, "uV": 1e-6},
    "ohm": {"ohm": 1.0, "kohm": 1e3},
    "kPa": {"kPa": 1.0, "Pa": 1e-3, "hPa": 0.1, "mbar": 0.1, "bar": 100.0, "psi": PSI_KPA},
    "pct": {"pct": 1.0},
    "rpm": {"rpm": 1.0},
}
TARGET_SUFFIXES = ("mV", "uV", "V", "C", "ohm", "kPa", "pct", "ms", "lambda", "afr")


@dataclass(frozen=True)
class Name:
    """A column's name taken apart: `base` and the unit it states, '' for none."""

    base: str
    unit: str

    @property
    def key(self) -> str:
        """The base without case, blanks and punctuation, to compare by."""
        plain = unicodedata.normalize("NFKD", self.base).casefold()
        return "".join(c for c in plain if c.isalnum())


def is_unit(text: str) -> bool:
    """Whether `text`, with or without brackets, is a unit."""
    return _unbracketed(text).casefold() in SPELLINGS


def unit_of(text: str) -> str:
    """The unit that `text` spells, or '' where it is not known."""
    return SPELLINGS.get(_unbracketed(text).casefold(), "")


def take_apart(header: str) -> Name:
    """A header's base and unit: 'EGT 1 [°F]', 'EGT 1 (F)', 'egt1_F' and 'EGT 1 °F' are all ('EGT 1', 'F').

    A unit in brackets that is not known is kept as it is written, so that it can be refused by name.

    >>> take_apart("EGT 1 [°F]")
    Name(base='EGT 1', unit='F')
    >>> take_apart("rpm")
    Name(base='rpm', unit='')
    """
    bracketed = re.fullmatch(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*", header)
    if bracketed and bracketed[1]:
        return Name(bracketed[1], unit_of(bracketed[2]) or bracketed[2].strip())
    for separator in ("_", ", ", " "):
        base, found, tail = header.rpartition(separator)
        if found and base.strip() and unit_of(tail) and (separator != " " or len(tail) > 1):
            return Name(base.strip(), unit_of(tail))
    return Name(header.strip(), "")


def target_unit(column: str) -> str:
    """The unit in which the setup expects `column`, by its suffix; 'rpm' stands for a plain count."""
    suffix = column.rpartition("_")[2]
    return suffix if "_" in column and suffix in TARGET_SUFFIXES else "rpm"


def accepted_units(target: str) -> tuple[str, ...]:
    """The units that can become `target`."""
    if target == "C":
        return ("C", "F", "K")
    if target in ("lambda", "afr"):
        return ("lambda", "afr")
    return tuple(FACTORS[target])


def converter(unit: str, target: str, fuel: str) -> Callable[[FloatArray], FloatArray]:
    """How values in `unit` become `target`; AFR and lambda by the stoichiometric AFR of `fuel`."""
    if unit == target:
        return lambda values: values
    if target == "C":
        return (lambda v: (v - 32.0) / 1.8) if unit == "F" else (lambda v: v - 273.15)
    if target == "lambda":
        return lambda values: np.asarray(lambda_from_afr(values, fuel), dtype=np.float64)
    if target == "afr":
        return lambda values: values * STOICHIOMETRIC_AFR[fuel]
    factor = FACTORS[target][unit]
    return lambda values: values * factor


def _unbracketed(text: str) -> str:
    return text.strip().strip("[]()").strip()
