"""Pulls: speed rising steadily under load."""

from __future__ import annotations

import numpy as np

from analysis.blocks import Blocks
from analysis.conditions import running, runs, smooth
from analysis.result import Stretch

PULL_RPM_PER_S = 40.0
PULL_MIN_SHARE = 0.35  # of the speed it began with
PULL_MIN_S = 4.0
LOADED_SHARE = 0.5  # of the session's highest load


def find_pulls(blocks: Blocks) -> list[Stretch]:
    """Stretches of rising speed; they are listed, and not compared while the session holds anything steadier."""
    if blocks.rpm is None or len(blocks.time_s) < 8:
        return []
    rate = smooth(blocks.rpm, max(int(3.0 / blocks.length_s), 3), derivative=1, step_s=blocks.length_s)
    rising = running(blocks) & (np.nan_to_num(rate) > PULL_RPM_PER_S)
    if blocks.load is not None:
        rising &= np.nan_to_num(blocks.load) > LOADED_SHARE * float(np.nan_to_num(blocks.load).max())
    found = []
    for start, stop in runs(rising):
        rpm = blocks.rpm[start:stop]
        if (stop - start) * blocks.length_s < PULL_MIN_S or rpm[-1] < (1.0 + PULL_MIN_SHARE) * rpm[0]:
            continue
        load = None if blocks.load is None else float(np.nanmean(blocks.load[start:stop]))
        found.append(
            Stretch(
                kind="pull",
                start_s=float(blocks.time_s[start] - blocks.length_s / 2),
                end_s=float(blocks.time_s[stop - 1] + blocks.length_s / 2),
                rpm=float(np.nanmean(rpm)),
                load=load,
                used=False,
                reason="speed changes all the time, so the probes' lags and the ports' heat do not settle",
            )
        )
    return found
