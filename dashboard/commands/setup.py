"""`evenburn setup`: asks for the engine, listens to the instrument, and writes a setup file to begin with."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.answers import (
    NONE,
    choice,
    cylinders_of,
    increasing_pair,
    number_or_none,
    pair,
    unless,
)
from dashboard.commands.output import OutputError, console, say, table

if TYPE_CHECKING:
    from daq.port_probe import PortReport
    from daq.setup_draft import BankDraft

BAUDS = (115200, 57600, 38400, 19200, 9600, 230400, 460800)


@click.command("setup")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The new setup file."
)
@click.option("--port", metavar="P", help="The instrument's serial port (else: asked for).")
@click.option("--baud", type=click.IntRange(min=1), help="Bits per second (else: the usual ones are tried).")
@click.option(
    "--seconds", type=click.FloatRange(min=0.1), default=3.0, show_default=True, help="How long to listen."
)
def command(out: Path, port: str | None, baud: int | None, seconds: float) -> None:
    """Write a first setup file: listens to the instrument and asks what it cannot hear.

    Enter takes what stands in brackets. Everything can be corrected in the file afterwards.
    """
    from daq.setup_draft import SetupDraft, guess_roles, setup_text
    from daq.setupfile import parse_setup

    if out.exists():
        raise OutputError(f"{out}: is there already; choose another name, or remove it first")
    report = _listen(port or _choose_port(), baud, seconds)
    engine, fuel, strokes = _engine()
    layout = _banks()
    columns = _columns(report, layout)
    guess = guess_roles(columns, layout)
    probes = _probes(layout, columns, guess.probes)
    draft = SetupDraft(
        engine=engine,
        fuel=fuel,
        strokes=strokes,
        port=report.port if report else None,
        usb=_usb(report),
        baud=report.baud if report else baud or BAUDS[0],
        columns=() if report is None or report.header else tuple(columns),
        probes=probes,
        cold_junction=_cold_junction(probes, columns, guess.cold_junction),
        amplifier=_amplifier(probes),
        tolerance=choice("Tolerance of the probes", _tolerances(), "iec-2"),
        banks=tuple(_bank(name, layout[name], columns, guess.lambdas.get(name)) for name in layout),
        conditions=_conditions(columns, guess.conditions),
        egt_limit_C=_limit(),
    )
    text = setup_text(draft)
    parse_setup(text, str(out))
    out.write_text(text, encoding="utf-8")
    _say_what_next(out, report)


def _say_what_next(out: Path, report: PortReport | None) -> None:
    say()
    say(f"Written: {out}. Read it through; it says in comments what else there is.")
    where = report.port if report else "PORT"
    say(f"Before the first start, with everything cold: evenburn check {where} {out}")
    say(f"Then record: evenburn record {out} --out NEW_FOLDER" + ("" if report else " --port PORT"))


def _choose_port() -> str | None:
    """The port that the user picks of those there are, None to go on without listening."""
    from daq.ports import serial_ports

    found = serial_ports()
    if not found:
        say("There is no serial port on this computer, so nothing can be listened to: please answer for it.")
        return None
    say("Serial ports:")
    for port in found:
        say(f"  {port}")
    paths = [port.path for port in found]
    chosen = choice(f"The instrument's port ({NONE}: not plugged in)", [*paths, NONE], paths[0])
    return None if chosen == NONE else chosen


def _usb(report: PortReport | None) -> str | None:
    """The USB identity of the instrument that was heard, if it has one that no other port has."""
    from daq.ports import serial_ports

    if report is None:
        return None
    where = os.path.realpath(report.port)
    ports = serial_ports()
    usb = next((port.usb for port in ports if os.path.realpath(port.path) == where), None)
    alone = usb is not None and sum(port.usb is not None and usb.matches(port.usb) for port in ports) == 1
    return str(usb) if alone else None


def _listen(port: str | None, baud: int | None, seconds: float) -> PortReport | None:
    """What the instrument says, at the first of the usual rates at which it is text. Raises PortError."""
    from daq.port_probe import probe_port

    if port is None:
        return None
    report = None
    for rate in BAUDS if baud is None else (baud,):
        say(f"Listening on {port} at {rate} baud for {seconds:g} s …")
        report = probe_port(port, rate, seconds)
        if report.columns or not report.lines:
            break
    assert report is not None
    if not report.columns:
        say(report.advice or "Nothing usable was heard.")
        if not click.confirm("Go on without it?", default=False):
            raise click.Abort
        return None
    rows = [(str(c.place), c.name, f"{c.lowest:g} … {c.highest:g}", c.guess) for c in report.columns]
    console().print(table(("Column", "Name", "Heard", "What it may be (a guess)"), rows, "rlll"))
    return report


def _engine() -> tuple[str, str, int]:
    from daq.mixture import STOICHIOMETRIC_AFR

    say()
    name = click.prompt("Name of the engine", default="my engine")
    fuel = choice("Fuel", list(STOICHIOMETRIC_AFR), "petrol")
    strokes = int(choice("Strokes", ["4", "2"], "4"))
    return name, fuel, strokes


def _banks() -> dict[str, tuple[int, ...]]:
    """Bank -> cylinders; a bank is what shares one lambda sensor."""
    count = click.prompt("Number of cylinders", type=click.IntRange(1, 64), default=4)
    say("A bank is the cylinders whose exhaust one lambda sensor sees (or would see).")
    banks = click.prompt("Number of banks", type=click.IntRange(1, count), default=1)
    layout: dict[str, tuple[int, ...]] = {}
    names = ["all"] if banks == 1 else [f"bank{number}" for number in range(1, banks + 1)]
    for number, default in enumerate(names):
        name = click.prompt(
            f"Name of bank {number + 1}", default=default, value_proc=unless(layout, "named already")
        )
        left = [c for c in range(1, count + 1) if not any(c in members for members in layout.values())]
        proposed = left if number == banks - 1 else left[:: banks - number]
        layout[name] = click.prompt(
            f"Cylinders of bank {name!r}",
            default=" ".join(map(str, proposed)),
            value_proc=partial(cylinders_of, left=left),
        )
    return layout


def _columns(report: PortReport | None, layout: Mapping[str, Sequence[int]]) -> list[str]:
    """The names of the instrument's columns: from its header, or asked for."""
    from daq.line_stream import columns_problem

    if report is not None and report.header:
        return list(report.header)
    cylinders = sorted(cylinder for members in layout.values() for cylinder in members)
    if report is None:
        proposed = ["time_ms", "cj_C", *(f"egt{cylinder}_mV" for cylinder in cylinders), "rpm"]
        say("Name its columns in the order in which it sends them, with the unit at the end of each name.")
    else:
        proposed = [column.name for column in report.columns]
        say("It prints no header. Name its columns, with the unit at the end of each name, such as egt1_mV.")
    say("Units: _mV _uV _V _C _ohm _kPa _pct _ms _lambda _afr, none for a count such as rpm.")

    def named(text: str) -> list[str]:
        names = [name.strip() for name in text.split(",")]
        if problem := columns_problem(names):
            raise click.UsageError(problem)
        if report is not None and len(names) != len(report.columns):
            raise click.UsageError(f"it sends {len(report.columns)} columns, not {len(names)}")
        return names

    answer: list[str] = click.prompt("Columns", default=",".join(proposed), value_proc=named)
    return answer


