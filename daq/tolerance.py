"""How far a new type K thermocouple may be off: the tolerance classes of the two standards."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from daq.values import Values, as_given


@dataclass(frozen=True)
class Span:
    """From `low_C` to `high_C` the limit is ±max(`absolute_C`, `relative`·|t|)."""

    low_C: float
    high_C: float
    absolute_C: float
    relative: float


# Type K, new wire. Read in: therncway.net and docslib document 13409891 (IEC 60584, they agree); scribd
# document 351458932 and jms-se.com (ASTM E230, they agree above 0 °C), not in the standards themselves.
# ASTM standard below 0 °C: therncway.net prints 2 %, the scribd document 1 %; the wider one is taken.
_CLASSES: dict[str, tuple[Span, ...]] = {
    "iec-1": (Span(-40.0, 1000.0, 1.5, 0.004),),
    "iec-2": (Span(-40.0, 1200.0, 2.5, 0.0075),),
    "iec-3": (Span(-200.0, 40.0, 2.5, 0.015),),
    "astm-special": (Span(0.0, 1260.0, 1.1, 0.004),),
    "astm-standard": (Span(-200.0, 0.0, 2.2, 0.02), Span(0.0, 1260.0, 2.2, 0.0075)),
}
CLASSES: Mapping[str, tuple[Span, ...]] = MappingProxyType(_CLASSES)


def tolerance_C(tolerance: str | float, t_C: Values) -> Values:
    """The limit a [°C] of a probe's error ±a at `t_C`: max(absolute, relative·|t|) of the class.

    tolerance: a name in `CLASSES`, or a number of °C that holds at every temperature.
    t_C: °C, scalar or array of any shape; the result has the same shape.
    Outside the class's range the standard promises nothing: the result is infinite, not the rule carried on.
    NaN in, NaN out. Raises KeyError for an unknown class.

    Sources: IEC 60584-1:2013 and ASTM E230, type K, as read in the places named at `_CLASSES`.

    >>> float(tolerance_C("iec-2", 800.0)), float(tolerance_C("iec-2", 20.0)), float(tolerance_C("iec-2", 1300.0))
    (6.0, 2.5, inf)
    """
    t = np.asarray(t_C, dtype=np.float64)
    limit = np.full(t.shape, np.inf)
    if isinstance(tolerance, str):
        for span in CLASSES[tolerance]:
            inside = (t >= span.low_C) & (t <= span.high_C)
            limit = np.where(inside, np.maximum(span.absolute_C, span.relative * np.abs(t)), limit)
    else:
        limit[...] = tolerance
    return as_given(np.where(np.isnan(t), np.nan, limit), t_C)


def rectangular_standard_uncertainty(half_width: Values) -> Values:
    """u = a/√3 for a quantity known only to lie within ±a, in the unit of `half_width`.

    Source: JCGM 100:2008, 4.3.7, equation (7).

    >>> round(rectangular_standard_uncertainty(6.0), 2)
    3.46
    """
    return half_width / math.sqrt(3.0)
