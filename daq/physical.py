"""Samples as physical quantities: one table in °C, lambda, rpm and load on one time base."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from daq.clock import OWN_TIME, arrival_times, sample_times
from daq.cold_junction import pt100_C, thermistor_b_C, thermistor_C
from daq.errors import SessionError
from daq.merge import find_gaps, gap_limit_s, interpolate, nearest
from daq.mixture import lambda_from_afr, lambda_from_volts
from daq.session_marks import Mark
from daq.session_reader import Session
from daq.setupfile import Amplifier, LambdaSensor, Probe, Setup, check_columns
from daq.thermocouple import HIGHEST_C, LOWEST_C, amplifier_C, hot_junction_C, straight_line_C

__all__ = ["Mark", "PhysicalTable", "Status", "physical_table"]

#: Where a converter does not say how warm its terminals are [°C].
USUAL_TERMINALS_C = 25.0

MOST_DAYS = 7
LONGEST_SPAN_S = MOST_DAYS * 86_400.0

FloatArray = npt.NDArray[np.float64]
StatusArray = npt.NDArray[np.uint8]


class Status(IntEnum):
    """Why a temperature is or is not there."""

    GOOD = 0
    NO_READING = 1
    OPEN_CIRCUIT = 2
    OUT_OF_RANGE = 3


@dataclass(frozen=True)
class PhysicalTable:
    """A session in physical units on the time base of the instrument that carries the thermocouples.

    time_s: (n_samples,) s since the recording began, strictly increasing.
    egt_C: (n_samples, n_cylinders) °C, NaN where there is no reading; `egt_status` says why.
    egt_status: (n_samples, n_cylinders) values of `Status`.
    cold_junction_C: (n_samples, n_cylinders) °C, NaN for a probe whose instrument converts by itself.
    lambda_by_bank: bank -> (n_samples,), aligned for the configured delay; only banks with a sensor.
    rpm, load, injector_ms, mixture: (n_samples,) or None where the setup names no column.
    gaps_s: (start, end) [s] of times without samples; nothing is interpolated across them.
    problems: what was wrong with the session's files, one plain sentence each.
    """

    name: str
    setup: Setup
    time_s: FloatArray
    cylinders: tuple[int, ...]
    egt_C: FloatArray
    egt_status: StatusArray
    cold_junction_C: FloatArray
    lambda_by_bank: Mapping[str, FloatArray]
    rpm: FloatArray | None = None
    load: FloatArray | None = None
    injector_ms: FloatArray | None = None
    mixture: FloatArray | None = None
    gaps_s: tuple[tuple[float, float], ...] = ()
    marks: tuple[Mark, ...] = ()
    problems: tuple[str, ...] = ()


def physical_table(session: Session, setup: Setup | None = None) -> PhysicalTable:
    """The samples of `session` in physical units, as `setup` (the session's own if None) explains them.

    The time base is that of the instrument with the most probes. Readings of other instruments are
    interpolated between neighbours no further apart than `daq.merge.gap_limit_s`, never beyond their ends;
    lambda is taken `delay_s` later, so that it belongs to the gas the probes saw. Raises SetupError for a
    column or an instrument that the session does not have, SessionError for samples that lie months apart.
    """
    setup = session.setup if setup is None else setup
    readings = _Readings(session, setup)
    egt_C, status, cold_junction_C = _temperatures(readings, setup)
    conditions = setup.conditions
    return PhysicalTable(
        name=session.name,
        setup=setup,
        time_s=readings.time_s,
        cylinders=setup.cylinders,
        egt_C=egt_C,
        egt_status=status,
        cold_junction_C=cold_junction_C,
        lambda_by_bank={sensor.bank: _lambda(readings, sensor, setup) for sensor in setup.lambda_sensor},
        rpm=_condition(readings, conditions.rpm),
        load=_condition(readings, conditions.load),
        injector_ms=_condition(readings, conditions.injector),
        mixture=_condition(readings, conditions.mixture),
        gaps_s=find_gaps(readings.time_s),
        marks=session.marks,
        problems=(*session.problems, *readings.problems),
    )


@dataclass(frozen=True)
class _Column:
    """A column with its samples' times: time_s, values (NaN for none or open), open_circuit: all (n_in,)."""

    name: str
    instrument: str
    time_s: FloatArray
    values: FloatArray
    open_circuit: npt.NDArray[np.bool_]


class _Readings:
    """The session's columns by the names of the setup, with times, and how to bring them to one time base."""

    def __init__(self, session: Session, setup: Setup) -> None:
        columns = {name: table.columns for name, table in session.tables.items()}
        check_columns(setup, columns, str(session.path / "setup.toml"))
        self._setup = setup
        self._tables = session.tables
        used = dict.fromkeys(setup.locate(column)[0] for _, column in setup.columns())
        for name in used:
            _check_span(session, name)
        times_of = arrival_times if session.start.get(OWN_TIME) else sample_times
        self._times = {name: times_of(session.tables[name]) for name in used}
        self.problems = [problem for times in self._times.values() for problem in times.problems]
        probes = Counter(setup.locate(probe.column)[0] for probe in setup.probe)
        self.base = probes.most_common(1)[0][0]
        self.time_s = self._times[self.base].time_s

    def column(self, name: str) -> _Column:
        """The column that the setup calls `name`, on its own instrument's times."""
        instrument, column = self._setup.locate(name)
        times = self._times[instrument]
        raw = self._tables[instrument].raw(column)[times.kept]
        open_circuit = np.isposinf(raw)
        return _Column(column, instrument, times.time_s, np.where(open_circuit, np.nan, raw), open_circuit)

    def at_base(self, column: _Column, values: FloatArray, delay_s: float = 0.0) -> FloatArray:
        """`values`, (n_in,) on the times of `column`, on the common time base `delay_s` [s] earlier."""
        if column.instrument == self.base and delay_s == 0.0:
            return values
        limit_s = gap_limit_s(column.time_s)
        return interpolate(self.time_s, column.time_s - delay_s, values, limit_s)

    def state_at_base(self, column: _Column, status: StatusArray) -> StatusArray:
        """The `Status` of the nearest sample of `column` at each of the common times; none where there is none."""
        if column.time_s.size == 0:
            return np.full(self.time_s.shape, Status.NO_READING, dtype=np.uint8)
        return status[nearest(self.time_s, column.time_s)]


def _check_span(session: Session, instrument: str) -> None:
    """Raise SessionError where arrivals lie so far apart that a time base over all of them would fill the memory."""
    host_s = session.tables[instrument].host_s
    if host_s.size and float(np.ptp(host_s)) > LONGEST_SPAN_S:
        days = float(np.ptp(host_s)) / 86_400.0
        raise SessionError(
            f"{session.path}: the samples of {instrument!r} span {days:.0f} days; a session has {MOST_DAYS} at most"
        )


def _temperatures(readings: _Readings, setup: Setup) -> tuple[FloatArray, StatusArray, FloatArray]:
    """(°C, status, cold junction °C), each (n_samples, n_cylinders); without a probe there is no reading."""
    shape = (len(setup.cylinders), readings.time_s.size)
    egt_C, cold_junction_C = np.full(shape, np.nan), np.full(shape, np.nan)
    status = np.full(shape, Status.NO_READING, dtype=np.uint8)
    for probe in setup.probe:
        row = setup.cylinders.index(probe.cylinder)
        egt_C[row], status[row], cold_junction_C[row] = _probe(readings, probe, setup)
    return egt_C.T, status.T, cold_junction_C.T


def _probe(readings: _Readings, probe: Probe, setup: Setup) -> tuple[FloatArray, StatusArray, FloatArray]:
    """One probe's (°C, status, cold junction °C), each (n_samples,) on the common time base."""
    column = readings.column(probe.column)
    junction_C = np.full(column.values.shape, np.nan)
    status = np.where(np.isnan(column.values), Status.NO_READING, Status.GOOD).astype(np.uint8)
    if probe.amplifier is not None:
        t_C, junction_C = _amplified(readings, probe, probe.amplifier, setup, column)
        if probe.cold_junction and probe.amplifier.sensitivity_uV_per_C is not None:
            status[np.isnan(junction_C)] = Status.NO_READING
    elif probe.column.endswith("_C"):
        t_C = np.where((column.values >= LOWEST_C) & (column.values <= HIGHEST_C), column.values, np.nan)
    else:
        junction_C = _cold_junction_C(readings, probe.cold_junction or "", setup, column)
        t_C = hot_junction_C(_millivolts(column), junction_C)
        status[np.isnan(junction_C)] = Status.NO_READING
    status[column.open_circuit] = Status.OPEN_CIRCUIT
    status[np.isnan(t_C) & (status == Status.GOOD)] = Status.OUT_OF_RANGE
    t_C = t_C - probe.offset_C
    if column.instrument != readings.base:
        t_C, junction_C = readings.at_base(column, t_C), readings.at_base(column, junction_C)
        status = readings.state_at_base(column, status)
        t_C[status != Status.GOOD] = np.nan
        status[np.isnan(t_C) & (status == Status.GOOD)] = Status.NO_READING
    return t_C, status, junction_C


def _amplified(
    readings: _Readings, probe: Probe, amplifier: Amplifier, setup: Setup, column: _Column
) -> tuple[FloatArray, FloatArray]:
    """(°C, cold junction °C where it is known), each (n_in,), of a probe behind an amplifier or converter."""
    line_C = column.values
    if amplifier.mV_per_C is not None:
        line_C = amplifier_C(column.values, amplifier.mV_per_C, amplifier.volts_at_0C)
    unknown = np.full(column.values.shape, np.nan)
    junction_C = (
        _cold_junction_C(readings, probe.cold_junction, setup, column) if probe.cold_junction else unknown
    )
    if amplifier.sensitivity_uV_per_C is None:
        return line_C, junction_C
    # without a reading of the chip's temperature a usual one serves: 10 °C of it make less than 0.3 °C
    cold_C = junction_C if probe.cold_junction else np.full(column.values.shape, USUAL_TERMINALS_C)
    t_C = straight_line_C(line_C, amplifier.sensitivity_uV_per_C, cold_C, amplifier.cold_junction_uV_per_C)
    return t_C, junction_C


def _cold_junction_C(readings: _Readings, name: str, setup: Setup, probe: _Column) -> FloatArray:
    """The cold junction [°C] at the times of the column `probe`."""
    column = readings.column(name)
    values = column.values
    if name.endswith("_ohm"):
        sensor = next((s for s in setup.cold_junction if s.column == name), None)
        if sensor is None or sensor.sensor == "pt100":
            values = pt100_C(values, 100.0 if sensor is None else sensor.R0_ohm)
        elif sensor.steinhart_hart is not None:
            values = thermistor_C(values, sensor.steinhart_hart)
        else:
            values = thermistor_b_C(values, sensor.R25_ohm or np.nan, sensor.B_K or np.nan)
    if column.instrument == probe.instrument:
        return values
    return interpolate(probe.time_s, column.time_s, values, gap_limit_s(column.time_s))


def _millivolts(column: _Column) -> FloatArray:
    scale = {"uV": 1e-3, "mV": 1.0, "V": 1e3}[column.name.rpartition("_")[2]]
    return column.values * scale


def _lambda(readings: _Readings, sensor: LambdaSensor, setup: Setup) -> FloatArray:
    """(n_samples,) lambda of the gas that the probes saw at each time of the common time base."""
    column = readings.column(sensor.column)
    if sensor.column.endswith("_lambda"):
        values = column.values
    elif sensor.column.endswith("_afr"):
        values = lambda_from_afr(column.values, setup.engine.fuel)
    else:
        values = lambda_from_volts(_millivolts(column) / 1e3, sensor.volts or (), sensor.lambda_ or ())
    return readings.at_base(column, values, sensor.delay_s or 0.0)


def _condition(readings: _Readings, name: str | None) -> FloatArray | None:
    """(n_samples,) of a column that keeps its unit, or None where the setup names none."""
    if name is None:
        return None
    column = readings.column(name)
    return readings.at_base(column, column.values)
