"""The setup: which probe sits in which port, how volts become lambda, what the columns mean.

A text file (TOML) beside the samples. It interprets them and never changes them, so a mistake found a year later is
corrected in the text and the session analysed again.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct, field

from daq.errors import SetupError
from daq.mixture import STOICHIOMETRIC_AFR
from daq.tolerance import CLASSES

PositiveInt = Annotated[int, Meta(ge=1)]
PositiveFloat = Annotated[float, Meta(gt=0)]
NonNegative = Annotated[float, Meta(ge=0)]


class Section(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the setup file: no key that is not named here is accepted."""


class Engine(Section, frozen=True):
    """The engine as a whole. `egt_limit_C` [°C] is for alarms only."""

    name: str
    fuel: str = "petrol"
    strokes: Literal[2, 4] = 4
    firing_order: tuple[PositiveInt, ...] | None = None
    egt_limit_C: PositiveFloat | None = None


class Instrument(Section, frozen=True):
    """One serial port. `columns` only for an instrument that prints no header; `usb` is VID:PID[:SERIAL]."""

    name: str = "main"
    baud: PositiveInt = 115200
    port: str | None = None
    usb: str | None = None
    columns: tuple[str, ...] | None = None


class Bank(Section, frozen=True):
    """Cylinders that share one lambda sensor."""

    name: str
    cylinders: tuple[PositiveInt, ...]


class LambdaSensor(Section, frozen=True):
    """How a column becomes the bank's lambda. `delay_s` [s]: what the sensor reports later than the temperatures."""

    bank: str
    column: str
    volts: tuple[float, ...] | None = None
    lambda_: tuple[float, ...] | None = field(default=None, name="lambda")
    delay_s: NonNegative | None = None


class Amplifier(Section, frozen=True):
    """A fixed-slope amplifier or linearising converter: volts = `volts_at_0C` + T·`mV_per_C`/1000."""

    mV_per_C: PositiveFloat
    volts_at_0C: float = 0.0


class Probe(Section, frozen=True):
    """A thermocouple in a port. `tolerance` is a class name or a number of °C; `offset_C` [°C] is subtracted."""

    cylinder: PositiveInt
    column: str
    cold_junction: str | None = None
    tolerance: str | float = "iec-2"
    id: str | None = None
    offset_C: float = 0.0
    amplifier: Amplifier | None = None


class ColdJunction(Section, frozen=True):
    """How a cold-junction column in ohm becomes °C. Without this section an ohm column is taken as a Pt100."""

    column: str
    sensor: Literal["pt100", "thermistor"] = "pt100"
    R0_ohm: PositiveFloat = 100.0
    R25_ohm: PositiveFloat | None = None
    B_K: PositiveFloat | None = None
    steinhart_hart: tuple[float, float, float] | None = None


class Conditions(Section, frozen=True):
    """Columns of the operating point. `mixture` holds the whole engine's relative fuel where no lambda sensor is."""

    rpm: str | None = None
    load: str | None = None
    injector: str | None = None
    mixture: str | None = None


class Assumptions(Section, frozen=True):
    """What the analysis assumes where the data is silent; each may be changed by the user.

    heat_u_C: standard uncertainty [°C] of the exhaust heat of a cylinder that is not mixture (healthy engines show
    20 to 33 °C of spread between cylinders, references section 11).
    """

    heat_u_C: NonNegative = 10.0


class TrimLimits(Section, frozen=True):
    """Limits of one trim step [% fuel]: how far, how much of that for leaning, and from which offset on."""

    step_percent: PositiveFloat = 3.0
    leaning_share: Annotated[float, Meta(ge=0, le=1)] = 0.5
    threshold_percent: NonNegative = 1.0


