"""The command line. Every error a user can cause ends in one sentence and a documented code.

Each command lives in a module of ``commandline/`` and is loaded when it is asked for, so
that a short question (``fillwarm cases``) does not wait for recognisers and plots.
"""

from __future__ import annotations

import logging
import sys
import warnings
from difflib import get_close_matches
from importlib import import_module

import click
from click.shell_completion import CompletionItem

from assistant import __version__
from assistant.errors import INTERRUPTED, UserError

COMMANDS = {
    "demo": "demo:demo",
    "prepare": "prepare:prepare",
    "run": "run:run",
    "room-check": "room:room_check",
    "devices": "room:devices",
    "reckon": "reckon:reckon",
    "note": "case:note",
    "verify": "case:verify",
    "cases": "store:cases",
    "addendum": "store:addendum",
    "audit": "store:audit",
    "accept": "anchoring:accept",
    "key": "signing:key",
    "seal": "anchoring:seal_",
    "stamp": "stamping:stamp",
    "name": "names:name",
    "backup": "keep:backup",
    "restore": "keep:restore",
    "erase": "keep:erase",
    "retention": "keep:retention_",
    "check-protocol": "checks:check_protocol",
    "check-words": "checks:check_the_words",
    "schema": "checks:schema",
    "export": "exchange:export",
    "import": "exchange:import_",
    "check-record": "exchange:check_record",
    "review": "review:review",
    "practice": "practice:practice",
    "practice-score": "practice:practice_score",
    "practice-history": "practice:practice_history",
    "completion": "shell:completion",
    "exit-codes": "shell:exit_codes",
}
"""Where each command is: module of :mod:`assistant.commandline`, and name in it."""

WITHOUT_EARS = {"--typed", "--wav", "--help", "-h"}
"""Options with which ``run`` needs no recogniser in a process of its own."""


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

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that the first word names; of another word, what it may have meant."""
        if args[0] not in COMMANDS and not args[0].startswith("-"):
            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f"did you mean {near[0]}?" if near else "fillwarm --help lists them."
            ctx.fail(f"There is no command {args[0]}; {hint}")
        if args[0] == "run" and not WITHOUT_EARS & set(args):
            import_module("assistant.speech.watchdog").begin()
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Commands that begin so, without loading any: a tab key waits for nothing."""
        names = [CompletionItem(name) for name in COMMANDS if name.startswith(incomplete)]
        return names + click.Command.shell_complete(self, ctx, incomplete)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        # What libraries remark (a font cache, a missing glyph) is for developers; whoever
        # wants to see it starts Python with -W.
        logging.getLogger("matplotlib").setLevel(logging.ERROR)
        try:
            with warnings.catch_warnings():
                if not sys.warnoptions:
                    warnings.simplefilter("ignore")
                return super().invoke(ctx)
        except UserError as bad:
            click.echo(f"fillwarm: {bad}", err=True)
            ctx.exit(bad.exit_code)
        except KeyboardInterrupt:
            click.echo("\nfillwarm: interrupted; what was recorded is on the disk.", err=True)
            ctx.exit(INTERRUPTED)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fillwarm")
def main() -> None:
    """Hands-free assistant for filling root canals by warm vertical compaction.

    \b
    first steps:   demo, practice --typed, devices, room-check, prepare, run
    one case:      note, review, verify, addendum, export, name
    many cases:    cases, review --all, backup, restore, erase, retention, audit
    a practice's:  check-protocol, check-words, reckon

    A case is a folder, or the name of one among the cases (FILLWARM_CASES, or cases in the
    user's data). What a command needs beyond the core it says. The exit codes are listed by
    fillwarm exit-codes.
    """
