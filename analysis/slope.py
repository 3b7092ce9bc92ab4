"""Which side of the peak a bank runs on, and how many °C one per cent of fuel is there.

EGT has two mixtures for one value: it rises with less fuel on the rich side, is blind near its peak and falls on the
lean side. Without a sweep of this very engine the slope is only known roughly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.result import Side

FloatArray = npt.NDArray[np.float64]

# Peak between lambda 0.89 and 1.04: ideal at 1.00, in practice "closer to AFR 13-14" (references section 9). Within a
# few per cent of that the slope may have either sign.
RICH_BELOW_LAMBDA = 0.91
LEAN_ABOVE_LAMBDA = 1.07
# Measured 3.5 to 4.1 °C/% on the rich side of real engines, 6.8 to 8.8 for the ideal cycle, 2.3 to 3.5 by another
# expansion model (references, section 9): 4.8 ± 4.4 covers them at about 95 %.
PRIOR_C_PER_PERCENT, PRIOR_U_C_PER_PERCENT = 4.8, 2.2
HOLDS_APART = 0.02  # ln(fuel)
LEVEL_U_C = 3.0  # a bank's mean level from one hold to the next: wander and slow heat (references section 11)
BEND_SHARE_U = 0.15  # a straight line through a curve; common practice, no published source


@dataclass(frozen=True)
class Slope:
    """°C per % of *less* fuel (positive on the rich side), its standard uncertainty, and where it comes from."""

    C_per_percent: float
    u_C_per_percent: float
    source: str

    @property
    def telling(self) -> bool:
        """Whether the slope differs from zero clearly enough to divide by it."""
        return abs(self.C_per_percent) > max(2.0 * self.u_C_per_percent, 1.0)


def side_of(lambda_mean: float) -> Side:
    """The side of the peak by the bank's lambda alone.

    >>> side_of(0.85), side_of(1.0), side_of(1.15)
    ('rich', 'near-peak', 'lean')
    """
    if lambda_mean < RICH_BELOW_LAMBDA:
        return "rich"
    return "lean" if lambda_mean > LEAN_ABOVE_LAMBDA else "near-peak"


def side_by_slope(slope: Slope) -> Side:
    """The side of the peak by the engine's own measured slope [°C per % of less fuel].

    >>> side_by_slope(Slope(4.0, 0.5, "a sweep")), side_by_slope(Slope(-4.0, 0.5, "a sweep"))
    ('rich', 'lean')
    >>> side_by_slope(Slope(1.0, 0.8, "a sweep"))  # it may have either sign
    'near-peak'
    """
    if not slope.telling:
        return "near-peak"
    return "rich" if slope.C_per_percent > 0 else "lean"


def slope_from_holds(ln_phi: FloatArray, level_C: FloatArray) -> Slope | None:
    """From holds at one speed and load but several mixtures: the straight line through their levels.

    ln_phi, level_C: (n_holds,) each hold's ln(relative fuel) and bank's mean temperature. None below HOLDS_APART.

    >>> slope = slope_from_holds(np.log([1.20, 1.16]), np.array([700.0, 714.0]))  # 3.4 % less fuel, 14 °C hotter
    >>> slope.source, round(slope.C_per_percent, 1), slope.telling
    ('holds at mixtures 3 % apart in this session', 4.1, True)
    """
    span_percent = 100.0 * float(np.ptp(ln_phi)) if len(ln_phi) > 1 else 0.0
    if span_percent < 100.0 * HOLDS_APART:
        return None
    x = 100.0 * (ln_phi - ln_phi.mean())
    information = float(x @ x)
    rise = -float(x @ (level_C - level_C.mean())) / information
    u = float(np.hypot(LEVEL_U_C / np.sqrt(information), BEND_SHARE_U * rise))
    return Slope(rise, u, f"holds at mixtures {span_percent:.0f} % apart in this session")


def combined(measured: Slope, prior: Slope | None) -> Slope:
    """A measured slope together with what is known of any engine's, weighted by their uncertainties.

    >>> both = combined(Slope(4.0, 1.0, "a sweep"), Slope(6.0, 1.0, "any engine"))
    >>> both.C_per_percent, round(both.u_C_per_percent, 2), both.source
    (5.0, 0.71, 'a sweep')
    """
    if prior is None:
        return measured
    a, b = measured.u_C_per_percent**-2, prior.u_C_per_percent**-2
    return Slope(
        (a * measured.C_per_percent + b * prior.C_per_percent) / (a + b), (a + b) ** -0.5, measured.source
    )


def prior_slope(side: Side) -> Slope | None:
    """What is known of any engine's slope on that side; None near the peak.

    >>> prior_slope("lean").C_per_percent < 0, prior_slope("near-peak")
    (True, None)
    """
    if side not in ("rich", "lean"):
        return None
    sign = 1.0 if side == "rich" else -1.0
    return Slope(
        sign * PRIOR_C_PER_PERCENT,
        PRIOR_U_C_PER_PERCENT,
        "no sweep of this engine: 4.8 ± 4.4 °C per % assumed",
    )
