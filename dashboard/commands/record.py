"""`evenburn record`: from serial ports, or from a captured stream, to a session."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.keys import key_presses
from dashboard.commands.output import printable, say
from dashboard.commands.stopping import until_stopped

if TYPE_CHECKING:
    from daq.recorder import RecorderStatus


@click.command("record")
@click.argument("setup", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="The new session.")
@click.option("--port", "ports", multiple=True, metavar="[NAME=]P", help="The port of an instrument.")
@click.option("--replay", "streams", multiple=True, metavar="[NAME=]FILE", help="A captured stream instead.")
def command(setup: Path, out: Path, ports: tuple[str, ...], streams: tuple[str, ...]) -> None:
    """Record what the instruments of SETUP say into DIR until Ctrl-C; key m or Enter sets a mark.

    With --replay a captured stream is read at full speed instead. A setup with several instruments takes
    NAME=P for each.
    """
    if ports and streams:
        raise click.UsageError("--port records live, --replay reads a captured stream: give one of them")
    from daq.setupfile import load_setup

    instruments = [instrument.name for instrument in load_setup(setup).instrument]
    if streams:
        from daq.replay import replay

        replay(setup, _by_instrument(streams, instruments, "--replay"), out)
    else:
        _record(setup, out, _by_instrument(ports, instruments, "--port"))
    say(f"Recorded: {out}. Next: evenburn balance {out}")


def _by_instrument(given: Sequence[str], instruments: Sequence[str], option: str) -> dict[str, str]:
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


def _record(setup: Path, out: Path, ports: Mapping[str, str]) -> None:
    from daq.recorder import record

    at_terminal = sys.stderr.isatty()
    if at_terminal:
        say(
            f"Recording into {out}. Ctrl-C stops, m or Enter marks. This is no engine protection.",
            to_stderr=True,
        )
    with until_stopped() as stopped, key_presses(_marker(out)):
        record(setup, out, ports, stop=stopped, on_status=_status_line if at_terminal else None)
    if at_terminal:
        say(to_stderr=True)


def _marker(out: Path) -> Callable[[str], None]:
    """What a key does: m and Enter set the next numbered mark."""
    number = 0

    def press(key: str) -> None:
        nonlocal number
        if key in ("m", "M", "\r", "\n"):
            from daq.session import add_mark

            number += 1
            add_mark(out, "operator", f"mark {number}")
            say(f"\r  mark {number} set", to_stderr=True)

    return press


def _status_line(status: RecorderStatus) -> None:
    """Rewrite the terminal's last line with what is going on."""
    parts = [f"{status.elapsed_s:7.0f} s"]
    for i in status.instruments:
        dropped = sum(i.dropped.values())
        lost = f", {dropped} dropped" if dropped else ""
        parts.append(f"{i.name} {i.state}: {i.samples} samples, {i.rate_Hz:.0f}/s{lost}")
    parts += [f"ALARM {text}" for text in status.alarms]
    parts += list(status.problems)
    line = printable(" | ".join(parts))
    width = shutil.get_terminal_size().columns
    click.echo("\r\x1b[2K" + line[: width - 1], nl=False, err=True)
