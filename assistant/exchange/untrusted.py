"""Reading files that came from elsewhere: bounded, strict, and never a traceback.

JSON as Python reads it is wider than the standard (RFC 8259): it takes NaN, lets the last
of two equal keys win and goes as deep as the stack. Here all of this is refused, since
another reader of the same file could see something else than was checked.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NoReturn

from assistant.errors import InputFileError
from assistant.files.atomic import open_existing

LARGEST_BYTES = 64 * 2**20
"""Far above any case: one with three canals and its bundle takes less than 1 MB."""

DEEPEST = 64
"""Levels of nesting; as the journal's own limit, far above any record of ours."""


def read_bounded(path: Path) -> bytes:
    """The whole file.

    Raises:
        InputFileError: missing, not a file, unreadable, or over :data:`LARGEST_BYTES`.
    """
    fd = open_existing(path, os.O_RDONLY)
    try:
        with os.fdopen(fd, "rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except OSError as bad:
        raise InputFileError(
            f"{path} could not be read ({bad.strerror}); check the disk."
        ) from None
    if len(raw) > LARGEST_BYTES:
        raise InputFileError(
            f"{path} is larger than {LARGEST_BYTES // 2**20} MB; a file with one case is "
            "smaller: check that it is the right one."
        )
    return raw


def parse_json(raw: bytes, name: Path) -> Any:
    """The value in ``raw``, UTF-8 without a mark at its beginning.

    Raises:
        InputFileError: not UTF-8, not JSON, NaN or an infinite number, a key twice in one
            object, or nested more than :data:`DEEPEST` deep.
    """
    try:
        found = json.loads(
            raw.decode("utf-8"),
            parse_constant=_no_constant,
            parse_float=_finite,
            object_pairs_hook=_unique,
        )
    except UnicodeDecodeError:
        _refuse(name, "it is not UTF-8")
    except RecursionError:
        _refuse(name, f"it is nested more than {DEEPEST} deep")
    except json.JSONDecodeError as bad:
        _refuse(name, f"it is not JSON at line {bad.lineno}, column {bad.colno}")
    except ValueError as bad:  # ours below, and whole numbers of thousands of digits
        _refuse(name, str(bad).split(";", maxsplit=1)[0])
    if deeper_than(DEEPEST, found):
        _refuse(name, f"it is nested more than {DEEPEST} deep")
    return found


def deeper_than(levels: int, value: object) -> bool:
    """Whether lists and objects are nested more than so many levels deep."""
    here = _nests([value])
    for _ in range(levels):
        here = [inner for one in here for inner in _nests(_inside(one))]
    return bool(here)


def _nests(values: Iterable[object]) -> list[object]:
    return [value for value in values if isinstance(value, dict | list)]


def _inside(value: object) -> Iterable[object]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _refuse(name: Path, what: str) -> NoReturn:
    raise InputFileError(f"{name} cannot be used: {what}; get the file again from its source.")


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"it holds {name}, which JSON does not have")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("it holds a number too large to be one")
    return number


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(key for i, (key, _) in enumerate(pairs) if key in dict(pairs[:i]))
        raise ValueError(f"an object has the key {twice[:40]!r} twice")
    return found
