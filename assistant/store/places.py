"""Where the parts of a store are, and which case a user means."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from assistant.errors import InputFileError
from assistant.files.atomic import lock

JOURNAL = "journal.jsonl"
"""As :data:`assistant.case.casefile.JOURNAL`, which takes half a second to load."""


def case_names(cases: Path) -> Iterator[str]:
    """Names of the folders in a folder of cases that may be cases; hidden ones are not.

    No file in them is looked at: ten thousand names take some milliseconds.
    """
    try:
        with os.scandir(cases) as found:
            for one in found:
                if not one.name.startswith(".") and one.is_dir():
                    yield one.name
    except FileNotFoundError:
        return
    except OSError as bad:
        raise InputFileError(
            f"The folder of cases {cases} cannot be read ({bad.strerror}); check "
            "FILLWARM_CASES and its permissions."
        ) from None


def key_of(cases: Path, folder: Path) -> str:
    """What the index calls a case folder: its name in the store, or its whole path."""
    real = Path(os.path.realpath(folder))
    inside = real.parent == Path(os.path.realpath(cases))
    return real.name if inside else str(real)


def folder_of(cases: Path, key: str) -> Path:
    """The case folder of a key of the index."""
    return cases / key  # a whole path stays what it is


def is_case(folder: Path) -> bool:
    """Whether a journal is in that folder."""
    return os.path.lexists(folder / JOURNAL)


def files_of(folder: Path) -> list[Path]:
    """Every file of a case, links not followed, sorted.

    Raises:
        InputFileError: a folder cannot be read.
    """

    def stop(bad: OSError) -> None:
        raise InputFileError(
            f"{bad.filename} cannot be read ({bad.strerror}); check its permissions."
        ) from None

    found: list[Path] = []
    for where, below, names in os.walk(folder, onerror=stop):
        links = [name for name in below if (Path(where) / name).is_symlink()]
        found += [Path(where) / name for name in [*names, *links]]
    return sorted(found)


@contextmanager
def alone(cases: Path, work: str) -> Iterator[None]:
    """Hold the store for a work of that name; what is tidied up then is nobody's.

    Raises:
        CaseBusy: another process is at the same work.
        RecordUnwritable: the folder of the cases cannot be written.
    """
    held = lock(cases / f".{work}")
    try:
        yield
    finally:
        os.close(held)
