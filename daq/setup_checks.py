"""What does not fit together in a setup, each problem as one line: key, what is wrong, what would be right."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from daq.errors import SetupError
from daq.line_stream import columns_problem
from daq.mixture import STOICHIOMETRIC_AFR
from daq.setup_sections import Amplifier, ColdJunction, Instrument, LambdaSensor, Probe, Setup
from daq.tolerance import CLASSES, tolerance_C

T = TypeVar("T")

# A class whose range ends below this says nothing about an exhaust.
_EXHAUST_C = 900.0
#: Most columns of a source whose lines are made here: with up to 16 characters each a line stays below
#: `daq.line_stream.MAX_LINE_BYTES`.
MOST_COLUMNS = 60
_INSTRUMENT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


def inconsistencies(setup: Setup) -> Iterator[str]:
    """Every problem of `setup`, the most basic ones first."""
    yield from _bank_problems(setup)
    yield from _engine_problems(setup)
    for instrument in setup.instrument:
        yield from _instrument_problems(instrument)
    yield from _repeated_names(setup)
    for probe in setup.probe:
        yield from _probe_problems(probe, setup.cylinders)
    yield from _missing_probes(setup)
    for sensor in setup.lambda_sensor:
        yield from _lambda_problems(sensor, [bank.name for bank in setup.bank])
    for junction in setup.cold_junction:
        yield from _cold_junction_problems(junction, {probe.cold_junction for probe in setup.probe})
    if setup.conditions.injector and not setup.conditions.injector.endswith("_ms"):
        yield f"conditions: injector {setup.conditions.injector!r} must end in _ms (its unit)"
    known = {instrument.name: instrument.known_columns for instrument in setup.instrument}
    for key, column in setup.columns():
        name = setup.locate(column)[0]
        if name not in known:
            yield f"{key} = {column!r}: no instrument is named {name!r}; known: {', '.join(map(repr, known))}"
    yield from _missing_columns(setup, {name: columns for name, columns in known.items() if columns})


def check_columns(
    setup: Setup, columns_by_instrument: Mapping[str, Sequence[str]], source: str = "setup"
) -> None:
    """Raise SetupError for the first column that `setup` names and that its instrument does not send.

    columns_by_instrument: instrument -> the columns it sends. source: names the setup in the error.
    """
    for key, written in setup.columns():
        instrument = setup.locate(written)[0]
        if instrument not in columns_by_instrument:
            there = ", ".join(columns_by_instrument) or "none"
            silent = f"nothing came from the instrument {instrument!r}; there is: {there}"
            raise SetupError(f"{source}: {key} = {written!r}: {silent}")
    for problem in _missing_columns(setup, columns_by_instrument):
        raise SetupError(f"{source}: {problem}")


def _missing_columns(setup: Setup, columns_by_instrument: Mapping[str, Sequence[str]]) -> Iterator[str]:
    for key, written in setup.columns():
        instrument, column = setup.locate(written)
        sent = columns_by_instrument.get(instrument)
        if sent is None or column in sent:
            continue
        near = difflib.get_close_matches(column, sent)
        hint = (
            f"did you mean {' or '.join(map(repr, near))}?"
            if near
            else f"it sends: {', '.join(sent[:MOST_COLUMNS]) or 'none'}{' …' * (len(sent) > MOST_COLUMNS)}"
        )
        yield f"{key} = {written!r}: instrument {instrument!r} sends no such column; {hint}"


def _engine_problems(setup: Setup) -> Iterator[str]:
    engine, cylinders = setup.engine, sorted(setup.cylinders)
    if engine.firing_order is not None and sorted(engine.firing_order) != cylinders:
        yield f"engine: firing_order must name each of the cylinders {cylinders} once"
    if engine.fuel not in STOICHIOMETRIC_AFR:
        yield f"engine: fuel {engine.fuel!r} is not known; known: {', '.join(STOICHIOMETRIC_AFR)}"


def _bank_problems(setup: Setup) -> Iterator[str]:
    if not setup.bank:
        yield "bank: there is none; write [[bank]] with a name and e.g. cylinders = [1, 2, 3, 4]"
    for bank in setup.bank:
        if not bank.cylinders:
            yield f"bank {bank.name!r}: no cylinder; write e.g. cylinders = [1, 2, 3, 4]"
    for cylinder in _repeated(setup.cylinders):
        owners = " and ".join(repr(bank.name) for bank in setup.bank if cylinder in bank.cylinders)
        yield f"bank: cylinder {cylinder} is listed twice (bank {owners}); list it once, in one bank"


def _instrument_problems(instrument: Instrument) -> Iterator[str]:
    if not _INSTRUMENT_NAME.fullmatch(instrument.name):
        yield f"instrument: name {instrument.name!r} must be letters, digits, _ or -; it names a file"
    where, columns = f"instrument {instrument.name!r}", instrument.known_columns
    if instrument.can is not None and instrument.modbus is not None:
        yield f"{where}: is either on can or on modbus; write one [[instrument]] for each"
    elif instrument.columns is not None and columns is not instrument.columns:
        yield f"{where}: columns is for a line stream without a header; can and modbus name theirs themselves"
    elif instrument.usb is not None and instrument.can is not None:
        yield f'{where}: usb is for serial ports; name the CAN channel, e.g. port = "can0"'
    elif columns is not None and (problem := columns_problem(columns)):
        yield f"{where}: columns: {problem}"
    elif columns is not None and columns is not instrument.columns and not 1 < len(columns) <= MOST_COLUMNS:
        yield f"{where}: names {len(columns) - 1} columns; it takes 1 to {MOST_COLUMNS - 1}"


def _repeated_names(setup: Setup) -> Iterator[str]:
    for name in _repeated(bank.name for bank in setup.bank):
        yield f"bank: two banks are named {name!r}; give each its own name"
    for name in _repeated(instrument.name.lower() for instrument in setup.instrument):
        yield f"instrument: two instruments are named {name!r}; give each its own name"
    for cylinder in _repeated(probe.cylinder for probe in setup.probe):
        yield f"probe: cylinder {cylinder} has two probes; each cylinder takes one"
    for _, column in _repeated(setup.locate(probe.column) for probe in setup.probe):
        yield f"probe: column {column!r} is used by two probes; each probe has a column of its own"
    for identity in _repeated(probe.id for probe in setup.probe if probe.id):
        yield f"probe: id {identity!r} is used by two probes; a physical probe sits in one port"
    for bank_name in _repeated(sensor.bank for sensor in setup.lambda_sensor):
        yield f"lambda_sensor: bank {bank_name!r} has two sensors; a bank takes one"
    for column in _repeated(junction.column for junction in setup.cold_junction):
        yield f"cold_junction: column {column!r} has two sections; write one"


def _probe_problems(probe: Probe, cylinders: tuple[int, ...]) -> Iterator[str]:
    where, column, tolerance = f"probe of cylinder {probe.cylinder}", probe.column, probe.tolerance
    if probe.cylinder not in cylinders:
        yield f"{where}: no bank has this cylinder; the banks have {sorted(cylinders)}"
    if isinstance(tolerance, str):
        usable = [name for name in CLASSES if tolerance_C(name, _EXHAUST_C) < float("inf")]
        if tolerance not in usable:
            yield f"{where}: tolerance {tolerance!r} is not one of {', '.join(usable)}, or a number of °C"
    elif tolerance < 0:
        yield f"{where}: tolerance must not be negative; write a number of °C such as 6.0"
    if probe.amplifier is not None:
        yield from _amplifier_problems(where, probe.amplifier, column)
    elif column.endswith("_V"):
        yield f"{where}: column {column!r} is in volts; add amplifier = {{mV_per_C = …, volts_at_0C = …}}"
    elif not column.endswith(("_mV", "_uV", "_C")):
        yield f"{where}: column {column!r} must end in _mV, _uV or _C (its unit)"
    if column.endswith(("_mV", "_uV")) and not probe.cold_junction:
        yield f'{where}: {column!r} is the thermocouple itself; name its cold_junction column, e.g. "cj_C"'
    if probe.cold_junction and not probe.cold_junction.endswith(("_C", "_ohm")):
        yield f"{where}: cold_junction {probe.cold_junction!r} must end in _C or _ohm (its unit)"


def _amplifier_problems(where: str, amplifier: Amplifier, column: str) -> Iterator[str]:
    if column.endswith("_V"):
        if amplifier.mV_per_C is None:
            yield f"{where}: {column!r} is in volts; the amplifier needs mV_per_C = …"
    elif not column.endswith("_C"):
        yield f"{where}: an amplifier's column is in volts; {column!r} must end in _V (a converter's in _C)"
    elif amplifier.mV_per_C is not None or amplifier.volts_at_0C:
        yield f"{where}: {column!r} is in °C already; leave mV_per_C and volts_at_0C out"
    elif amplifier.sensitivity_uV_per_C is None:
        yield f"{where}: {column!r} is in °C; the converter's straight line needs sensitivity_uV_per_C = …"
    if amplifier.cold_junction_uV_per_C is not None and amplifier.sensitivity_uV_per_C is None:
        yield f"{where}: cold_junction_uV_per_C goes with sensitivity_uV_per_C; give both or neither"


def _missing_probes(setup: Setup) -> Iterator[str]:
    probed = {probe.cylinder for probe in setup.probe}
    for bank in setup.bank:
        if probed.isdisjoint(bank.cylinders):
            cylinders = sorted(bank.cylinders)
            yield f"probe: bank {bank.name!r} has no probe; add [[probe]] sections for cylinders {cylinders}"


def _lambda_problems(sensor: LambdaSensor, banks: list[str]) -> Iterator[str]:
    where, volts, lambdas = f"lambda_sensor of bank {sensor.bank!r}", sensor.volts, sensor.lambda_
    if sensor.bank not in banks:
        yield f"{where}: no bank has this name; known: {', '.join(map(repr, banks))}"
    if sensor.column.endswith(("_lambda", "_afr")):
        if volts or lambdas:
            yield f"{where}: column {sensor.column!r} is lambda or AFR already; leave volts and lambda out"
    elif not sensor.column.endswith(("_V", "_mV")):
        yield f"{where}: column {sensor.column!r} must end in _V, _mV, _lambda or _afr (its unit)"
    elif not volts or not lambdas or len(volts) != len(lambdas) or len(volts) < 2:
        example = "volts = [0.5, 4.5], lambda = [0.65, 1.45]"
        yield f"{where}: give volts and lambda as lists of one length, e.g. {example}"
    elif any(b <= a for a, b in pairwise(volts)):
        yield f"{where}: volts must increase from left to right"
    elif min(lambdas) <= 0:
        yield f"{where}: lambda must be positive"


def _cold_junction_problems(junction: ColdJunction, named: set[str | None]) -> Iterator[str]:
    where = f"cold_junction {junction.column!r}"
    if junction.column not in named:
        yield f"{where}: no probe names this column as its cold_junction"
    if not junction.column.endswith("_ohm"):
        yield f"{where}: a sensor's column must end in _ohm (its unit); a column in _C needs no section"
    by_b = junction.B_K is not None and junction.R25_ohm is not None
    if junction.sensor == "thermistor" and junction.steinhart_hart is None and not by_b:
        yield f"{where}: a thermistor needs steinhart_hart = [A, B, C], or B_K and R25_ohm"


def _repeated(values: Iterable[T]) -> list[T]:
    return [value for value, count in Counter(values).items() if count > 1]
