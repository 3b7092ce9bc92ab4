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

    heat_u_C: standard uncertainty [°C] of the exhaust heat of a cylinder that is not mixture (healthy engines
    show 20 to 33 °C of spread between cylinders, references section 11).
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
