"""Where the words and the protocols are: in the wheel, or at the top of the repository."""

from __future__ import annotations

from pathlib import Path

from assistant.errors import InputFileError

PACKAGE = Path(__file__).parents[1]


def data_folder(name: str) -> Path:
    """The folder ``grammars`` or ``protocols``.

    Raises:
        InputFileError: the installation is incomplete.
    """
    for folder in (PACKAGE / "_data" / name, PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise InputFileError(f"The folder {name} is missing; install the program again.")


def protocol_path(name: str) -> Path:
    """A protocol by the name of a file of ours, or by its path."""
    given = Path(name)
    if given.suffix in {".yaml", ".yml"} or given.exists():
        return given
    ours = data_folder("protocols") / f"{name}.yaml"
    if ours.exists():
        return ours
    known = ", ".join(sorted(p.stem for p in data_folder("protocols").glob("*.yaml")))
    raise InputFileError(f"There is no protocol {name!r}; ours are {known}, or give a file.")


def demo_script() -> Path:
    """The rehearsed case."""
    return PACKAGE / "sitting" / "premolar.yaml"
