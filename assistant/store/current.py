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
from functools import partial
from pathlib import Path
from typing import TypeVar

from assistant.errors import UserError
from assistant.extras import installed
from assistant.record.chain import JournalLine
from assistant.record.journal import read_journal
from assistant.store import anchors, index
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
Look = Callable[[Sequence[JournalLine]], str | None]


def no_bar(keys: Sequence[str]) -> AbstractContextManager[Iterable[str]]:
    """Shows nothing."""
    return nullcontext(keys)


@dataclass(frozen=True, slots=True)
class Listing:
    """What a question to the store gave: the cases, how many there are without the limit,
    every case that cannot be read, and every sentence on what contradicts a journal or
    the audit trail (:mod:`.anchors`)."""

    rows: list[IndexRow]
    total: int
    damaged: list[IndexRow]
    alarms: list[str]


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


def read_row(cases: Path, key: str, look: Look = lambda _: None) -> IndexRow | None:
    """The row of a case, from its journal; None if there is no journal.

    Never raises for what is in the journal: whatever is wrong with it is in the row.
    ``look`` sees the lines, and says what contradicts them.
    """
    from assistant.case.casefile import read_whole  # noqa: PLC0415 - half a second to load

    folder = folder_of(cases, key)
    before = stamp(folder)  # an append after this one makes the row stale, never wrong
    if before is None:
        return None
    try:
        whole = read_whole(folder)
        found = summary(whole.state, whole.head_hash)
        return IndexRow(key, before, found, whole.lines[0].line_hash, look(whole.lines))
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
    """Read these cases again, compare what is found with all that was known of them, and
    put it into the index."""
    if not keys:
        return
    trail = anchors.read_trail(db, cases)
    rows: list[IndexRow] = []
    gone: list[str] = []
    with bar(keys) as going:
        for key in going:
            row = read_row(cases, key, partial(_look, db, cases, key, trail))
            if row is None:
                gone.append(key)
            else:
                rows.append(row)
            if len(rows) == TOGETHER:
                index.put(db, rows)
                rows = []
    index.put(db, rows)
    drop(db, gone)


def _look(
    db: sqlite3.Connection,
    cases: Path,
    key: str,
    trail: anchors.Trail,
    lines: Sequence[JournalLine],
) -> str | None:
    folder, now = folder_of(cases, key), anchors.of_journal(key, lines)
    alarm = (
        anchors.contradiction(lines, anchors.known_of(db, now.first), anchors.claims(folder))
        or anchors.strange_reports(db, folder, now.first)
        or trail.misses(lines)
        or bad_signature(lines)
    )
    if alarm is None:
        anchors.keep(db, now)
    return alarm


def bad_signature(lines: Sequence[JournalLine]) -> str | None:
    """A signature in a journal that is not right, as the end of a sentence; None too where
    the extra that checks it is missing."""
    if not any(line.event.get("kind") == anchors.SEALED for line in lines):
        return None
    if not installed("sign"):
        return None
    from assistant.store.signing import signatures  # noqa: PLC0415 - an extra

    try:
        signatures(lines)
    except ValueError as bad:
        return str(bad)
    return None


def drop(db: sqlite3.Connection, keys: Iterable[str]) -> None:
    """Take out cases that are gone; what was known of a signed one stays known."""
    for key in keys:
        anchors.forget_unsigned(db, key)
        index.drop(db, [key])


def alarms(db: sqlite3.Connection, cases: Path) -> list[str]:
    """What contradicts a journal or the audit trail, a sentence each."""
    trail = anchors.trail_alarm(db, cases)
    found = [trail] if trail else []
    found += [alarm_text(cases, row.folder, str(row.alarm)) for row in index.alarmed(db)]
    found += [alarm_text(cases, key, _instead(was)) for key, was in anchors.replaced(db)]
    return found + [
        f"{folder_of(cases, gone.folder)}: the signed case {gone.code} is gone, and was not "
        "erased by this program; put it back from a back-up, or accept that: fillwarm "
        f"accept {gone.folder} --reason TEXT."
        for gone in anchors.missing(db)
    ]


