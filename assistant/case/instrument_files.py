"""Reads a practice's own instruments: ``pluggers/`` and ``points/`` in ``protocols/``.

The numbers are checked by the models of :mod:`assistant.protocol.own_instruments`, line
by line.
"""

from __future__ import annotations

from pathlib import Path

from assistant.canal.points import Point
from assistant.errors import InputFileError
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.protocol.own_instruments import PluggerFile, PointFile


def load_pluggers(name: str) -> PluggerFile:
    """The set of pluggers in one of our files, by name, or in a file, by path.

    Raises:
        InputFileError: no such file, or it does not fit; the line is named.
    """
    return load_yaml(_path("pluggers", name), PluggerFile)


def load_point(name: str) -> Point:
    """The gutta-percha point in one of our files, by name, or in a file, by path.

    Raises:
        InputFileError: no such file, or it does not fit; the line is named.
    """
    return load_yaml(_path("points", name), PointFile).point()


def _path(kind: str, name: str) -> Path:
    given = Path(name)
    if given.suffix in {".yaml", ".yml"} or given.is_file():
        return given
    folder = data_folder("protocols") / kind
    ours = folder / f"{name}.yaml"
    if ours.is_file():
        return ours
    known = ", ".join(sorted(path.stem for path in folder.glob("*.yaml"))) or "none"
    raise InputFileError(f"There are no {kind} {name!r}; ours are {known}, or give a file.")
