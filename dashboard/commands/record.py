"""`evenburn record`: from serial ports, or from a captured stream, to a session."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from dashboard.commands.live import record_live
from dashboard.commands.output import say


@click.command("record")
@click.argument("setup", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="The new session.")
@click.option("--port", "ports", multiple=True, metavar="[NAME=]P", help="The port of an instrument.")
@click.option("--replay", "streams", multiple=True, metavar="[NAME=]FILE", help="A captured stream instead.")
def command(setup: Path, out: Path, ports: tuple[str, ...], streams: tuple[str, ...]) -> None:
    """Record what the instruments of SETUP say into DIR until Ctrl-C.

    At a terminal key m or Enter sets a mark; a text typed before Enter becomes its text, e.g. 'trim 1 applied', or
    'warm 3' for the check. With --replay a captured stream is read at full speed instead. A setup with several
    instruments takes NAME=P for each.
    """
    if ports and streams:
        raise click.UsageError("--port records live, --replay reads a captured stream: give one of them")
    from daq.setupfile import load_setup

    instruments = [instrument.name for instrument in load_setup(setup).instrument]
    if streams:
        from daq.replay import replay

        replay(setup, by_instrument(streams, instruments, "--replay"), out)
    else:
        named = by_instrument(ports, instruments, "--port")
        if sys.stderr.isatty():
            say("Ctrl-C stops, m or Enter marks; this is no engine protection.", to_stderr=True)
        record_live(setup, out, named)
    say(f"Recorded: {out}. Next: evenburn balance {out}")


def by_instrument(given: Sequence[str], instruments: Sequence[str], option: str) -> dict[str, str]:
    """NAME=VALUE as a mapping; a value without a name belongs to the only instrument."""
    named: dict[str, str] = {}
    for text in given:
        name, equals, value = text.partition("=")
        if not equals or name not in instruments:
            if len(instruments) > 1:
                known = ", ".join(instruments)
                raise click.UsageError(
                    f"{option} {text!r}: the setup has several instruments ({known}); write NAME=…"
                )
            name, value = instruments[0], text
        if name in named:
            raise click.UsageError(f"{option}: instrument {name!r} is given twice")
        named[name] = value
    return named
