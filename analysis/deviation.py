"""Each cylinder's temperature against the mean of its own bank, in stretches where nothing moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.result import BudgetLine
from analysis.uncertainty import autocorrelated_mean, budget_line, rectangular_line
from daq.setupfile import Setup
from daq.tolerance import tolerance_C

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

WANDER_S = 12.0  # correlation time of a deviation on real engines: 8 to 19 s (references section 11)
TERMINAL_GRADIENT_C = 0.5  # between neighbouring terminals of one block; common practice, no published source


@dataclass(frozen=True)
class Deviation:
    """Deviations of one bank's healthy cylinders at one operating point.

    deviation_C, noise_u_C, noise_freedom: (n_cylinders,) mean, its standard uncertainty from wander and noise alone,
    degrees of freedom. lambda_mean: NaN without a sensor. duration_s: how much of the record it rests on.
    """

    bank: str
    cylinders: tuple[int, ...]
    deviation_C: FloatArray
    noise_u_C: FloatArray
    noise_freedom: FloatArray
    level_C: float
    lambda_mean: float
    duration_s: float


def deviations(blocks: Blocks, points: IntArray, bank: str, cylinders: tuple[int, ...]) -> Deviation | None:
    """Mean deviations over block numbers `points`; None below four complete points or two cylinders."""
    egt = blocks.egt_C[points][:, blocks.columns(cylinders)]
    complete = np.isfinite(egt).all(axis=1)
    if complete.sum() < 4 or len(cylinders) < 2:
        return None
    egt = egt[complete]
    away = egt - egt.mean(axis=1, keepdims=True)
    means = [autocorrelated_mean(column, WANDER_S / blocks.length_s) for column in away.T]
    x = blocks.ln_phi.get(bank)
    known = np.zeros(0) if x is None else x[points][complete]
    known = known[np.isfinite(known)]
    return Deviation(
        bank=bank,
        cylinders=cylinders,
        deviation_C=np.array([m.value for m in means]),
        noise_u_C=np.array([m.u for m in means]),
        noise_freedom=np.array([max(m.n_effective - 1.0, 1.0) for m in means]),
        level_C=float(egt.mean()),
        lambda_mean=float(np.exp(-known.mean())) if len(known) else float("nan"),
        duration_s=float(complete.sum() * blocks.length_s),
    )


def probe_half_width_C(setup: Setup, cylinder: int, level_C: float) -> float:
    """± tolerance [°C] of a cylinder's probe at `level_C`; the widest class's limit where its range ends below."""
    probe = next(p for p in setup.probe if p.cylinder == cylinder)
    limit = float(np.asarray(tolerance_C(probe.tolerance, level_C)))
    return limit if np.isfinite(limit) else max(2.5, 0.0075 * abs(level_C))


def deviation_budget(deviation: Deviation, setup: Setup, index: int) -> tuple[BudgetLine, ...]:
    """What makes one cylinder's deviation uncertain [°C]; what all probes share cancels in it.

    A deviation is (1 - 1/n) of the cylinder's own error less 1/n of each other's.
    """
    n = len(deviation.cylinders)
    half_widths = [probe_half_width_C(setup, c, deviation.level_C) for c in deviation.cylinders]
    others = float(np.sqrt(sum(h**2 for i, h in enumerate(half_widths) if i != index)))
    return (
        rectangular_line("own probe's tolerance", half_widths[index], sensitivity=1.0 - 1.0 / n),
        rectangular_line("the other probes' tolerance", others, sensitivity=1.0 / n),
        rectangular_line(
            "gradient along the terminals", TERMINAL_GRADIENT_C, sensitivity=(1.0 - 1.0 / n) ** 0.5
        ),
        budget_line(
            "wander and noise",
            float(deviation.noise_u_C[index]),
            distribution="t",
            degrees_of_freedom=float(deviation.noise_freedom[index]),
        ),
    )


def heat_line(deviation: Deviation, setup: Setup) -> BudgetLine:
    """Heat that is not mixture: what makes healthy cylinders' exhausts differ at equal mixture."""
    n = len(deviation.cylinders)
    return budget_line(
        "heat that is not mixture", setup.assumptions.heat_u_C, sensitivity=float(np.sqrt(1.0 - 1.0 / n))
    )
