"""How much later each probe answers than its bank: from transients that all cylinders of the bank see together.

A junction follows its gas with a first-order lag tau ~ d^1.5·flow^-0.5 (references section 10). During a slow sweep a
probe that is 1 s slower than its neighbours looks exactly like a mixture that is shifted by what the sweep covers in
that second, so the difference of lags must come from elsewhere: a change of speed or load, where every port heats or
cools at once. There the gas temperature that each probe stands for,

    g_i = y_i + tau_i·(flow/flow_ref)^-0.5 · dy_i/dt,

must be one and the same movement in every port up to height, size and a slow trend. The tau_i that make it so are
found by least squares over all transients together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from analysis.blocks import Blocks
from analysis.conditions import bridge, running, runs

FloatArray = npt.NDArray[np.float64]

# Where no transient tells: junctions of 1 to 2 mm in exhaust flow take 1 to 5 s (references section 10), and like
# probes at like depth differ by a third of that.
TYPICAL_S, TYPICAL_LOG_WIDTH = 2.0, 0.7
UNTOLD_U_S = 0.8
FLOOR_S = 0.1  # each port's own slow heat keeps a transient from telling lags better than this
SCALE_U = 0.12  # a port is not quite a first-order lag, and flow not quite speed times load
LONGEST_S = 40.0
TRANSIENT_C_PER_S = 3.0
TRANSIENT_MIN_C = 25.0
BEFORE_S, AFTER_S = 4.0, 20.0
SHORTEST_BLOCKS = 20
SMOOTHING_S = 1.5
START_S = 15.0  # after the engine starts every port warms up at its own pace
MISFIT_C = 5.0  # beyond this a movement is a cylinder's own, and counts less


@dataclass(frozen=True)
class Lags:
    """Time constants of one bank's probes.

    time_constant_s: (n_cylinders,) at the flow `reference_flow` (speed times load, 1 where one is unknown).
    u_s: standard uncertainty of each one's difference from the mean. n_transients: how many told it; with none the
    time constants are the typical one.
    """

    cylinders: tuple[int, ...]
    time_constant_s: FloatArray
    u_s: FloatArray
    n_transients: int
    reference_flow: float

    def of(self, cylinders: tuple[int, ...]) -> Lags:
        """Only the probes of `cylinders`."""
        keep = [self.cylinders.index(c) for c in cylinders]
        return replace(
            self, cylinders=cylinders, time_constant_s=self.time_constant_s[keep], u_s=self.u_s[keep]
        )

    def against_mean_s(self, flow: float) -> tuple[FloatArray, FloatArray]:
        """Each probe's lag against the bank's mean at `flow`, and its standard uncertainty [s]."""
        factor = (flow / self.reference_flow) ** -0.5 if flow > 0 else 1.0
        return (self.time_constant_s - self.time_constant_s.mean()) * factor, self.u_s * factor


def exhaust_flow(blocks: Blocks) -> FloatArray:
    """(n_blocks,) what is proportional to gas flow: speed times load; 1 where either is not recorded."""
    if blocks.rpm is None or blocks.load is None or not np.isfinite(blocks.rpm * blocks.load).any():
        return np.ones(len(blocks.time_s))
    return np.maximum(bridge(blocks.rpm * blocks.load), 0.0)


def probe_lags(blocks: Blocks, cylinders: tuple[int, ...]) -> Lags:
    """Time constants of the probes of `cylinders`, one bank's healthy ones."""
    n = len(cylinders)
    egt = blocks.egt_C[:, blocks.columns(cylinders)]
    flow = exhaust_flow(blocks)
    on = running(blocks)
    reference = float(np.median(flow[on])) if on.any() else 1.0
    windows = _transients(blocks, egt)
    if n < 2 or not windows:
        return Lags(cylinders, np.full(n, TYPICAL_S), np.full(n, UNTOLD_U_S), 0, reference)
    gases = _Gases.cut(egt, flow / reference, windows, blocks.length_s)
    found = least_squares(
        _misfit,
        _start(n, gases),
        args=(gases,),
        bounds=(np.log(0.05), np.log(LONGEST_S)),
        loss="soft_l1",
    )
    tau = np.exp(found.x)
    # smoothing makes neighbours alike: one independent value in about two smoothing lengths of it
    alike = max(2.0 * SMOOTHING_S * np.sqrt(np.pi) / blocks.length_s, 1.0)
    count = gases.value.size / alike
    variance = 2.0 * float(found.cost) * MISFIT_C**2 / alike / max(count - n - 3.0 * n * len(windows), 4.0)
    information = (found.jac.T @ found.jac) * MISFIT_C**2 / alike
    covariance = variance * np.linalg.pinv(information) * tau[:, None] * tau[None, :]
    contrast = np.eye(n) - 1.0 / n
    own_scale = SCALE_U * (tau - tau.mean())
    u = np.sqrt(np.diag(contrast @ covariance @ contrast) + FLOOR_S**2 + own_scale**2)
    return Lags(cylinders, tau, np.minimum(u, UNTOLD_U_S), len(windows), reference)


