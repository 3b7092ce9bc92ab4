"""A first setup file from what is known of an engine and its instrument, with comments for the one who edits it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

_THERMOCOUPLE_ENDINGS = ("_mV", "_uV")
_COLD_JUNCTION = re.compile(r"(?i)cj|cold|junction|terminal|block")
_LAMBDA = re.compile(r"(?i)lambda|afr|wideband|oxygen|o2")
_RPM = re.compile(r"(?i)rpm|speed|n_eng")
_LOAD = re.compile(r"(?i)map|load|tps|throttle")


@dataclass(frozen=True)
class BankDraft:
    """A bank: its cylinders and, if it has one, its lambda sensor's column with the controller's line."""

    name: str
    cylinders: tuple[int, ...]
    lambda_column: str | None = None
    volts: tuple[float, ...] = ()
    lambdas: tuple[float, ...] = ()


@dataclass(frozen=True)
class SetupDraft:
    """Everything that a first setup says.

    usb: the instrument's identity, by which it is found wherever it is plugged in; else its port.
    columns: only where the instrument prints no header. probes: cylinder -> column. amplifier: (mV per °C, volts at
    0 °C) of columns in volts.
    """

    engine: str
    banks: tuple[BankDraft, ...]
    probes: Mapping[int, str]
    fuel: str = "petrol"
    strokes: int = 4
    egt_limit_C: float | None = None
    port: str | None = None
    usb: str | None = None
    baud: int = 115200
    columns: tuple[str, ...] = ()
    cold_junction: str | None = None
    amplifier: tuple[float, float] | None = None
    tolerance: str = "iec-2"
    conditions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class RoleGuess:
    """Which column may be what, by its name; None or nothing where no name says so."""

    probes: Mapping[int, str]
    cold_junction: str | None
    lambdas: Mapping[str, str]
    conditions: Mapping[str, str]


def guess_roles(columns: Sequence[str], banks: Mapping[str, Sequence[int]]) -> RoleGuess:
    """What the names of `columns` (the counter among them or not) suggest. banks: name -> cylinders.

    >>> guess_roles(["time_ms", "cj_C", "egt1_mV", "egt2_mV", "rpm"], {"only": [1, 2]}).probes
    {1: 'egt1_mV', 2: 'egt2_mV'}
    """
    free = [name for name in columns if name not in ("time_ms", "time_us")]
    cylinders = [cylinder for members in banks.values() for cylinder in members]
    lambdas = _lambda_columns([name for name in free if _LAMBDA.search(name)], list(banks))
    free = [name for name in free if name not in lambdas.values()]
    probes = _probe_columns(free, cylinders)
    free = [name for name in free if name not in probes.values()]
    junctions = [name for name in free if name.endswith(("_C", "_ohm"))]
    named = [name for name in junctions if _COLD_JUNCTION.search(name)]
    conditions = {
        "rpm": next((name for name in free if _RPM.search(name)), None),
        "load": next((name for name in free if _LOAD.search(name) or name.endswith(("_kPa", "_pct"))), None),
        "injector": next((name for name in free if name.endswith("_ms")), None),
    }
    return RoleGuess(
        probes=probes,
        cold_junction=next(iter([*named, *junctions]), None),
        lambdas=lambdas,
        conditions={key: name for key, name in conditions.items() if name},
    )


def _probe_columns(free: Sequence[str], cylinders: Sequence[int]) -> dict[int, str]:
    """cylinder -> the column that bears its number, or all in order where there are as many in millivolts."""
    for endings in (_THERMOCOUPLE_ENDINGS, ("_C", "_V")):
        candidates = [name for name in free if name.endswith(endings) and not _COLD_JUNCTION.search(name)]
        numbered = {
            int(found[1]): name for name in candidates if (found := re.search(r"(\d+)_[a-zA-Z]+$", name))
        }
        if all(cylinder in numbered for cylinder in cylinders):
            return {cylinder: numbered[cylinder] for cylinder in cylinders}
        if len(candidates) == len(cylinders):
            return dict(zip(cylinders, candidates, strict=True))
    return {}


def _lambda_columns(candidates: Sequence[str], banks: Sequence[str]) -> dict[str, str]:
    """bank -> the column that bears its name, or all in order where there are as many."""
    by_name = {bank: name for bank in banks for name in candidates if bank.lower() in name.lower()}
    if by_name or len(candidates) != len(banks):
        return by_name
    return dict(zip(banks, candidates, strict=True))


def setup_text(draft: SetupDraft) -> str:
    """The setup file, in TOML. It does not check itself: `daq.setupfile.parse_setup` does."""
    parts = [_ENGINE.format(engine=_text(draft.engine), fuel=_text(draft.fuel), strokes=draft.strokes)]
    parts.append(_limit(draft.egt_limit_C))
    parts.append(_instrument(draft))
    for bank in draft.banks:
        parts.append(f"\n[[bank]]\nname = {_text(bank.name)}\ncylinders = {list(bank.cylinders)}\n")
        parts.append(_lambda_sensor(bank))
    parts.append(_PROBES)
    for cylinder, column in draft.probes.items():
        parts.append(_probe(draft, cylinder, column))
    parts.append(_CONDITIONS)
    parts += [f"{key} = {_text(column)}\n" for key, column in draft.conditions.items()]
    parts.append(_OTHER_SOURCES)
    return "".join(parts)


def _limit(limit_C: float | None) -> str:
    told = "# egt_limit_C = 900" if limit_C is None else f"egt_limit_C = {limit_C:g}"
    return f"{told}    # °C, for alarms only: they are no engine protection\n"


def _instrument(draft: SetupDraft) -> str:
    port = f"port = {_text(draft.port)}\n" if draft.port else '# port = "/dev/ttyACM0"\n'
    if draft.usb:
        port = f"usb = {_text(draft.usb)}    # known by this wherever it is plugged in\n"
    columns = f"columns = {json.dumps(draft.columns, ensure_ascii=False)}\n" if draft.columns else ""
    return f"{_INSTRUMENT}baud = {draft.baud}\n{port}{columns}"


def _lambda_sensor(bank: BankDraft) -> str:
    if bank.lambda_column is None:
        return "# no lambda sensor: temperatures are compared, fuel offsets cannot be told\n"
    text = f"\n[[lambda_sensor]]\nbank = {_text(bank.name)}\ncolumn = {_text(bank.lambda_column)}\n"
    if bank.volts:
        text += (
            "# the controller's output, from its manual: these volts mean these lambdas\n"
            f"volts = {list(bank.volts)}\nlambda = {list(bank.lambdas)}\n"
        )
    return text


def _probe(draft: SetupDraft, cylinder: int, column: str) -> str:
    text = f"\n[[probe]]\ncylinder = {cylinder}\ncolumn = {_text(column)}\n"
    if column.endswith("_V") and draft.amplifier is not None:
        slope, zero = draft.amplifier
        text += f"amplifier = {{mV_per_C = {slope:g}, volts_at_0C = {zero:g}}}\n"
    elif draft.cold_junction and column.endswith(_THERMOCOUPLE_ENDINGS):
        text += f"cold_junction = {_text(draft.cold_junction)}\n"
    return f"{text}tolerance = {_text(draft.tolerance)}\n"


def _text(value: str) -> str:
    """`value` as a TOML string, which JSON's are."""
    return json.dumps(value, ensure_ascii=False)


