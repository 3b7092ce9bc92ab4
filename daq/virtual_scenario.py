"""Scenarios of the virtual engine: who is uneven, by how much, and what the operator does with it.

A scenario is a TOML file with a setup file of the same name beside it (`NAME.toml`, `NAME.setup.toml`). Those
that come with the program are in `engines/`; their engines are invented.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, field

from daq.errors import SetupError
from daq.setupfile import Section

ENGINES = Path(__file__).with_name("engines")

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]


class VirtualCylinder(Section, frozen=True, kw_only=True):
    """One cylinder and its probe.

    fuel_percent: more fuel per air than commanded [%]; heat_C: own heat that is not mixture [°C]; gain: own
    scale of the temperature curve; probe_error_percent: of the temperature [%]; lag_s: time constant at the
    reference condition [s]; drift_C_per_min: of the probe when hot.
    """

    number: int
    bank: str
    fuel_percent: float = 0.0
    heat_C: float = 0.0
    gain: float = 1.0
    probe_error_percent: float = 0.0
    lag_s: Positive = 1.5
    drift_C_per_min: float = 0.0
    open_after_s: NotNegative | None = None


class Curve(Section, frozen=True, kw_only=True):
    """Exhaust temperature of an even cylinder: its peak at the reference condition and how it falls off.

    slope_C_per_percent: far on the rich side; lean_ratio: how much steeper the lean side; rounding_percent:
    half width of the round top; per_1000rpm_C, per_kPa_C: what speed and load add to the peak.
    """

    peak_lambda: Positive = 1.0
    peak_C: Positive = 770.0
    slope_C_per_percent: Positive = 5.0
    lean_ratio: Positive = 1.2
    rounding_percent: Positive = 6.0
    reference_rpm: Positive = 2800.0
    reference_kPa: Positive = 60.0
    per_1000rpm_C: float = 60.0
    per_kPa_C: float = 1.5


class Disturbance(Section, frozen=True, kw_only=True):
    """What blurs the readings: wander and white noise of each probe, unsteady running, the lambda sensor."""

    wander_C: NotNegative = 1.2
    wander_time_s: Positive = 6.0
    white_C: NotNegative = 0.3
    rpm: NotNegative = 10.0
    load_kPa: NotNegative = 0.4
    mixture_percent: NotNegative = 0.3
    lambda_delay_s: NotNegative = 0.3
    lambda_lag_s: NotNegative = 0.2
    lambda_V: NotNegative = 0.01
    cold_start_C: NotNegative = 20.0


class Phase(Section, frozen=True, kw_only=True):
    """`seconds` of a condition, reached within `ramp_s`; lambda is swept [from, to]; rpm 0 is engine off."""

    seconds: Positive
    rpm: NotNegative
    load_kPa: Positive
    lambda_: tuple[Positive, Positive] = field(name="lambda")
    ramp_s: Positive = 3.0
    remark: str | None = None


class Scenario(Section, frozen=True, kw_only=True):
    """A whole scenario; `load_scenario` reads and checks it."""

    name: str
    cylinder: tuple[VirtualCylinder, ...]
    phase: tuple[Phase, ...]
    curve: Curve = Curve()
    disturbance: Disturbance = Disturbance()
    rate_hz: Positive = 20.0
    seed: int = 1
    ambient_C: float = 18.0
    checksum: Literal["none", "xor", "crc"] = "crc"

    @property
    def banks(self) -> tuple[str, ...]:
        """Names of the banks in the order of their first cylinder."""
        return tuple(dict.fromkeys(c.bank for c in self.cylinder))

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the line stream."""
        egt = (f"egt{c.number}_mV" for c in self.cylinder)
        lambda_ = (f"lambda_{bank}_V" for bank in self.banks)
        return ("time_ms", "cj_C", *egt, *lambda_, "rpm", "map_kPa", "injector_ms")

    @property
    def duration_s(self) -> float:
        """Engine time of all phases [s]."""
        return sum(phase.seconds for phase in self.phase)

    def true_offsets_percent(self) -> dict[int, float]:
        """cylinder -> fuel per air against its bank's mean [%]: what a perfect analysis would find."""
        offsets = {}
        for bank in self.banks:
            fuel = {c.number: 1 + c.fuel_percent / 100 for c in self.cylinder if c.bank == bank}
            mean = sum(fuel.values()) / len(fuel)
            offsets.update({number: 100 * (value / mean - 1) for number, value in fuel.items()})
        return offsets


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that come with the program."""
    return tuple(sorted(p.stem for p in ENGINES.glob("*.toml") if not p.name.endswith(".setup.toml")))


def load_scenario(name: str | Path) -> tuple[Scenario, str]:
    """(scenario, text of its setup) of a name from `scenario_names` or of a TOML file. Raises SetupError."""
    path = ENGINES / f"{name}.toml" if str(name) in scenario_names() else Path(name)
    if not path.exists():
        raise SetupError(f"no engine {str(name)!r}; known: {', '.join(scenario_names())}, or a scenario file")
    try:
        scenario = msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Scenario)
        setup_text = path.with_suffix(".setup.toml").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise SetupError(f"{path}: cannot be used as a virtual engine: {error}") from None
    if not scenario.cylinder or not scenario.phase:
        raise SetupError(f"{path}: a virtual engine needs at least one [[cylinder]] and one [[phase]]")
    return scenario, setup_text
