"""The check before the engine runs and after: what `evenburn check` says about each probe and each instrument."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.check_cold_junction import check_cold_junctions
from analysis.check_item import CheckItem, Verdict
from analysis.check_ports import Warmed, check_ports, warmed_ports
from analysis.check_probes import check_noise, check_offsets, check_polarity, check_readings, noise_C
from analysis.check_stream import check_files, check_timing, check_transmission
from analysis.probe_faults import loose_probes, silent_probes
from analysis.soak import SoakOffsets, soak_offsets
from analysis.uncertainty import coverage_factor
from daq.physical import PhysicalTable
from daq.session import Session
from daq.tolerance import tolerance_C

_ORDER: tuple[Verdict, ...] = ("fault", "warning", "cannot tell", "good")


@dataclass(frozen=True)
class ProbeState:
    """One cylinder's probe in figures, None where the data cannot tell.

    reading_C: median of the last 5 s. noise_C: from sample to sample. cold_offset_C, cold_offset_u95_C: beside the
    median of all in a cold soak. tolerance_C: what its class allows at that temperature. matching_offset_C: the
    setup's `offset_C` that would make it agree there, not given for a faulty probe. verdict: the worst of what
    is said about it.
    """

    cylinder: int
    bank: str
    column: str | None
    verdict: Verdict
    reading_C: float | None
    noise_C: float | None
    cold_offset_C: float | None
    cold_offset_u95_C: float | None
    tolerance_C: float | None
    matching_offset_C: float | None


@dataclass(frozen=True)
class ProbeCheck:
    """All that the check has to say. items: worst first."""

    session: str
    probes: tuple[ProbeState, ...]
    items: tuple[CheckItem, ...]
    soak: SoakOffsets | None
    warmed: tuple[Warmed, ...]

    @property
    def faults(self) -> tuple[CheckItem, ...]:
        """What must be mended before the engine is judged by this."""
        return tuple(item for item in self.items if item.verdict == "fault")

    @property
    def todo(self) -> tuple[CheckItem, ...]:
        """What asks for an action, worst first."""
        return tuple(item for item in self.items if item.action and item.verdict != "good")


def probe_check(table: PhysicalTable, session: Session) -> ProbeCheck:
    """Check the probes in `table` and the instruments in `session`, from which the table was made."""
    soak, warmed = soak_offsets(table), warmed_ports(table)
    faults = silent_probes(table) | loose_probes(table)
    items = [
        *check_readings(table, faults),
        *check_polarity(table, faults, warmed),
        *check_cold_junctions(table),
        *check_offsets(table, soak),
        *check_noise(table),
        *check_ports(warmed),
        *check_transmission(session),
        *check_timing(session),
        *check_files(table.problems),
    ]
    return ProbeCheck(
        session=table.name,
        probes=_states(table, soak, items),
        items=tuple(sorted(items, key=lambda item: _ORDER.index(item.verdict))),
        soak=soak,
        warmed=warmed,
    )


def _states(table: PhysicalTable, soak: SoakOffsets | None, items: list[CheckItem]) -> tuple[ProbeState, ...]:
    noise = noise_C(table)
    last = table.time_s >= (table.time_s[-1] - 5.0 if table.time_s.size else 0.0)
    states = []
    for column, cylinder in enumerate(table.cylinders):
        probe = next((p for p in table.setup.probe if p.cylinder == cylinder), None)
        verdicts = [item.verdict for item in items if item.subject == f"cylinder {cylinder}"]
        verdict: Verdict = min(verdicts, key=_ORDER.index, default="cannot tell")
        readings = table.egt_C[last, column]
        offset_C = np.nan if soak is None else float(soak.offset_C[column])
        u_C = np.nan if soak is None else float(soak.u_C[column])
        class_C = (
            np.nan if soak is None or probe is None else float(tolerance_C(probe.tolerance, soak.engine_C))
        )
        states.append(
            ProbeState(
                cylinder=cylinder,
                bank=table.setup.bank_of(cylinder).name,
                column=None if probe is None else probe.column,
                verdict=verdict,
                reading_C=_known(np.median(readings[np.isfinite(readings)]))
                if np.isfinite(readings).any()
                else None,
                noise_C=_known(noise[column]),
                cold_offset_C=_known(offset_C),
                cold_offset_u95_C=_known(coverage_factor(np.inf) * u_C),
                tolerance_C=_known(class_C),
                matching_offset_C=None
                if probe is None or verdict == "fault"
                else _known(probe.offset_C + offset_C),
            )
        )
    return tuple(states)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
