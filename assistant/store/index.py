"""The index of a folder of cases: one row a case in an SQLite file, and questions to it.

The journals are the truth. The index is a cache that is made again from them whenever
it is missing, damaged or of another version (:mod:`.current`). Of what it saw of a
journal before, and of the audit trail, it is one of several witnesses (:mod:`.anchors`).
"""

from __future__ import annotations

import os
import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal

from assistant.files.atomic import OWNER_ONLY
from assistant.store.summary import CaseSummary, WarningCount

INDEX = "index.sqlite"
"""Name of the index in the folder of the cases."""

APPLICATION = 0x66696C6C
"""SQLite's own mark of whose file it is: "fill"."""

VERSION = 2
"""Of the tables below; an index of another version is made again."""

BUSY_S = 3.0
"""How long to wait for another process that writes to the index."""

_TABLES = """
CREATE TABLE cases (
    id INTEGER PRIMARY KEY, folder TEXT NOT NULL UNIQUE,
    size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, damaged TEXT,
    first TEXT, alarm TEXT,
    code TEXT, opened_utc TEXT, opened_on TEXT, last_utc TEXT, last_on TEXT,
    signed_utc TEXT, signed_on TEXT, operator TEXT, tooth INTEGER, canals TEXT,
    protocol TEXT, demo INTEGER, entries INTEGER, open_warnings INTEGER,
    skipped INTEGER, addenda INTEGER, head TEXT);
CREATE TABLE warnings (
    id INTEGER NOT NULL REFERENCES cases ON DELETE CASCADE,
    rule TEXT NOT NULL, severity TEXT NOT NULL, count INTEGER NOT NULL, open INTEGER NOT NULL,
    PRIMARY KEY (id, rule, severity)) WITHOUT ROWID;
CREATE TABLE known (
    first TEXT NOT NULL, folder TEXT NOT NULL, code TEXT NOT NULL, lines INTEGER NOT NULL,
    head TEXT NOT NULL, signed INTEGER NOT NULL, witness TEXT NOT NULL,
    PRIMARY KEY (first, witness, lines, head)) WITHOUT ROWID;
CREATE TABLE reports (
    first TEXT NOT NULL, name TEXT NOT NULL, sha256 TEXT NOT NULL,
    PRIMARY KEY (first, name, sha256)) WITHOUT ROWID;
CREATE TABLE trail (
    id INTEGER PRIMARY KEY CHECK (id = 1), lines INTEGER NOT NULL, head TEXT NOT NULL,
    read INTEGER NOT NULL DEFAULT 0, size INTEGER, mtime_ns INTEGER);
CREATE INDEX by_first ON cases (first);
CREATE INDEX by_alarm ON cases (alarm) WHERE alarm IS NOT NULL;
CREATE INDEX known_by_folder ON known (folder);
CREATE INDEX by_opened ON cases (opened_utc);
CREATE INDEX by_tooth ON cases (tooth, opened_utc);
CREATE INDEX by_damage ON cases (damaged) WHERE damaged IS NOT NULL;
CREATE INDEX by_unsigned ON cases (opened_utc)
    WHERE signed_utc IS NULL AND damaged IS NULL;
CREATE INDEX by_rule ON warnings (rule, id);
CREATE INDEX by_severity ON warnings (severity, id);
"""
_COLUMNS = tuple(f.name for f in fields(CaseSummary) if f.name != "warnings")
_ABOUT = ("folder", "size", "mtime_ns", "damaged", "first", "alarm")
_PUT = "INSERT INTO cases ({}) VALUES ({})".format(
    ", ".join((*_ABOUT, *_COLUMNS)), ", ".join("?" * (len(_ABOUT) + len(_COLUMNS)))
)

Sort = Literal["opened", "last", "signed", "code", "tooth", "operator", "warnings"]
_ORDER: dict[Sort, str] = {
    "opened": "opened_utc DESC, folder DESC",
    "last": "last_utc DESC, folder DESC",
    "signed": "signed_utc DESC, folder DESC",
    "code": "code, folder",
    "tooth": "tooth, opened_utc DESC, folder DESC",
    "operator": "operator, opened_utc DESC, folder DESC",
    "warnings": "(SELECT total(count) FROM warnings w WHERE w.id = cases.id) DESC, folder",
}
SORTS = tuple(_ORDER)
"""What a list may be sorted by: times newest first, warnings most first."""