class Setup(Section, frozen=True):
    """A whole setup file. Use `load_setup` or `parse_setup`, which also check what belongs together."""

    engine: Engine
    bank: tuple[Bank, ...]
    probe: tuple[Probe, ...]
    instrument: tuple[Instrument, ...] = (Instrument(),)
    lambda_sensor: tuple[LambdaSensor, ...] = ()
    cold_junction: tuple[ColdJunction, ...] = ()
    conditions: Conditions = Conditions()
    assumptions: Assumptions = Assumptions()
    trims: TrimLimits = TrimLimits()

    @property
    def cylinders(self) -> tuple[int, ...]:
        """All cylinders, bank after bank, in the file's order."""
        return tuple(c for bank in self.bank for c in bank.cylinders)

    def bank_of(self, cylinder: int) -> Bank:
        """The bank that `cylinder` belongs to."""
        return next(bank for bank in self.bank if cylinder in bank.cylinders)

    def columns(self) -> tuple[tuple[str, str], ...]:
        """Every column the setup names, as (key in the file, column as written)."""
        named: list[tuple[str, str | None]] = []
        for probe in self.probe:
            named.append((f"probe of cylinder {probe.cylinder}: column", probe.column))
            named.append((f"probe of cylinder {probe.cylinder}: cold_junction", probe.cold_junction))
        named += [(f"lambda_sensor of bank {s.bank!r}: column", s.column) for s in self.lambda_sensor]
        named += [
            ("conditions: rpm", self.conditions.rpm),
            ("conditions: load", self.conditions.load),
            ("conditions: injector", self.conditions.injector),
            ("conditions: mixture", self.conditions.mixture),
        ]
        return tuple((key, column) for key, column in named if column)

    def locate(self, column: str) -> tuple[str, str]:
        """(instrument, column) of a name as written; a name without a colon belongs to the first instrument."""
        instrument, colon, rest = column.partition(":")
        return (instrument, rest) if colon else (self.instrument[0].name, column)


def load_setup(path: str | Path) -> Setup:
    """The setup in the file `path`. Raises SetupError with file, key and what would be right."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        raise SetupError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise SetupError(f"{path}: is not a text file in UTF-8") from None
    return parse_setup(text, str(path))


def parse_setup(text: str, source: str = "setup") -> Setup:
    """The setup in `text`; `source` names it in errors. Raises SetupError."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"{source}: is not valid TOML: {error}") from None
    try:
        setup = msgspec.convert(tree, Setup)
    except msgspec.ValidationError as error:
        raise SetupError(f"{source}: {_explain(str(error))}") from None
    for problem in _inconsistencies(setup):
        raise SetupError(f"{source}: {problem}")
    return setup