def _instead(was: anchors.Known) -> str:
    return f"another case, {was.code}, was in its folder and is gone"


def alarm_text(cases: Path, key: str, why: str) -> str:
    """The sentence of an alarm about a case."""
    folder = folder_of(cases, key)
    return (
        f"{folder / JOURNAL} verifies, but {why}; keep the folder, compare it with a back-up "
        f"and the printed note, or accept it as it is: fillwarm accept {key} --reason TEXT."
    )


def alarm_of(cases: Path, folder: Path, tell: Tell, of_trail: Tell | None = None) -> str | None:
    """What contradicts the journal of a case, from one more look at it; None if nothing.

    The journal must verify. A case outside the store, which the index does not list, is
    compared with its own note and record only. ``of_trail``, else ``tell``, hears what is
    wrong with the audit trail alone.
    """
    key = key_of(cases, folder)

    def ask(db: sqlite3.Connection) -> str | None:
        if Path(key).is_absolute() and key not in index.folders(db):
            lines = read_journal(folder / JOURNAL).entries
            return anchors.contradiction(lines, (), anchors.claims(folder)) if lines else None
        if trail := anchors.trail_alarm(db, cases):
            (of_trail or tell)(trail)
        take_in(db, cases, [key])
        row = index.of_folder(db, key)
        if row is None or row.first is None or row.alarm:
            return row.alarm if row else None
        if was := anchors.in_place_of(db, key, row.first):
            refresh(db, cases)  # it may only have got another name
            was = anchors.in_place_of(db, key, row.first)
        return _instead(was) if was else None

    why = with_index(cases, ask, tell)
    return alarm_text(cases, key, why) if why else None


def vacate(cases: Path, folder: Path, tell: Tell) -> str | None:
    """Before a case is begun in a folder of the store: forget an unsigned one that was
    there. What stands against it, a signed one that is gone, in a sentence; or None."""
    key = key_of(cases, folder)
    if Path(key).is_absolute() or not cases.is_dir():
        return None

    def ask(db: sqlite3.Connection) -> anchors.Known | None:
        drop(db, [key])
        look_around(db, cases)
        return anchors.in_place_of(db, key, "")

    if was := with_index(cases, ask, tell):
        return (
            f"{folder} held the signed case {was.code}, which is gone and was not erased by "
            "this program; begin under another name, or see fillwarm cases."
        )
    return None


def refresh(db: sqlite3.Connection, cases: Path, bar: Bar = no_bar) -> int:
    """Look at every case; read those that changed. How many were read."""
    known = index.stamps(db)
    here = {name for name in folder_names(cases) if stamp(cases / name) is not None}
    elsewhere = {key for key in known if Path(key).is_absolute()}
    drop(db, known.keys() - here - elsewhere)
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
    names = set(folder_names(cases))
    drop(db, [key for key in known - names if not Path(key).is_absolute()])
    came = [name for name in sorted(names - known) if is_case(cases / name)]
    take_in(db, cases, came, bar)
    take_in(db, cases, _changed(cases, index.in_work(db, CHECKED_UNSIGNED)))


def ask(db: sqlite3.Connection, cases: Path, query: Query, bar: Bar = no_bar) -> Listing:
    """The cases of a query; every one of them is as its journal is now."""
    look_around(db, cases, bar)
    for _ in range(SETTLES):
        rows, bad = index.find(db, query), index.damaged(db)
        shown = {row.folder: row.stamp for row in [*rows, *bad, *index.alarmed(db)]}
        if not (changed := _changed(cases, shown)):
            break
        take_in(db, cases, changed, bar)
    return Listing(rows, index.count(db, query), bad, alarms(db, cases))


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


def folder_names(cases: Path) -> list[str]:
    """Folders that may be cases and that the index can hold."""
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
