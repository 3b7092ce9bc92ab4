"""Whole sessions of an unseen engine: as a physical table at once, or as the bytes of a line stream."""

from __future__ import annotations

import binascii
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from daq.physical import Mark, PhysicalTable, Status
from daq.setupfile import Setup, parse_setup
from daq.thermocouple import hot_junction_C

from .engine import EngineTruth
from .options import Fault
from .physics import Physics, simulate
from .schedule import SCHEDULES, Schedule, segment_times
from .sensors import LAMBDA_RANGE, LAMBDA_VOLTS, Readings, read

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """What a perfect analysis of the session would say.

    offset_percent: cylinder -> fuel per air against its bank's mean, averaged over the sweep (else the
    holds); offset_course_percent: (n_samples, n_cylinders) the same at every instant; faults: as they were
    put in.
    """

    offset_percent: Mapping[int, float]
    offset_course_percent: FloatArray
    sweeps_s: tuple[tuple[float, float], ...]
    holds_s: tuple[tuple[float, float], ...]
    faults: tuple[Fault, ...]
    physics: Physics = field(repr=False)


def setup_text(engine: EngineTruth) -> str:
    """The setup that a careful user would write for `engine` (probes exchanged by a fault stay exchanged)."""
    lines = ['[engine]\nname = "test rig"\nfuel = "petrol"\nstrokes = 4\n']
    for number, name in enumerate(engine.bank_names):
        members = [engine.cylinders[k] for k in engine.in_bank(number)]
        lines.append(f'[[bank]]\nname = "{name}"\ncylinders = {members}\n')
        lines.append(
            f'[[lambda_sensor]]\nbank = "{name}"\ncolumn = "lambda_{name}_V"\n'
            f"volts = {list(LAMBDA_VOLTS)}\nlambda = {list(LAMBDA_RANGE)}\n"
        )
    for cylinder in engine.cylinders:
        lines.append(
            f'[[probe]]\ncylinder = {cylinder}\ncolumn = "egt{cylinder}_mV"\ncold_junction = "cj_C"\n'
            f'tolerance = "iec-2"\nid = "T{cylinder:02d}"\n'
        )
    lines.append('[conditions]\nrpm = "rpm"\nload = "map_kPa"\ninjector = "injector_ms"\n')
    return "\n".join(lines)


@lru_cache(maxsize=64)
def _parsed(text: str) -> Setup:
    return parse_setup(text, "rig")


def _schedule(schedule: Schedule | str) -> Schedule:
    return SCHEDULES[schedule] if isinstance(schedule, str) else schedule


def _simulated(
    engine: EngineTruth, parts: Schedule, rate_hz: float, noise_seed: int
) -> tuple[Readings, Truth]:
    """Readings of the instrument and the truth behind them."""
    physics = simulate(engine, parts, rate_hz, noise_seed)
    readings = read(engine, physics, noise_seed)
    sweeps, holds = segment_times(parts, "sweep"), segment_times(parts, "hold")
    time_s = physics.line.time_s
    wanted = np.zeros(time_s.size, dtype=bool)
    for begin, end in sweeps or holds or [(0.0, float(time_s[-1]))]:
        wanted |= (time_s >= begin) & (time_s < end)
    mean = physics.offset_percent[wanted].mean(axis=0)
    truth = Truth(
        offset_percent=dict(zip(engine.cylinders, mean.tolist(), strict=True)),
        offset_course_percent=physics.offset_percent,
        sweeps_s=tuple(sweeps),
        holds_s=tuple(holds),
        faults=engine.options.faults,
        physics=physics,
    )
    return readings, truth


def run(
    engine: EngineTruth, schedule: Schedule | str = "standard", rate_hz: float = 10.0, noise_seed: int = 0
) -> tuple[PhysicalTable, Truth]:
    """A session as `daq.physical.physical_table` would give it, without bytes in between, and the truth."""
    parts = _schedule(schedule)
    readings, truth = _simulated(engine, parts, rate_hz, noise_seed)
    cold = np.repeat(readings.cold_junction_C[:, None], len(engine.cylinders), axis=1)
    egt = np.asarray(hot_junction_C(readings.egt_mV, cold), dtype=np.float64)
    status = np.where(np.isfinite(egt), Status.GOOD, Status.OUT_OF_RANGE)
    status = np.where(readings.open_circuit, Status.OPEN_CIRCUIT, status)
    lambda_ = np.interp(readings.lambda_V, LAMBDA_VOLTS, LAMBDA_RANGE)
    table = PhysicalTable(
        name=f"{engine.shape}-{engine.seed}",
        setup=_parsed(setup_text(engine)),
        time_s=readings.time_s,
        cylinders=engine.cylinders,
        egt_C=egt,
        egt_status=status.astype(np.uint8),
        cold_junction_C=cold,
        lambda_by_bank={name: lambda_[:, k] for k, name in enumerate(engine.bank_names)},
        rpm=readings.rpm,
        load=readings.load_kPa,
        injector_ms=readings.injector_ms,
        marks=_marks(parts),
    )
    return table, truth


def _marks(schedule: Schedule) -> tuple[Mark, ...]:
    """What the operator notes down: which port is being warmed."""
    begins = np.cumsum([0.0, *(part.duration_s for part in schedule)])
    return tuple(
        Mark(float(begin), "remark", f"warming port {part.warmed}")
        for begin, part in zip(begins[:-1], schedule, strict=True)
        if part.warmed is not None
    )


def as_line_stream(
    engine: EngineTruth,
    schedule: Schedule | str = "standard",
    rate_hz: float = 20.0,
    checksum: Literal["xor", "crc"] | None = None,
    noise_seed: int = 0,
) -> tuple[bytes, str, Truth]:
    """The same session as (bytes of the line stream, text of its setup file, truth)."""
    parts = _schedule(schedule)
    readings, truth = _simulated(engine, parts, rate_hz, noise_seed)
    remarks = {round(mark.time_s * rate_hz): f"# {mark.text}" for mark in _marks(parts)}
    columns = ["time_ms", "cj_C", *(f"egt{c}_mV" for c in engine.cylinders)]
    columns += [f"lambda_{name}_V" for name in engine.bank_names] + ["rpm", "map_kPa", "injector_ms"]
    header = "#" + ",".join(columns)
    lines = [header]
    repeat = max(1, round(10 * rate_hz))
    for k, time_s in enumerate(readings.time_s):
        if k and k % repeat == 0:
            lines.append(header)
        if k in remarks:
            lines.append(remarks[k])
        fields = [f"{round(time_s * 1000) + 5000}", f"{readings.cold_junction_C[k]:.2f}"]
        fields += [
            "open" if broken else f"{value:.4f}"
            for value, broken in zip(readings.egt_mV[k], readings.open_circuit[k], strict=True)
        ]
        fields += [f"{value:.4f}" for value in readings.lambda_V[k]]
        fields += [f"{readings.rpm[k]:.0f}", f"{readings.load_kPa[k]:.1f}", f"{readings.injector_ms[k]:.3f}"]
        lines.append(_checked(",".join(fields), checksum))
    return ("\r\n".join(lines) + "\r\n").encode("ascii"), setup_text(engine), truth


def _checked(text: str, checksum: str | None) -> str:
    """`text` with its checksum: XOR after NMEA 0183, or CRC-16 polynomial 0x1021 from 0xFFFF."""
    if checksum is None:
        return text
    if checksum == "xor":
        total = 0
        for byte in text.encode("ascii"):
            total ^= byte
        return f"{text}*{total:02X}"
    return f"{text}*{binascii.crc_hqx(text.encode('ascii'), 0xFFFF):04X}"
