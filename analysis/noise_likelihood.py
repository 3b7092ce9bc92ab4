"""How likely a sweep's residuals make each size of the noise, with the parameters of the model integrated over.

The sizes are sought by their gradient, which costs as much as the likelihood itself; differences would cost seven times
that, and the search is most of an analysis.

References
----------
[1] Rasmussen, Williams, Gaussian Processes for Machine Learning, MIT Press 2006, sections 2.7 (explicit basis
    functions) and 5.4.1 (derivatives of the marginal likelihood).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from analysis.noise import TYPICAL, TYPICAL_LOG_WIDTH, Kernels, Scales, Whitener, rotated
from analysis.sweep_model import SweepModel

FloatArray = npt.NDArray[np.float64]


class NoiseLikelihood:
    """The likelihood of a bank's temperatures with the model linearised at `theta` (n_parameters,)."""

    def __init__(self, model: SweepModel, theta: FloatArray) -> None:
        fitted, jacobian = model.predict(theta)
        target = model.data.egt_C - fitted + jacobian @ theta
        self.model = model
        self.kernels = Kernels.over(model.data.time_s)
        self.n_contrasts = len(model.data.cylinders) - 1
        self.mean, self.contrasts = rotated(np.concatenate([jacobian, target[..., None]], axis=2))

    def minus_two_log(self, logs: FloatArray) -> tuple[float, FloatArray]:
        """Minus twice the logarithm of the posterior of `logs` (`Scales.logs`), less a constant; and its gradient."""
        scales, k = Scales.from_logs(logs), self.mean.shape[1]
        whitener = Whitener.of(self.kernels, self.n_contrasts + 1, scales)
        prior = np.column_stack(self.model.priors(scales))
        rows = np.vstack([whitener.rows(self.mean, self.contrasts), prior])
        factor = linalg.cholesky(rows.T @ rows, lower=True, check_finite=False)
        # the last diagonal element of the factor is the root of the least sum of squares
        diagonal = np.diag(factor)
        departure = (logs - TYPICAL.logs()) / TYPICAL_LOG_WIDTH
        value = (
            2.0 * np.log(np.diag(whitener.mean)).sum()
            + 2.0 * self.n_contrasts * np.log(np.diag(whitener.own)).sum()
            + 2.0 * self.model.n_bends * logs[-1]
            + 2.0 * np.log(diagonal[:-1]).sum()
            + diagonal[-1] ** 2
            + departure @ departure
        )
        # columns that are orthonormal, but the last: it is the residual at the best parameters
        told = linalg.solve_triangular(factor, rows.T, lower=True, check_finite=False)
        told[-1] *= diagonal[-1]
        n = len(self.mean)
        told_mean = told[:, :n].T
        told_own = told[:, n : -len(prior)].reshape(k, n, -1).transpose(1, 0, 2).reshape(n, -1)
        gradient = self.kernels.slopes(
            self.n_contrasts + 1,
            scales,
            own=_sensitivity(whitener.own, told_own, self.n_contrasts),
            mean=_sensitivity(whitener.mean, told_mean, 1),
        )
        bends = told[:, -len(prior) :][:, : self.model.n_bends]
        gradient[-1] += 2.0 * self.model.n_bends - 2.0 * float((bends**2).sum())
        return float(value), gradient + 2.0 * departure / TYPICAL_LOG_WIDTH

    def likeliest(self, start: Scales) -> Scales:
        """The scales of the largest likelihood, sought from `start`."""
        bounds = [(t - 4.0 * w, t + 4.0 * w) for t, w in zip(TYPICAL.logs(), TYPICAL_LOG_WIDTH, strict=True)]
        found = optimize.minimize(
            self.minus_two_log,
            start.logs(),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 25, "ftol": 1e-5},
        )
        return Scales.from_logs(np.asarray(found.x))


def _sensitivity(factor: FloatArray, told: FloatArray, times: int) -> FloatArray:
    """(n, n) by how much the likelihood changes with each element of a covariance that holds for `times` contrasts.

    factor: its lower Cholesky factor (n, n). told: (n, m) what the rows whitened by it tell.
    """
    # a triangle is inverted once: its products are cheaper than solving for as many columns as told has
    inverse = linalg.solve_triangular(factor, np.eye(len(factor)), lower=True, check_finite=False)
    spread = inverse.T @ told
    return np.asarray(times * inverse.T @ inverse - spread @ spread.T)
