"""What is found once in a session and then read by the judgement of every bank."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.blocks import Blocks
from analysis.conditions import Span
from analysis.fault import Fault
from analysis.lag import Lags
from analysis.mixture_path import Part
from analysis.probe_faults import DriftRate
from daq.physical import PhysicalTable


@dataclass(frozen=True)
class SessionView:
    """Blocks, operating regions with their parts, probe lags by bank, and what is broken, by cylinder."""

    table: PhysicalTable
    blocks: Blocks
    regions: tuple[tuple[Span, ...], ...]
    parts: tuple[tuple[Span, tuple[Part, ...]], ...]
    lags: dict[str, Lags]
    settle_s: float
    probe_faults: dict[int, Fault]
    drifts: dict[int, DriftRate]
    misfires: dict[int, Fault]

    def parts_of(self, region: tuple[Span, ...]) -> list[Part]:
        """The holds and sweeps of one operating region."""
        spans = frozenset(region)  # ten hours have hundreds
        return [part for span, pieces in self.parts if span in spans for part in pieces]