def _probes(
    layout: Mapping[str, Sequence[int]], columns: Sequence[str], guess: Mapping[int, str]
) -> dict[int, str]:
    """Cylinder -> the column of its thermocouple."""
    usable = [name for name in columns if name.endswith(("_mV", "_uV", "_V", "_C"))]
    if guess:
        say("Thermocouples: " + ", ".join(f"cylinder {number} = {name}" for number, name in guess.items()))
        if click.confirm("Is that how they are plugged in?", default=True):
            return dict(guess)
    say(f"Columns that can be a thermocouple: {', '.join(usable)}")
    probes: dict[int, str] = {}
    for cylinder in (c for members in layout.values() for c in members):
        free = [name for name in usable if name not in probes.values()]
        chosen = choice(f"Column of cylinder {cylinder}", [*free, NONE], guess.get(cylinder) or NONE)
        if chosen != NONE:
            probes[cylinder] = chosen
    return probes


def _cold_junction(probes: Mapping[int, str], columns: Sequence[str], guess: str | None) -> str | None:
    if not any(column.endswith(("_mV", "_uV")) for column in probes.values()):
        return None
    usable = [name for name in columns if name.endswith(("_C", "_ohm")) and name not in probes.values()]
    return choice("Column of the cold junction (the terminals' temperature)", usable, guess)


def _amplifier(probes: Mapping[int, str]) -> tuple[float, float] | None:
    if not any(column.endswith("_V") for column in probes.values()):
        return None
    say("The thermocouples come as volts of an amplifier; its manual has the line.")
    slope = click.prompt("Millivolts per °C", type=click.FloatRange(min=0, min_open=True), default=5.0)
    return slope, click.prompt("Volts at 0 °C", type=float, default=0.0)


def _tolerances() -> list[str]:
    from daq.tolerance import CLASSES

    return [name for name in CLASSES if name != "iec-3"]  # of cold use only


def _bank(name: str, cylinders: tuple[int, ...], columns: Sequence[str], guess: str | None) -> BankDraft:
    """A bank with its lambda sensor, if it has one."""
    from daq.setup_draft import BankDraft

    usable = [column for column in columns if column.endswith(("_lambda", "_afr", "_V"))]
    if not usable:
        return BankDraft(name, cylinders)
    chosen = choice(f"Lambda of bank {name!r}", [*usable, NONE], guess or NONE)
    if chosen == NONE or chosen.endswith(("_lambda", "_afr")):
        return BankDraft(name, cylinders, None if chosen == NONE else chosen)
    say("Two points of the controller's output, from its manual.")
    volts = click.prompt("  volts", default="0.5 4.5", value_proc=increasing_pair)
    lambdas = click.prompt("  lambda at these volts", value_proc=pair)
    return BankDraft(name, cylinders, chosen, volts, lambdas)


def _conditions(columns: Sequence[str], guess: Mapping[str, str]) -> dict[str, str]:
    questions = {
        "rpm": "Engine speed",
        "load": "Load (manifold pressure or throttle)",
        "injector": "Injector time",
    }
    chosen = {}
    for key, question in questions.items():
        usable = [name for name in columns[1:] if key != "injector" or name.endswith("_ms")]
        if usable:
            chosen[key] = choice(question, [*usable, NONE], guess.get(key) or NONE)
    return {key: name for key, name in chosen.items() if name != NONE}


def _limit() -> float | None:
    answer = click.prompt(
        f"Exhaust limit for alarms in °C ({NONE}: no alarm)", default=NONE, value_proc=number_or_none
    )
    return None if answer == NONE else float(answer)
