"""Keeps the index in step with the journals, without looking at every one each time.

What changes a case tells the index (:func:`register`). A list checks cheaply what may
have happened besides: case folders that came or went (one reading of the folder), the
newest unsigned cases, and every case it is about to show. :func:`refresh` checks all.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from assistant.errors import UserError
from assistant.store import index
from assistant.store.index import IndexRow, Query, Stamp
from assistant.store.places import JOURNAL, case_names, folder_of, is_case, key_of
from assistant.store.summary import summary

CHECKED_UNSIGNED = 500
"""Unsigned cases whose journal is looked at before each list, the newest ones: a sitting
that was killed could not tell the index. Chosen here, for the time it takes."""

TOGETHER = 100
"""Cases read before they are stored; what is interrupted goes on after the last such lot."""

SETTLES = 5
"""Times a list is made again because a case in it changed; one that is being dictated
changes all the time."""

_REPLACEABLE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR})

T = TypeVar("T")
Bar = Callable[[Sequence[str]], AbstractContextManager[Iterable[str]]]
"""Shows progress over case folders; ``click.progressbar`` or nothing."""
Tell = Callable[[str], None]


def no_bar(keys: Sequence[str]) -> AbstractContextManager[Iterable[str]]:
    """Shows nothing."""
    return nullcontext(keys)


@dataclass(frozen=True, slots=True)
class Listing:
    """What a question to the store gave: the cases, how many there are without the limit,
    and every case that cannot be read."""

    rows: list[IndexRow]
    total: int
    damaged: list[IndexRow]


def with_index(
    cases: Path, work: Callable[[sqlite3.Connection], T], tell: Tell, bar: Bar = no_bar
) -> T:
    """Do ``work`` with the index of ``cases``; make it again if it cannot be used.

    A damaged index, or one of another version, is replaced; where it is locked or cannot
    be written, one is made in memory for this once. ``tell`` hears so. ``work`` may be
    done twice.
    """
    path = cases / index.INDEX
    if cases.is_dir():
        try:
            with closing(index.connect(path)) as db:
                return work(db)
        except sqlite3.DatabaseError as bad:
            why = str(bad)
            replace = _replaceable(bad)
        if replace:
            tell(
                f"The index {path} cannot be used ({why}) and is made again from the "
                "journals; add cases outside this folder again with: fillwarm cases --add."
            )
            try:
                for end in ("", "-wal", "-shm"):
                    path.with_name(path.name + end).unlink(missing_ok=True)
                with closing(index.connect(path)) as db:
                    refresh(db, cases, bar)
                    return work(db)
            except (OSError, sqlite3.DatabaseError) as bad:
                why = str(bad)
        tell(
            f"The index {path} cannot be used now ({why}); the journals themselves are "
            "read for this once."
        )
    with closing(index.connect(None)) as db:
        refresh(db, cases, bar)
        return work(db)


def _replaceable(bad: sqlite3.DatabaseError) -> bool:
    code = getattr(bad, "sqlite_errorcode", None)
    # The low byte is the kind of error; SQLite adds detail above it.
    return isinstance(bad, index.Outdated) or (code is not None and code & 0xFF in _REPLACEABLE)


def stamp(folder: Path) -> Stamp | None:
    """Size and time of change of the journal in a folder; None if there is none."""
    try:
        found = os.stat(folder / JOURNAL)  # noqa: PTH116 - ten thousand of them
    except OSError:
        # A journal that is there and cannot be looked at is a case all the same.
        return Stamp(0, 0) if is_case(folder) else None
    return Stamp(found.st_size, found.st_mtime_ns)


def read_row(cases: Path, key: str) -> IndexRow | None:
    """The row of a case, from its journal; None if there is no journal.

    Never raises for what is in the journal: whatever is wrong with it is in the row.
    """
    from assistant.case.casefile import read_case  # noqa: PLC0415 - half a second to load

    folder = folder_of(cases, key)
    before = stamp(folder)  # an append after this one makes the row stale, never wrong
    if before is None:
        return None
    try:
        return IndexRow(key, before, summary(*read_case(folder)))
    except UserError as bad:
        return IndexRow(key, before, str(bad))
    except (ArithmeticError, AssertionError, LookupError, TypeError, ValueError) as bad:
        return IndexRow(
            key,
            before,
            f"{folder / JOURNAL} verifies but makes no sense ({type(bad).__name__}: {bad}); "
            "keep the folder and open it with the version that wrote it.",
        )


def take_in(
    db: sqlite3.Connection, cases: Path, keys: Sequence[str], bar: Bar = no_bar
) -> None:
    """Read these cases again and put what is found into the index."""
    rows: list[IndexRow] = []
    gone: list[str] = []
    with bar(keys) as going:
        for key in going:
            row = read_row(cases, key)
            if row is None:
                gone.append(key)
            else:
                rows.append(row)
            if len(rows) == TOGETHER:
                index.put(db, rows)
                rows = []
    index.put(db, rows)
    index.drop(db, gone)


def refresh(db: sqlite3.Connection, cases: Path, bar: Bar = no_bar) -> int:
    """Look at every case; read those that changed. How many were read."""
    known = index.stamps(db)
    here = {name for name in _names(cases) if stamp(cases / name) is not None}
    elsewhere = {key for key in known if Path(key).is_absolute()}
    index.drop(db, known.keys() - here - elsewhere)
    changed = [
        key
        for key in sorted(here | elsewhere)
        if known.get(key) != stamp(folder_of(cases, key))
    ]
    take_in(db, cases, changed, bar)
    return len(changed)


def look_around(db: sqlite3.Connection, cases: Path, bar: Bar = no_bar) -> None:
    """The cheap check before a list; see the module docstring."""
    known = index.folders(db)
    names = set(_names(cases))
    index.drop(db, [key for key in known - names if not Path(key).is_absolute()])
    came = [name for name in sorted(names - known) if is_case(cases / name)]
    take_in(db, cases, came, bar)
    take_in(db, cases, _changed(cases, index.in_work(db, CHECKED_UNSIGNED)))


def ask(db: sqlite3.Connection, cases: Path, query: Query, bar: Bar = no_bar) -> Listing:
    """The cases of a query; every one of them is as its journal is now."""
    look_around(db, cases, bar)
    for _ in range(SETTLES):
        rows, bad = index.find(db, query), index.damaged(db)
        shown = {row.folder: row.stamp for row in [*rows, *bad]}
        if not (changed := _changed(cases, shown)):
            break
        take_in(db, cases, changed, bar)
    return Listing(rows, index.count(db, query), bad)


def _changed(cases: Path, known: dict[str, Stamp]) -> list[str]:
    return [key for key, old in known.items() if stamp(folder_of(cases, key)) != old]


def register(cases: Path, folder: Path, *, elsewhere: bool = True) -> str | None:
    """Tell the index that a case was begun, changed or taken away.

    Never fails: a case does not depend on its index.

    Args:
        elsewhere: also if the folder is not one of the store's.

    Returns:
        One sentence on what went wrong, or None.
    """
    path, key = cases / index.INDEX, key_of(cases, folder)
    if not cases.is_dir() or (Path(key).is_absolute() and not elsewhere):
        return None
    try:
        with closing(index.connect(path)) as db:
            take_in(db, cases, [key])
    except (sqlite3.Error, OSError, UserError, ValueError) as bad:
        return (
            f"The index {path} was not brought up to date ({bad}); "
            "fillwarm cases --refresh does it."
        )
    return None


def _names(cases: Path) -> list[str]:
    return [name for name in case_names(cases) if _is_text(name)]


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def unlisted(cases: Path) -> list[str]:
    """Case folders whose names are not UTF-8: the index cannot hold them."""
    return [ascii(name) for name in case_names(cases) if not _is_text(name)]
