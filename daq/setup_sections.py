"""The sections of a setup file as types: every key, its type, its default.

Each section is frozen; an unknown key, a wrong type or a number out of bounds is refused when the file is
read.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct, field

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


class CanBus(Section, frozen=True):
    """Signals of a CAN bus, named and scaled by DBC files (needs the extra `can`).

    signals: column -> its signal as `Signal`, or `Message.Signal` where two messages have one of that name.
    dbc: files beside the setup file, or definitions that come with the program (`daq.can_signals.READY_MADE`).
    interface: the adapter's name in python-can; bitrate_bps only where the system has not set it already.
    source_address: of the J1939 sender to listen to; without it the first one heard counts.
    """

    signals: dict[str, str]
    dbc: tuple[str, ...]
    interface: str = "socketcan"
    bitrate_bps: PositiveInt | None = None
    source_address: Annotated[int, Meta(ge=0, le=253)] | None = None


class ModbusBlock(Section, frozen=True):
    """Registers of one module that are read together: value = raw·`scale` + `offset`, in the unit of the column.

    device: the module's address. register: of the first column, counted from 0 as on the wire (30001 or 40001
    in a manual is 0 here). no_reading and open: raw values by which the module says so.
    """

    device: Annotated[int, Meta(ge=1, le=247)]
    register: Annotated[int, Meta(ge=0, le=65535)]
    columns: tuple[str, ...]
    table: Literal["input", "holding"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    scale: float = 1.0
    offset: float = 0.0
    no_reading: tuple[int, ...] = ()
    open: tuple[int, ...] = ()


class ModbusLine(Section, frozen=True):
    """Modbus RTU modules on the instrument's port (needs the extra `modbus`), each block read `polls_Hz` a second."""

    block: tuple[ModbusBlock, ...]
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    polls_Hz: Annotated[float, Meta(gt=0, le=50)] = 5.0


class Instrument(Section, frozen=True):
    """A source of samples: by itself a serial port with the line stream, with `can` or `modbus` what these say.

    columns: only for a line stream that prints no header. usb: VID:PID[:SERIAL]. port: of a CAN bus, its channel.
    """

    name: str = "main"
    baud: PositiveInt = 115200
    port: str | None = None
    usb: str | None = None
    columns: tuple[str, ...] | None = None
    can: CanBus | None = None
    modbus: ModbusLine | None = None

    @property
    def known_columns(self) -> tuple[str, ...] | None:
        """The columns that it will send if the setup says so, None where its header will."""
        if self.can is not None:
            return ("time_ms", *self.can.signals)
        if self.modbus is not None:
            return ("time_ms", *(column for block in self.modbus.block for column in block.columns))
        return self.columns


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
    """An amplifier or converter that does its cold junction itself and puts out a straight line.

    A column in V: volts = `volts_at_0C` + T·`mV_per_C`/1000; one in °C: T as it stands, without `mV_per_C`.
    Without `sensitivity_uV_per_C` T is the temperature, as of a chip that linearises the thermocouple. With it, s,
    T is (E(hot) − E(cold) + k·cold)/s and is undone by ITS-90 (`daq.thermocouple.straight_line_C`); k is
    `cold_junction_uV_per_C`, the same as s unless given.
    """

    mV_per_C: PositiveFloat | None = None
    volts_at_0C: float = 0.0
    sensitivity_uV_per_C: PositiveFloat | None = None
    cold_junction_uV_per_C: PositiveFloat | None = None


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

    @property
    def load_unit(self) -> str:
        """The unit that the load column's name ends in, '%' for `_pct`; empty if there is none."""
        _, ends, suffix = (self.load or "").rpartition("_")
        return {"pct": "%"}.get(suffix, suffix) if ends else ""


class Assumptions(Section, frozen=True):
    """What the analysis assumes where the data is silent; each may be changed by the user.

    heat_u_C: standard uncertainty [°C] of the exhaust heat of a cylinder that is not mixture (healthy engines
    show 20 to 33 °C of spread between cylinders, references section 11).
    """

    heat_u_C: NonNegative = 10.0


class TrimLimits(Section, frozen=True):
    """Limits of one trim step [% fuel]: how far, how much of that for leaning, and from which offset on.

    lambda_target: where the bank's mean is to go; without it the mean stays where it is.
    """

    step_percent: PositiveFloat = 3.0
    leaning_share: Annotated[float, Meta(ge=0, le=1)] = 0.5
    threshold_percent: NonNegative = 1.0
    lambda_target: PositiveFloat | None = None


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