_ENGINE = """\
# What the columns of the instrument mean. It never changes what was recorded: correct it here at any time, and have
# the session analysed again.

[engine]
name = {engine}
fuel = {fuel}
strokes = {strokes}
# firing_order = [1, 3, 4, 2]
"""
_INSTRUMENT = """
[[instrument]]
name = "main"
"""
_PROBES = """
# One thermocouple (type K) in each exhaust port. Tolerance of the probe as bought: iec-1, iec-2, astm-special,
# astm-standard, or a number of °C. Give each probe an id (id = "P07") if you mean to swap two of them for a test.
"""
_CONDITIONS = """
# The operating point. Without rpm and load, steady running has to be found by the temperatures alone.
[conditions]
"""
_OTHER_SOURCES = """
# Other instruments are sections of their own, their columns are written "name:column". One that is no serial port:
#
# [[instrument]]
# name = "bus"                       # a CAN bus: pip install "evenburn[can]"
# port = "can0"
# [instrument.can]
# dbc = ["controller.dbc"]           # beside this file; or "j1939-exhaust-ports", "iso-15031-5-lambda"
# signals = {rpm = "EngineSpeed", left_lambda = "LambdaLeft"}
#
# [[instrument]]
# name = "modules"                   # thermocouple modules on Modbus RTU: pip install "evenburn[modbus]"
# baud = 19200
# [[instrument.modbus.block]]
# device = 1
# register = 0                       # counted from 0: a manual's 30001 is 0
# scale = 0.1
# columns = ["egt1_C", "egt2_C"]
"""
