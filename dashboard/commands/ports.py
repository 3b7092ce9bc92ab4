"""`evenburn ports`: which serial ports there are, and what one of them is saying."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from dashboard.commands.output import bullets, console, say, table

if TYPE_CHECKING:
    from daq.port_probe import PortReport


@click.command("ports")
@click.argument("ports", nargs=-1, metavar="[PORT]...")
@click.option(
    "--baud", type=click.IntRange(min=1), default=115200, show_default=True, help="Bits per second."
)
@click.option(
    "--seconds", type=click.FloatRange(min=0.1), default=3.0, show_default=True, help="How long to listen."
)
def command(ports: tuple[str, ...], baud: int, seconds: float) -> None:
    """List the serial ports; with PORT, listen there and say what comes and what its columns may be.

    Listening opens the port, at which many boards restart.
    """
    if not ports:
        _list_ports()
        return
    from daq.port_probe import probe_port

    for port in ports:
        _print_report(probe_port(port, baud, seconds))


def _list_ports() -> None:
    from daq.ports import serial_ports

    found = serial_ports()
    if not found:
        say("There is no serial port on this computer. Plug the instrument in and look again.")
        return
    rows = [(port.path, str(port.usb) if port.usb else "", port.description) for port in found]
    console().print(table(("Port", "USB", "Description"), rows, "lll"))
    say("To hear what one is saying: evenburn ports PORT")


def _print_report(report: PortReport) -> None:
    """What a port said, for somebody who wants to write a setup file for it."""
    say(f"{report.port} at {report.baud} baud: {report.line_rate_Hz:.1f} lines/s, {report.samples} samples.")
    if report.header:
        say(f"Header: {','.join(report.header)}")
    if report.columns:
        rows = [(str(c.place), c.name, _value(c.lowest), _value(c.highest), c.guess) for c in report.columns]
        columns = ("Column", "Name", "Lowest", "Highest", "What it may be (a guess)")
        console().print(table(columns, rows, "rlrrl"))
    bullets("Remarks", report.remarks)
    bullets("Lines dropped", [f"{count} × {reason}" for reason, count in report.dropped.items()])
    bullets("The last lines", report.lines[-5:])
    if report.advice:
        say()
        say(report.advice)


def _value(value: float) -> str:
    return "" if math.isnan(value) else f"{value:g}"
