"""A case as an argument: its folder, or its name in the folder of cases."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from assistant.commandline.options import cases_folder

if TYPE_CHECKING:
    _PathType = click.ParamType[Path]
else:  # which is no generic class in older versions of click
    _PathType = click.ParamType

# The journal's name stands in record.casefile, which takes a second to load; a tab key
# cannot wait for it. A test holds the two together.
_JOURNAL = "journal.jsonl"


def case_folder(name: str | os.PathLike[str]) -> Path:
    """The folder of a case.

    A folder that holds a case is taken as it is; else a plain name is looked for in the
    folder of cases. What is neither comes back as it was given, for whoever reads it to say
    that no case is there.
    """
    given = Path(name)
    if (given / _JOURNAL).exists() or len(given.parts) != 1 or given.name != os.fspath(name):
        return given
    usual = cases_folder() / given
    return usual if (usual / _JOURNAL).exists() else given


def case_names() -> list[str]:
    """The names of the cases in the folder of cases, sorted; none if it cannot be read."""
    try:
        with os.scandir(cases_folder()) as found:
            return sorted(one.name for one in found if (Path(one.path) / _JOURNAL).exists())
    except OSError:
        return []


class CaseType(_PathType):
    """Turns what was given into a folder (:func:`case_folder`); completes names of cases."""

    name = "case"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """The folder of the case."""
        return case_folder(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names of cases that begin so; and folders, which the shell itself completes."""
        names = [CompletionItem(name) for name in case_names() if name.startswith(incomplete)]
        return [CompletionItem(incomplete, type="dir"), *names]


CASE = CaseType()
