"""How well a fitted sweep knows its shifts, what makes them uncertain, and what it knows of the probes' drift."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import linalg

from analysis.noise import Scales, Whitener
from analysis.sweep_model import DRIFT_C_PER_MIN, MAX_SHIFT, SweepModel

FloatArray = npt.NDArray[np.float64]

LEAST_KEPT = 0.1  # of the information on a shift, however noisy the curve


def inverse_of(normal: FloatArray) -> FloatArray:
    """The inverse of a normal matrix whose unknowns differ in size by orders of magnitude (°C, s, ln(fuel))."""
    scale = np.diag(normal) ** -0.5
    scales = np.outer(scale, scale)
    return np.asarray(linalg.inv(normal * scales, check_finite=False) * scales)


def drift_told(model: SweepModel, theta: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each cylinder's drift against the others and its uncertainty with the prior on its own drift taken back."""
    told = np.zeros(len(model.data.cylinders))
    u = np.full(len(told), np.inf)
    inverse = inverse_of(normal)
    for i in range(len(told)):
        at = model.drift.start + i
        information = 1.0 / inverse[at, at] - DRIFT_C_PER_MIN**-2
        if information > 1e-6:
            told[i] = theta[at] / inverse[at, at] / information
            u[i] = information**-0.5
    return told, u


def without_false_slopes(
    model: SweepModel, theta: FloatArray, whitener: Whitener, normal: FloatArray, curve_covariance: FloatArray
) -> FloatArray:
    """Take back what the curve's own noise seems to tell of the shifts (errors in variables).

    A shift shows by the curve's slope. Where the sweep held no real bend, the fitted curve still has small slopes of
    its noise's making, which promise a precision that is not there. Their expected share of the information is
    subtracted; the estimate itself is left as the least squares found it.
    """
    n_shifts = model.contrasts.shape[1]
    if n_shifts == 0:
        return normal
    others = np.ones(model.n_parameters, dtype=bool)
    others[model.shift] = False
    inverse = inverse_of(normal[np.ix_(others, others)])
    x, _ = model.mixture(theta)
    beside = whitener.apply(model.predict(theta)[1][..., others])
    slopes = model.basis.slopes(x) * (1.0 + theta[model.gain])[None, :, None]
    variances, directions = linalg.eigh(curve_covariance)
    false = np.zeros((n_shifts, n_shifts))
    for variance, direction in zip(variances[variances > 0], directions.T[variances > 0], strict=True):
        moved = (slopes @ direction)[..., None] * model.contrasts[None]
        whitened = whitener.apply(moved) * np.sqrt(variance)
        overlap = beside.T @ whitened
        false += whitened.T @ whitened - overlap.T @ inverse @ overlap
    across = normal[model.shift][:, others]
    told = normal[model.shift, model.shift] - across @ inverse @ across.T
    prior = np.eye(n_shifts) / MAX_SHIFT**2
    kept = told - prior - false
    values, vectors = linalg.eigh((kept + kept.T) / 2.0)
    least = LEAST_KEPT * np.diag(vectors.T @ (told - prior) @ vectors)
    kept = (vectors * np.maximum(values, least)) @ vectors.T + prior
    corrected = normal.copy()
    corrected[model.shift, model.shift] += kept - told
    return corrected


def shift_parts(
    model: SweepModel, normal: FloatArray, scales: Scales
) -> tuple[tuple[str, FloatArray, float], ...]:
    """What each unknown adds to the shifts' variance: hold it fixed and see what is left (in this order)."""
    held = np.zeros(model.n_parameters, dtype=bool)
    variance = _shift_variance(model, normal, held)
    parts = []
    for source, where in (
        ("probe lag", model.lag),
        ("own height of the curve (probe, heat)", model.height),
        ("own gain of the curve", model.gain),
        ("steady drift", model.drift),
        ("own answer to speed and load", model.own_condition),
    ):
        held[where] = True
        left = _shift_variance(model, normal, held)
        parts.append((source, np.sqrt(np.maximum(variance - left, 0.0)), np.inf))
        variance = left
    duration_s = float(np.ptp(model.data.time_s))
    # wander makes one independent value in two correlation times; the contrasts share their scales
    independent = max(duration_s / (2.0 * scales.wander_s), 2.0) * max(len(model.data.cylinders) - 1, 1)
    return (("wander and noise", np.sqrt(variance), independent), *parts)


def _shift_variance(model: SweepModel, normal: FloatArray, held: npt.NDArray[np.bool_]) -> FloatArray:
    free = ~held
    covariance = np.zeros_like(normal)
    covariance[np.ix_(free, free)] = inverse_of(normal[np.ix_(free, free)])
    return np.diag(model.contrasts @ covariance[model.shift, model.shift] @ model.contrasts.T)
