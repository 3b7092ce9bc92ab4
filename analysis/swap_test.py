"""Probe error told from cylinder heat by exchanging probes between ports.

A reading's deviation is the cylinder's own plus its probe's error. With probes in their first places the two cannot
be told apart; after probes with a known `id` have changed places they can: additive two-way least squares,

    deviation[s, c] = cylinder_c + probe_{p(s, c)} + session_s,    sum of cylinder_c = 0, sum of probe_p = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.uncertainty import coverage_factor


@dataclass(frozen=True)
class Reading:
    """A cylinder's deviation [°C] in one session, by which probe, with its noise."""

    session: str
    cylinder: int
    probe: str
    deviation_C: float
    noise_u_C: float


@dataclass(frozen=True)
class Effect:
    """A cylinder's or a probe's own part [°C] with its expanded uncertainty; None where the exchange cannot tell."""

    name: str
    value_C: float | None
    u95_C: float | None


@dataclass(frozen=True)
class SwapResult:
    """Cylinders' own deviations, probes' errors, and how far the readings contradict an additive split (chi² per
    degree of freedom; None without a degree to spare)."""

    cylinders: tuple[Effect, ...]
    probes: tuple[Effect, ...]
    misfit: float | None


def swap_test(readings: Sequence[Reading]) -> SwapResult:
    """Split `readings` of at least two sessions into cylinders and probes.

    Probes and cylinders that no exchange connects with the others get None: their sum alone is known.
    Raises ValueError for fewer than two sessions.
    """
    sessions = sorted({r.session for r in readings})
    if len(sessions) < 2:
        raise ValueError("a swap test needs two sessions with probes exchanged between them")
    cylinders = sorted({r.cylinder for r in readings})
    probes = sorted({r.probe for r in readings})
    design = np.zeros((len(readings), len(cylinders) + len(probes) + len(sessions)))
    for row, reading in enumerate(readings):
        design[row, cylinders.index(reading.cylinder)] = 1.0
        design[row, len(cylinders) + probes.index(reading.probe)] = 1.0
        design[row, len(cylinders) + len(probes) + sessions.index(reading.session)] = 1.0
    weight = np.array([1.0 / max(r.noise_u_C, 1e-3) for r in readings])
    value = np.array([r.deviation_C for r in readings])
    # the means of cylinders and of probes are conventions, not measurements: fixed exactly by two further rows
    conventions = np.zeros((2, design.shape[1]))
    conventions[0, : len(cylinders)] = 1e3
    conventions[1, len(cylinders) : len(cylinders) + len(probes)] = 1e3
    rows = np.vstack([design * weight[:, None], conventions])
    target = np.concatenate([value * weight, np.zeros(2)])
    inverse = np.linalg.pinv(rows.T @ rows, rcond=1e-10, hermitian=True)
    solution = inverse @ rows.T @ target
    told = inverse @ (rows.T @ rows)
    residual = (value - design @ solution) * weight
    freedom = len(readings) - int(np.linalg.matrix_rank(rows)) + 2
    factor = coverage_factor(np.inf)

    def effect(index: int, name: str) -> Effect:
        unit = np.zeros(len(solution))
        unit[index] = 1.0
        if not np.allclose(told[index], unit, atol=1e-6):
            return Effect(name, None, None)
        return Effect(name, float(solution[index]), factor * float(np.sqrt(inverse[index, index])))

    return SwapResult(
        cylinders=tuple(effect(i, str(c)) for i, c in enumerate(cylinders)),
        probes=tuple(effect(len(cylinders) + i, p) for i, p in enumerate(probes)),
        misfit=float(residual @ residual) / freedom if freedom > 0 else None,
    )
