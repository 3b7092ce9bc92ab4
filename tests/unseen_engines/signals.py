"""Filters and noises of the rigs, vectorised over time: no loop over samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
# Samples handled at once by the recursive filter; short enough that the products of its factors stay
# representable.
BLOCK = 48


def first_order(drive: FloatArray, tau_s: FloatArray, step_s: float) -> FloatArray:
    """y' = (drive - y)/tau with a tau that changes in time, exact for a drive held over each step.

    drive, tau_s: (n_samples, n) [s]; starts settled on drive[0]. Returns (n_samples, n).
    """
    decay = np.maximum(np.exp(-step_s / np.maximum(tau_s, 1e-9)), 1e-5)
    decay = np.broadcast_to(decay, drive.shape)
    gained = (1 - decay) * drive
    result = np.empty_like(drive)
    last = drive[0].copy()
    for begin in range(0, len(drive), BLOCK):
        part = slice(begin, begin + BLOCK)
        product = np.cumprod(decay[part], axis=0)
        result[part] = product * (last + np.cumsum(gained[part] / product, axis=0))
        last = result[part][-1].copy()
    return result


def correlated_noise(
    rng: np.random.Generator, n_samples: int, sd: FloatArray, correlation_time_s: FloatArray, step_s: float
) -> FloatArray:
    """Ornstein-Uhlenbeck noise (n_samples, n) of standard deviation `sd` (n,).

    correlation_time_s (n,) is the integrated one, tau = 1 + 2 sum rho_k at 1 Hz (references section 11),
    hence twice the time constant of the process.
    """
    decay = np.exp(-step_s / (np.maximum(correlation_time_s, 1e-6) / 2))
    white = rng.standard_normal((n_samples, sd.size))
    kick = sd * np.sqrt(1 - decay**2)
    # first_order's gain on its drive is (1 - decay); the first sample is drawn from the stationary
    # distribution.
    drive = white * kick / np.maximum(1 - decay, 1e-12)
    drive[0] = white[0] * sd
    tau = np.broadcast_to(correlation_time_s / 2, drive.shape)
    return first_order(drive, tau, step_s)


def random_walk(
    rng: np.random.Generator, n_samples: int, n: int, per_minute: float, step_s: float
) -> FloatArray:
    """A walk (n_samples, n) whose standard deviation after one minute is `per_minute`."""
    steps = rng.standard_normal((n_samples, n)) * per_minute * np.sqrt(step_s / 60)
    return np.cumsum(steps, axis=0)


def delayed(time_s: FloatArray, values: FloatArray, delay_s: FloatArray) -> FloatArray:
    """`values` (n_samples,) as they were `delay_s` (n_samples,) ago."""
    return np.interp(time_s - delay_s, time_s, values)


def quantised(values: FloatArray, step: float) -> FloatArray:
    """`values` rounded to whole steps; a step of zero changes nothing."""
    return np.round(values / step) * step if step > 0 else values