@dataclass(frozen=True)
class _Gases:
    """All transients end to end, as one array: ten hours have hundreds, and each is tried with many time constants.

    value, rate: (n_points, n_cylinders) smoothed temperatures and their rates (scaled for flow), each less its own
    transient's trend. starts: (n_transients,) first point of each. transient: (n_points,) number of a point's.
    """

    value: FloatArray
    rate: FloatArray
    starts: npt.NDArray[np.intp]
    transient: npt.NDArray[np.intp]

    @staticmethod
    def cut(egt: FloatArray, flow: FloatArray, windows: list[tuple[int, int]], step_s: float) -> _Gases:
        pieces = [_smooth_piece(egt[a:b], flow[a:b], step_s) for a, b in windows]
        lengths = np.array([len(value) for value, _ in pieces])
        return _Gases(
            np.concatenate([value for value, _ in pieces]),
            np.concatenate([rate for _, rate in pieces]),
            np.concatenate([[0], np.cumsum(lengths)[:-1]]),
            np.repeat(np.arange(len(pieces)), lengths),
        )


def _smooth_piece(egt: FloatArray, flow: FloatArray, step_s: float) -> tuple[FloatArray, FloatArray]:
    """(smoothed temperatures, their rates scaled for flow) of one transient, each without its trend."""
    value = gaussian_filter1d(egt, SMOOTHING_S / step_s, axis=0)
    rate = np.gradient(value, step_s, axis=0) * np.clip(flow, 0.05, None)[:, None] ** -0.5
    # the filter's own ends lean on values it had to invent
    inside = slice(int(2 * SMOOTHING_S / step_s), len(egt) - int(2 * SMOOTHING_S / step_s))
    time = np.linspace(-1.0, 1.0, len(egt))[inside]
    trend, _ = np.linalg.qr(np.stack([np.ones_like(time), time], axis=1))
    value, rate = value[inside], rate[inside]
    return value - trend @ (trend.T @ value), rate - trend @ (trend.T @ rate)


def _misfit(log_tau: FloatArray, gases: _Gases) -> FloatArray:
    """What of each port's gas temperature is not the others' movement, in units of MISFIT_C, and the prior."""
    gas = gases.value + np.exp(log_tau) * gases.rate
    others = (gas.sum(axis=1, keepdims=True) - gas) / (gas.shape[1] - 1)
    # the others are explained by this port and not the reverse: a slow probe's own movement is small, and
    # so would be what is left of it
    size = np.add.reduceat(gas * others, gases.starts) / np.add.reduceat(gas * gas, gases.starts)
    left = (others - size[gases.transient] * gas) / MISFIT_C
    return np.concatenate([left.ravel(), (log_tau - np.log(TYPICAL_S)) / TYPICAL_LOG_WIDTH])


def _start(n: int, gases: _Gases) -> FloatArray:
    """Each probe's best time constant on a coarse grid, one after the other: least squares alone would not find a
    probe that is ten times slower than it first assumes."""
    log_tau = np.full(n, np.log(TYPICAL_S))
    grid = np.log(np.geomspace(0.3, 0.8 * LONGEST_S, 12))
    for _ in range(2):
        for i in range(n):
            costs = []
            for candidate in grid:
                log_tau[i] = candidate
                left = _misfit(log_tau, gases)
                costs.append(float(left @ left))
            log_tau[i] = grid[int(np.argmin(costs))]
    return log_tau


def _transients(blocks: Blocks, egt: FloatArray) -> list[tuple[int, int]]:
    """(start, stop) of windows in which the bank's mean moves fast while the engine runs."""
    step = blocks.length_s
    if step > 2.0 or egt.shape[1] < 2 or len(egt) < SHORTEST_BLOCKS:
        return []  # an instrument this slow shows no lag of a few seconds, a lone probe no difference
    on = running(blocks)
    for start, _ in list(runs(on)):
        on[start : start + int(START_S / step)] = False
    mean = egt.mean(axis=1)
    rate = np.gradient(gaussian_filter1d(bridge(mean), 1.5 / step), step)
    fast = np.isfinite(mean) & (np.abs(rate) > TRANSIENT_C_PER_S)
    wide = np.zeros(len(fast), dtype=bool)
    for start, stop in runs(fast):
        wide[max(start - int(BEFORE_S / step), 0) : stop + int(AFTER_S / step)] = True
    return [
        (start, stop)
        for start, stop in runs(wide & on & np.isfinite(mean))
        if stop - start >= SHORTEST_BLOCKS and np.ptp(mean[start:stop]) >= TRANSIENT_MIN_C
    ]
