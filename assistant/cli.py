"""The command line. Every error a user can cause ends in one sentence and a documented code.

Each command lives in a module of ``commandline/`` and is loaded when it is asked for, so
that a short question (``fillwarm cases``) does not wait for recognisers and plots.
"""

from __future__ import annotations

from importlib import import_module

import click

from assistant import __version__
from assistant.errors import UserError

COMMANDS = {
    "demo": "demo:demo",
    "run": "run:run",
    "room-check": "room:room_check",
    "devices": "room:devices",
    "reckon": "reckon:reckon",
    "note": "case:note",
    "verify": "case:verify",
    "check-protocol": "checks:check_protocol",
    "check-words": "checks:check_the_words",
    "schema": "checks:schema",
}
"""Where each command is: module of :mod:`assistant.commandline`, and name in it."""


class Commands(click.Group):
    """Loads a command when it is asked for, and turns a :class:`UserError` into its
    sentence and its exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, or None."""
        if cmd_name not in COMMANDS:
            return None
        module, name = COMMANDS[cmd_name].split(":")
        found = getattr(import_module(f"assistant.commandline.{module}"), name)
        assert isinstance(found, click.Command)
        return found

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except UserError as bad:
            click.echo(f"fillwarm: {bad}", err=True)
            ctx.exit(bad.exit_code)
        except KeyboardInterrupt:
            click.echo("\nfillwarm: interrupted; what was recorded is on the disk.", err=True)
            ctx.exit(130)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fillwarm")
def main() -> None:
    """Hands-free assistant for filling root canals by warm vertical compaction."""
