"""Pulls: speed rising steadily under load.

They are compared only where a session holds nothing steadier. The probes are brought to one lag first: what a
junction of time constant tau shows becomes its gas temperature by adding tau times its own rate of change.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks
from analysis.conditions import bridge, running, runs, smooth
from analysis.deviation import Deviation
from analysis.lag import Lags, exhaust_flow
from analysis.result import Stretch

FloatArray = npt.NDArray[np.float64]

PULL_RPM_PER_S = 40.0
PULL_MIN_SHARE = 0.35  # of the speed it began with
PULL_MIN_S = 4.0
LOADED_SHARE = 0.5  # of the session's highest load
PULL_U_C = 4.0  # ports heat up at their own pace during a pull; common practice, no published source
RATE_WINDOW_S = 2.0


def pull_runs(blocks: Blocks) -> list[tuple[int, int]]:
    """(start, stop) blocks in which speed rises steadily under load."""
    if blocks.rpm is None or len(blocks.time_s) < 8:
        return []
    rate = smooth(blocks.rpm, max(int(3.0 / blocks.length_s), 3), derivative=1, step_s=blocks.length_s)
    rising = running(blocks) & (np.nan_to_num(rate) > PULL_RPM_PER_S)
    if blocks.load is not None and np.isfinite(blocks.load).any():
        rising &= np.nan_to_num(blocks.load) > LOADED_SHARE * float(np.nanmax(blocks.load))
    rpm = bridge(blocks.rpm)
    return [
        (start, stop)
        for start, stop in runs(rising)
        if (stop - start) * blocks.length_s >= PULL_MIN_S
        and rpm[stop - 1] >= (1.0 + PULL_MIN_SHARE) * rpm[start]
    ]


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def find_pulls(blocks: Blocks, used: bool) -> list[Stretch]:
    """The pulls as stretches of the result."""
    found = []
    for start, stop in pull_runs(blocks):
        assert blocks.rpm is not None
        load = np.nan if blocks.load is None else _mean(blocks.load[start:stop])
        found.append(
            Stretch(
                kind="pull",
                start_s=float(blocks.time_s[start] - blocks.length_s / 2),
                end_s=float(blocks.time_s[stop - 1] + blocks.length_s / 2),
                rpm=_mean(blocks.rpm[start:stop]),
                load=load if np.isfinite(load) else None,
                used=used,
                reason="nothing steadier was logged; probes brought to one lag"
                if used
                else "speed changes all the time, so the probes' lags and the ports' heat do not settle",
            )
        )
    return found


def pull_deviation(blocks: Blocks, bank: str, lags: Lags) -> Deviation | None:
    """One bank's deviations over all pulls, probes brought to one lag; None without a pull or a second cylinder."""
    columns = blocks.columns(lags.cylinders)
    flow = exhaust_flow(blocks) / lags.reference_flow
    window = max(int(RATE_WINDOW_S / blocks.length_s), 3)
    means, levels, mixtures, length = [], [], [], 0
    for start, stop in pull_runs(blocks):
        egt = blocks.egt_C[start:stop, columns]
        if len(columns) < 2 or not np.isfinite(egt).all():
            continue
        rate = np.stack([smooth(c, window, derivative=1, step_s=blocks.length_s) for c in egt.T], axis=1)
        gas = egt + lags.time_constant_s * np.clip(flow[start:stop], 0.05, None)[:, None] ** -0.5 * rate
        means.append((gas - gas.mean(axis=1, keepdims=True)).mean(axis=0))
        levels.append(float(egt.mean()))
        mixtures.append(_mean(x[start:stop]) if (x := blocks.ln_phi.get(bank)) is not None else np.nan)
        length += stop - start
    if not means:
        return None
    deviation = np.array(means)
    spread = deviation.std(axis=0, ddof=1) if len(means) > 1 else np.zeros(len(columns))
    return Deviation(
        bank=bank,
        cylinders=lags.cylinders,
        deviation_C=deviation.mean(axis=0),
        noise_u_C=np.hypot(spread, PULL_U_C) / np.sqrt(len(means)),
        noise_freedom=np.full(len(columns), float(max(len(means) - 1, 1))),
        level_C=float(np.mean(levels)),
        lambda_mean=float(np.exp(-np.mean(mixtures))),
        duration_s=length * blocks.length_s,
    )
