"""A case as an argument: its folder, or its name in the folder of cases."""

from __future__ import annotations

import os
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from assistant.commandline.options import cases_folder
from assistant.errors import InputFileError

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


def new_case_folder(name: str | os.PathLike[str]) -> Path:
    """The folder of a case that is there (:func:`case_folder`) or is to be begun.

    A plain name that is no case yet is one in the folder of cases, where every command
    looks; a path with more to it stays what it is.
    """
    found = case_folder(name)
    plain = found.name == os.fspath(name)
    return cases_folder() / found if plain and not (found / _JOURNAL).exists() else found


def _cases_in(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as found:
            return sorted(one.name for one in found if (Path(one.path) / _JOURNAL).exists())
    except OSError:
        return []


def meant(folder: Path) -> str | None:
    """What somebody may have meant who gave a folder that holds no case, in a sentence."""
    if inside := _cases_in(folder):
        some = ", ".join(str(folder / name) for name in inside[:3])
        more = f" and {len(inside) - 3} more" if len(inside) > 3 else ""
        return f"{folder} is a folder of cases, not a case; give one of them: {some}{more}."
    if near := get_close_matches(folder.name, case_names(), n=1):
        return f"There is no case {folder}; did you mean {near[0]}?"
    return None


def case_names() -> list[str]:
    """The names of the cases in the folder of cases, sorted; none if it cannot be read."""
    return _cases_in(cases_folder())


class CaseType(_PathType):
    """Turns what was given into a folder (:func:`case_folder`); completes names of cases.

    Where ``begins``, the case need not be there yet (:func:`new_case_folder`).
    """

    name = "case"

    def __init__(self, *, begins: bool = False) -> None:
        self.begins = begins

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """The folder of the case.

        Raises:
            InputFileError: it holds no case, but what was meant can be told.
        """
        if self.begins:
            return new_case_folder(value)
        folder = case_folder(value)
        if not os.path.lexists(folder / _JOURNAL) and (sentence := meant(folder)):
            raise InputFileError(sentence)
        return folder

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names of cases that begin so; and folders, which the shell itself completes."""
        names = [CompletionItem(name) for name in case_names() if name.startswith(incomplete)]
        return [CompletionItem(incomplete, type="dir"), *names]


CASE = CaseType()
NEW_CASE = CaseType(begins=True)