class Outdated(sqlite3.DatabaseError):
    """The file is no index of this version."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """Size in bytes and time of change of a journal: differs if the journal changed."""

    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class IndexRow:
    """One case in the index.

    Attributes:
        folder: its name in the folder of the cases, or its whole path if it is elsewhere.
        stamp: of the journal when it was read.
        found: the summary, or one sentence on why the journal cannot be read.
        first: hash of the first entry, which tells a case from every other.
        alarm: what contradicts the journal, though it verifies, or None.
    """

    folder: str
    stamp: Stamp
    found: CaseSummary | str
    first: str | None = None
    alarm: str | None = None


@dataclass(frozen=True, slots=True)
class Query:
    """Which cases; everything given must hold. Dates are those of the room's clock.

    Attributes:
        since, until: days on which the case was opened (ISO 8601, both included).
        warning: id of a rule, or a severity.
        code: part of the case code, in upper or lower case.
    """

    since: str | None = None
    until: str | None = None
    tooth: int | None = None
    operator: str | None = None
    warning: str | None = None
    signed: bool | None = None
    code: str | None = None
    sort: Sort = "opened"
    limit: int | None = None


def connect(path: Path | None) -> sqlite3.Connection:
    """The index at ``path``, made empty if it is not there; None: one in memory.

    Raises:
        Outdated: of another version, or not of this program.
        sqlite3.Error: damaged, locked, or not to be written.
    """
    if path is not None:
        try:  # SQLite would let the others on this machine read it
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, OWNER_ONLY))
        except OSError as bad:
            raise sqlite3.OperationalError(str(bad)) from bad
    db = sqlite3.connect(path or ":memory:", timeout=BUSY_S, isolation_level=None)
    try:
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA secure_delete = ON")
        db.execute("PRAGMA synchronous = NORMAL")  # a cache need not outlive a power cut
        _check(db)
    except BaseException:
        db.close()
        raise
    return db


def _check(db: sqlite3.Connection) -> None:
    def kept() -> tuple[int, int, int]:
        names = ("application_id", "user_version", "schema_version")
        one, two, three = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in names)
        return one, two, three

    if kept() == (0, 0, 0):
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("BEGIN IMMEDIATE")
        if kept() == (0, 0, 0):  # nobody was faster
            for statement in _TABLES.split(";"):
                db.execute(statement)
            db.execute(f"PRAGMA application_id = {APPLICATION}")
            db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute("COMMIT")
    if kept()[:2] != (APPLICATION, VERSION):
        raise Outdated("another version")


def put(db: sqlite3.Connection, rows: Iterable[IndexRow]) -> None:
    """Add rows, each in the place of the one of the same folder; all or none."""
    db.execute("BEGIN IMMEDIATE")
    try:
        for row in rows:
            db.execute("DELETE FROM cases WHERE folder = ?", (row.folder,))
            _insert(db, row)
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise


def _insert(db: sqlite3.Connection, row: IndexRow) -> None:
    about = (row.folder, row.stamp.size, row.stamp.mtime_ns)
    if isinstance(row.found, str):
        # Without a code such a case could not be asked for.
        values: dict[str, Any] = {"code": Path(row.folder).name}
        db.execute(
            _PUT, (*about, row.found, None, None, *(values.get(name) for name in _COLUMNS))
        )
        return
    values = {name: getattr(row.found, name) for name in _COLUMNS}
    values["canals"] = ",".join(row.found.canals)
    made = db.execute(_PUT, (*about, None, row.first, row.alarm, *values.values())).lastrowid
    db.executemany(
        "INSERT INTO warnings VALUES (?, ?, ?, ?, ?)",
        [(made, w.rule, w.severity, w.count, w.open) for w in row.found.warnings],
    )


def drop(db: sqlite3.Connection, folders: Iterable[str]) -> None:
    """Take the rows of these folders out."""
    db.executemany("DELETE FROM cases WHERE folder = ?", [(name,) for name in folders])


def stamps(db: sqlite3.Connection) -> dict[str, Stamp]:
    """Every folder in the index with the stamp of its journal."""
    every = db.execute("SELECT folder, size, mtime_ns FROM cases")
    return {folder: Stamp(size, mtime_ns) for folder, size, mtime_ns in every}


def folders(db: sqlite3.Connection) -> set[str]:
    """Every folder in the index."""
    return {folder for (folder,) in db.execute("SELECT folder FROM cases")}


def in_work(db: sqlite3.Connection, most: int) -> dict[str, Stamp]:
    """The unsigned cases, those opened last first, ``most`` at most."""
    asked = db.execute(
        "SELECT folder, size, mtime_ns FROM cases WHERE signed_utc IS NULL"
        " AND damaged IS NULL ORDER BY opened_utc DESC LIMIT ?",
        (most,),
    )
    return {folder: Stamp(size, mtime_ns) for folder, size, mtime_ns in asked}


def find(db: sqlite3.Connection, query: Query) -> list[IndexRow]:
    """The cases of a query, sorted; damaged ones are not among them (:func:`damaged`)."""
    where, values = _where(query)
    limit = -1 if query.limit is None else query.limit
    return _rows(db, f"{where} ORDER BY {_ORDER[query.sort]} LIMIT ?", (*values, limit))


def count(db: sqlite3.Connection, query: Query) -> int:
    """How many cases a query finds, whatever its limit."""
    where, values = _where(query)
    total: int = db.execute(f"SELECT count(*) FROM cases {where}", values).fetchone()[0]
    return total


def damaged(db: sqlite3.Connection) -> list[IndexRow]:
    """Every case whose journal cannot be read."""
    return _rows(db, "WHERE damaged IS NOT NULL ORDER BY folder", ())


def alarmed(db: sqlite3.Connection) -> list[IndexRow]:
    """Every case whose journal verifies and is contradicted."""
    return _rows(db, "WHERE alarm IS NOT NULL ORDER BY folder", ())


def of_folder(db: sqlite3.Connection, folder: str) -> IndexRow | None:
    """The row of one case."""
    return next(iter(_rows(db, "WHERE folder = ?", (folder,))), None)


def with_code(db: sqlite3.Connection, code: str) -> list[str]:
    """Folders of the cases of exactly this code."""
    asked = db.execute("SELECT folder FROM cases WHERE code = ? ORDER BY folder", (code,))
    return [folder for (folder,) in asked]


def _where(query: Query) -> tuple[str, tuple[Any, ...]]:
    terms: list[tuple[str, tuple[Any, ...]]] = [("damaged IS NULL", ())]
    if query.since is not None:
        terms.append(("opened_on >= ?", (query.since,)))
    if query.until is not None:
        terms.append(("opened_on <= ?", (query.until,)))
    if query.tooth is not None:
        terms.append(("tooth = ?", (query.tooth,)))
    if query.operator is not None:
        terms.append(("operator = ?", (query.operator,)))
    if query.code is not None:
        terms.append(("instr(lower(code), lower(?)) > 0", (query.code,)))
    if query.signed is not None:
        terms.append((f"signed_utc IS {'NOT ' * query.signed}NULL", ()))
    if query.warning is not None:
        warned = "id IN (SELECT id FROM warnings WHERE rule = ? OR severity = ?)"
        terms.append((warned, (query.warning, query.warning)))
    values = tuple(value for _, some in terms for value in some)
    return "WHERE " + " AND ".join(term for term, _ in terms), values


def _rows(db: sqlite3.Connection, rest: str, values: tuple[Any, ...]) -> list[IndexRow]:
    with closing(db.cursor()) as cursor:
        columns = ", ".join(("id", *_ABOUT, *_COLUMNS))
        every = cursor.execute(f"SELECT {columns} FROM cases {rest}", values).fetchall()
    warned = _warnings(db, [row[0] for row in every])
    rows = []
    for id_, folder, size, mtime_ns, damage, first, alarm, *rest_of in every:
        found: CaseSummary | str = damage
        if damage is None:
            known = dict(zip(_COLUMNS, rest_of, strict=True))
            known["canals"] = tuple(filter(None, known["canals"].split(",")))
            known["demo"] = bool(known["demo"])
            found = CaseSummary(**known, warnings=tuple(sorted(warned[id_])))
        rows.append(IndexRow(folder, Stamp(size, mtime_ns), found, first, alarm))
    return rows


def _warnings(db: sqlite3.Connection, ids: list[int]) -> dict[int, list[WarningCount]]:
    found: dict[int, list[WarningCount]] = defaultdict(list)
    for first in range(0, len(ids), 500):  # SQLite takes so many values at once anywhere
        some = ids[first : first + 500]
        marks = ", ".join("?" * len(some))
        asked = db.execute(f"SELECT * FROM warnings WHERE id IN ({marks})", some)
        for id_, *count_of in asked:
            found[id_].append(WarningCount(*count_of))
    return found
