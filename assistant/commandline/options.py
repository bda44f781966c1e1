"""Options that several commands take, and their defaults."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from platformdirs import user_config_path, user_data_path

from assistant.report.statement import STATEMENT

FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)
WORDS = click.option(
    "--words",
    "own_words",
    type=FOLDER,
    default=None,
    help="Folder of a practice's own words; default: words/en in the user's settings.",
)
LISTENER = click.option(
    "--listener",
    type=click.Choice(["own", "vosk"]),
    default="own",
    show_default=True,
    help="The program's own ears, or vosk with a model of yours and they as second opinion.",
)
MODEL = click.option(
    "--model",
    type=FOLDER,
    envvar="FILLWARM_VOSK_MODEL",
    default=None,
    help="Folder of a vosk model.",
)
MICROPHONE = click.option("--microphone", default=None, help="Input device, by name or number.")
SPEAKER = click.option(
    "--speaker", default=None, help="Output device (earpiece), by name or number."
)
SILENT = click.option("--silent", is_flag=True, help="Screen only, no voice.")


class NoticeFirst(click.Command):
    """A command that says what the program is before anything else, even a refusal."""

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,
    ) -> click.Context:
        """See :class:`click.Command`; a shell that completes, and --help, need no notice."""
        if not extra.get("resilient_parsing") and not {"-h", "--help"} & set(args):
            whole_words(f"{STATEMENT}\n")
        return super().make_context(info_name, args, parent, **extra)


def whole_words(text: str) -> None:
    """Write ``text``; on a terminal its long lines are broken between words only."""
    if sys.stdout.isatty():
        columns = shutil.get_terminal_size().columns
        lines = [
            line
            if len(line) <= columns
            else textwrap.fill(line, columns, break_on_hyphens=False)
            for line in text.split("\n")
        ]
        text = "\n".join(lines)
    click.echo(text)


def usual_words(folder: Path | None) -> Path | None:
    """The folder given, or the usual one if there is one."""
    usual = user_config_path("fillwarm") / "words" / "en"
    return folder or (usual if usual.exists() else None)


def cases_folder() -> Path:
    """Where the cases are: ``FILLWARM_CASES``, or ``cases`` in the user's data."""
    named = os.environ.get("FILLWARM_CASES")
    return Path(named) if named else user_data_path("fillwarm") / "cases"


def this_second() -> datetime:
    """When a clock that counts samples starts."""
    return datetime.now().astimezone().replace(microsecond=0)
