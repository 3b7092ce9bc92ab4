"""Lambda from what a wideband sensor's controller puts out: volts or air-fuel ratio."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from daq.values import Values, as_given

# Stoichiometric air-fuel ratio by mass. Respectable tables differ by 0.5 to 2 %, so lambda is what is logged
# and compared; the ratio is for a column that holds it and for display. "computed": from the composition of
# the fuel with dry air of 28.9647 g/mol and 20.946 % oxygen.
STOICHIOMETRIC_AFR: Mapping[str, float] = MappingProxyType(
    {
        "petrol": 14.7,  # the number that most controllers use; 14.6 computed for CH1.87
        "e5": 14.3,  # computed 14.29 for CH1.89 O0.016
        "e10": 14.0,  # computed 14.00 for CH1.93 O0.033; a forum page prints 14.13
        "e85": 9.8,  # computed 9.81 for 85 % ethanol by volume; pump fuel of 51 % ethanol has 11.7
        "ethanol": 9.0,  # computed 9.00
        "methanol": 6.47,  # computed 6.47
        "lpg": 15.6,  # computed 15.59 for 60 % propane and 40 % butane by mass; a paper prints 15.87
        "cng": 17.2,  # computed 17.24 for methane; other pages print 17.45 for natural gas
        "diesel": 14.5,  # computed 14.50 for CH1.8
    }
)

# A controller's output rails at the ends of its range, where noise and a ground offset carry it a little
# further. Common practice, no published source: 2 % of the table's span (80 mV of 0.5 to 4.5 V) still is the
# end's lambda; further out it is the controller's way of saying fault or warm-up.
RAIL_MARGIN = 0.02


def lambda_from_volts(volts: Values, table_volts: Sequence[float], table_lambda: Sequence[float]) -> Values:
    """Lambda from a controller's output, straight lines between the points of its table.

    volts: V (or the unit of `table_volts`), scalar or array of any shape; the result has the same shape.
    table_volts: increasing, at least two; table_lambda: as many.
    Up to `RAIL_MARGIN` of the table's span beyond an end the result is that end's lambda (at its rail a
    sensor says "this or beyond"); further out NaN, never an extrapolation. NaN in, NaN out.
    Raises ValueError for a table that is not increasing or not of one length.

    >>> float(lambda_from_volts(2.5, [0.5, 4.5], [0.65, 1.45]))
    1.05
    >>> lambda_from_volts(np.array([0.45, 0.0]), [0.5, 4.5], [0.65, 1.45])  # at the rail, and beyond it
    array([0.65,  nan])
    """
    v, x = np.asarray(volts, dtype=np.float64), np.asarray(table_volts, dtype=np.float64)
    if len(x) < 2 or len(x) != len(table_lambda) or not np.all(np.diff(x) > 0):
        raise ValueError("a lambda table needs two or more increasing voltages and as many lambdas")
    margin = RAIL_MARGIN * (x[-1] - x[0])
    inside = (v >= x[0] - margin) & (v <= x[-1] + margin)
    return as_given(np.where(inside, np.interp(v, x, table_lambda), np.nan), volts)


def lambda_from_afr(afr: Values, fuel: str) -> Values:
    """Lambda = air-fuel ratio / stoichiometric air-fuel ratio of `fuel` (a key of `STOICHIOMETRIC_AFR`).

    afr: by mass, scalar or array of any shape; the result has the same shape. Raises KeyError for another fuel.

    >>> lambda_from_afr(12.495, "petrol")
    0.85
    """
    return afr / STOICHIOMETRIC_AFR[fuel]


def afr_from_lambda(lambda_: Values, fuel: str) -> Values:
    """Air-fuel ratio by mass = lambda · stoichiometric ratio of `fuel` (a key of `STOICHIOMETRIC_AFR`).

    lambda_: scalar or array of any shape; the result has the same shape. Raises KeyError for another fuel.

    >>> afr_from_lambda(1.0, "methanol")
    6.47
    """
    return lambda_ * STOICHIOMETRIC_AFR[fuel]