def _explain(message: str) -> str:
    """A validation message in the file's own words, with the nearest allowed key for an unknown one."""
    said, _, place = message.partition(" - at ")
    place = place.strip("`").removeprefix("$").lstrip(".")
    place = re.sub(r"\[(\d+)\]", lambda m: f" number {int(m[1]) + 1}", place).replace(".", ", ")
    unknown = re.search(r"unknown field `(.*)`", said)
    if unknown:
        allowed = _keys_at(place)
        near = difflib.get_close_matches(unknown[1], allowed, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "allowed here: " + ", ".join(sorted(allowed))
        return f"{place + ': ' if place else ''}unknown key {unknown[1]!r}; {hint}"
    missing = re.search(r"missing required field `(.*)`", said)
    if missing:
        return f"{place + ': ' if place else ''}the key {missing[1]!r} is missing"
    return f"{place}: {said[:1].lower()}{said[1:]}"


def _keys_at(place: str) -> list[str]:
    """The keys allowed in the table that `place` (as `_explain` writes it) names."""
    kind: Any = Setup
    for part in re.sub(r" number \d+", "", place).split(", "):
        for known in msgspec.structs.fields(kind) if part else ():
            if known.encode_name == part:
                kind = next(
                    s
                    for s in (Engine, Instrument, Bank, LambdaSensor, Probe, Amplifier, ColdJunction, Conditions,
                              Assumptions, TrimLimits)
                    if s.__name__.lower() == part.replace("_", "") or (s is TrimLimits and part == "trims")
                )
                break
    return [known.encode_name for known in msgspec.structs.fields(kind)]


def _duplicates(values: Iterable[Any]) -> list[Any]:
    seen: set[Any] = set()
    return [v for v in values if v in seen or seen.add(v)]  # type: ignore[func-returns-value]


def _inconsistencies(setup: Setup) -> Iterable[str]:
    """What does not fit together, each as one line: key, what is wrong, what would be right."""
    cylinders, banks = setup.cylinders, [bank.name for bank in setup.bank]
    instruments = [instrument.name for instrument in setup.instrument]
    if not cylinders:
        yield "bank: no cylinder in any bank; write e.g. cylinders = [1, 2, 3, 4]"
    for name in _duplicates(banks):
        yield f"bank: two banks are named {name!r}; give each its own name"
    for name in _duplicates(instruments):
        yield f"instrument: two instruments are named {name!r}; give each its own name"
    for cylinder in _duplicates(cylinders):
        owners = [bank.name for bank in setup.bank if cylinder in bank.cylinders]
        yield f"bank: cylinder {cylinder} is listed twice (bank {' and '.join(owners)}); list it once, in one bank"
    for cylinder in _duplicates(probe.cylinder for probe in setup.probe):
        yield f"probe: cylinder {cylinder} has two probes; each cylinder takes one"
    for column in _duplicates(probe.column for probe in setup.probe):
        yield f"probe: column {column!r} is used by two probes; each probe has a column of its own"
    for identity in _duplicates(probe.id for probe in setup.probe if probe.id):
        yield f"probe: id {identity!r} is used by two probes; a physical probe sits in one port"
    order = setup.engine.firing_order
    if order is not None and sorted(order) != sorted(cylinders):
        yield f"engine: firing_order must name each of the cylinders {sorted(cylinders)} once"
    if setup.engine.fuel not in STOICHIOMETRIC_AFR:
        yield f"engine: fuel {setup.engine.fuel!r} is not known; known: {', '.join(sorted(STOICHIOMETRIC_AFR))}"
    for probe in setup.probe:
        yield from _probe_problems(probe, cylinders)
    for bank in setup.bank:
        without = sorted(set(bank.cylinders) - {probe.cylinder for probe in setup.probe})
        if without and len(without) == len(bank.cylinders):
            yield f"probe: bank {bank.name!r} has no probe; add [[probe]] sections for cylinders {without}"
    for bank_name in _duplicates(sensor.bank for sensor in setup.lambda_sensor):
        yield f"lambda_sensor: bank {bank_name!r} has two sensors; a bank takes one"
    for sensor in setup.lambda_sensor:
        yield from _lambda_problems(sensor, banks)
    for key, column in setup.columns():
        if setup.locate(column)[0] not in instruments:
            yield f"{key} = {column!r}: no instrument is named {setup.locate(column)[0]!r}; known: {', '.join(instruments)}"
    for junction in setup.cold_junction:
        if junction.sensor == "thermistor" and junction.steinhart_hart is None and not (junction.B_K and junction.R25_ohm):
            yield f"cold_junction {junction.column!r}: a thermistor needs steinhart_hart = [A, B, C], or B_K and R25_ohm"


def _probe_problems(probe: Probe, cylinders: tuple[int, ...]) -> Iterable[str]:
    where = f"probe of cylinder {probe.cylinder}"
    if probe.cylinder not in cylinders:
        yield f"{where}: no bank has this cylinder; the banks have {sorted(cylinders)}"
    if isinstance(probe.tolerance, str) and probe.tolerance not in CLASSES:
        yield f"{where}: tolerance {probe.tolerance!r} is not known; known: {', '.join(CLASSES)}, or a number of °C"
    if not isinstance(probe.tolerance, str) and not probe.tolerance >= 0:
        yield f"{where}: tolerance must not be negative; write a number of °C such as 6.0"
    if probe.amplifier is not None and not probe.column.endswith("_V"):
        yield f"{where}: an amplifier's column is in volts; {probe.column!r} must end in _V"
    elif probe.amplifier is None and not probe.column.endswith(("_mV", "_uV", "_C")):
        yield f"{where}: column {probe.column!r} must end in _mV, _uV or _C (its unit)"
    if probe.column.endswith(("_mV", "_uV")) and probe.cold_junction is None:
        yield f"{where}: {probe.column!r} is a thermocouple's own voltage; name its cold_junction column, e.g. \"cj_C\""
    if probe.cold_junction and not probe.cold_junction.endswith(("_C", "_ohm")):
        yield f"{where}: cold_junction {probe.cold_junction!r} must end in _C or _ohm (its unit)"


def _lambda_problems(sensor: LambdaSensor, banks: list[str]) -> Iterable[str]:
    where = f"lambda_sensor of bank {sensor.bank!r}"
    if sensor.bank not in banks:
        yield f"{where}: no bank has this name; known: {', '.join(banks)}"
    if sensor.column.endswith(("_lambda", "_afr")):
        if sensor.volts or sensor.lambda_:
            yield f"{where}: column {sensor.column!r} is lambda or AFR already; leave volts and lambda out"
        return
    if not sensor.column.endswith(("_V", "_mV")):
        yield f"{where}: column {sensor.column!r} must end in _V, _mV, _lambda or _afr (its unit)"
    elif not sensor.volts or not sensor.lambda_ or len(sensor.volts) != len(sensor.lambda_) or len(sensor.volts) < 2:
        yield f"{where}: give volts and lambda as lists of the same length, e.g. volts = [0.5, 4.5], lambda = [0.65, 1.45]"
    elif any(b <= a for a, b in zip(sensor.volts, sensor.volts[1:], strict=False)):
        yield f"{where}: volts must increase from left to right"
    elif min(sensor.lambda_) <= 0:
        yield f"{where}: lambda must be positive"
