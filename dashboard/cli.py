"""The `evenburn` command: finds the sub-command, and turns a user's mistake into one line and exit status 2.

Exit status: 0 done; 1 the data cannot answer; 2 wrong use or unreadable input; 130 given up by the user (Ctrl-C).
Each command is a module of `dashboard.commands` and is imported only when it is run.
"""

from __future__ import annotations

import codecs
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

import click

from daq.errors import EvenburnError

COMMANDS = {
    "demo": "A virtual engine is recorded, analysed, reported and shown: nothing to plug in.",
    "ports": "List the serial ports and what they are saying.",
    "setup": "Write a first setup file: listens to the instrument and asks about the engine.",
    "record": "Record a session from the instruments of a setup until stopped.",
    "check": "Are all probes alive, right way round, alike when cold, on the port they claim?",
    "balance": "The findings of a session, cylinder by cylinder, or of a whole season.",
    "trims": "Write the trim report of a session: HTML, PDF, CSV and JSON.",
    "compare": "Did the trims do what was predicted? Two sessions, before and after.",
    "view": "Open the dashboard on a folder of sessions.",
    "export": "Write a session as one table for other tools.",
    "import": "Make a session from a table of another tool.",
    "simulate": "A virtual engine as an instrument on a virtual serial port.",
}
MODULES = {"import": "import_table"}  # a module cannot be named by a keyword
PLAIN_LETTERS = {"−": "-", "–": "-", "±": "+/-", "°": "deg ", "×": "x", "…": "..."}
GIVEN_UP = 130


class Commands(click.Group):
    """The group of sub-commands, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Their names, in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, imported now, or None."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"dashboard.commands.{MODULES.get(cmd_name, cmd_name)}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands in the help, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command line and leave with its exit status; raise only what is a defect of this program."""
        codecs.register_error("plain", _plain_letters)
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="plain")
        try:
            status = super().main(args, "evenburn", complete_var, standalone_mode=False, **extra)
            sys.stdout.flush()
        except BrokenPipeError:
            _let_go_of_pipe()
        except click.ClickException as error:
            _leave(error.format_message(), _hint(error))
        except EvenburnError as error:
            _leave(str(error))
        except OSError as error:
            _leave(f"{error.filename}: {error.strerror}" if error.filename else str(error))
        except (click.Abort, KeyboardInterrupt):
            click.echo("evenburn: given up", err=True)
            sys.exit(GIVEN_UP)
        sys.exit(status if isinstance(status, int) else 0)


def _plain_letters(error: UnicodeError) -> tuple[str, int]:
    """What a terminal that lacks a letter shows instead; a minus must not get lost."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    missing = error.object[error.start : error.end]
    return "".join(PLAIN_LETTERS.get(letter, "?") for letter in missing), error.end


def _hint(error: click.ClickException) -> str:
    context = error.ctx if isinstance(error, click.UsageError) else None
    return f" (see {context.command_path} --help)" if context else ""


def _leave(message: str, hint: str = "") -> NoReturn:
    """One line on standard error, exit status 2."""
    line = " ".join(message.split())
    click.echo(f"evenburn: {line}{hint}", err=True)
    sys.exit(2)


def _let_go_of_pipe() -> NoReturn:
    """Whoever read our output has left: end quietly, as click and rich do."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(1)


@click.group(cls=Commands, invoke_without_command=True)
@click.version_option(package_name="evenburn", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context) -> None:
    """Find and trim uneven fuelling between an engine's cylinders, from exhaust temperatures and lambda.

    It advises; it is no engine protection. Local codes and a qualified engine builder's judgement come first.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


if __name__ == "__main__":
    main()
