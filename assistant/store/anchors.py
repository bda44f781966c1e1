"""What is known of a journal from elsewhere, and whether the journal agrees.

A chain of hashes shows an edited line. It cannot show entries cut off at its end, nor that
every line was written anew. So number of entries, head and state of a case are also kept in
the index, in the audit trail, in the note and the record beside the journal; those of the
audit trail in the index and in the seal of every signed case. Whoever changes one without
all the others is noticed; whoever can write, and changes all of them, is not, unless a seal
carries a signature (:mod:`.signing`) or a head was printed or stamped.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from assistant.errors import UserError
from assistant.record.chain import JournalLine
from assistant.store import audit

SIGNED = "note_signed"
SEALED = "head_sealed"
"""Kinds of events, as :mod:`assistant.progress.events` has them, which is slow to load."""

ACCEPTED = "trail accepted"
"""What the audit trail says of itself where an earlier one was lost."""

REPORTS = ("note.txt", "note.pdf", "record.json")
"""The reports whose bytes the audit trail remembers."""

_NOTE_HEAD = re.compile(r"^Journal head hash: ([0-9a-f]{64})$", re.MULTILINE)


INDEX, TRAIL = "the index", "the audit trail"
"""Who may have seen a journal."""


class Known(NamedTuple):
    """How far a journal went when ``witness`` saw it whole."""

    first: str
    folder: str
    code: str
    lines: int
    head: str
    signed: bool
    witness: str = INDEX


class Claim(NamedTuple):
    """What a report says of the journal it was made from."""

    where: str
    head: str
    signed: bool


def of_journal(folder: str, lines: Sequence[JournalLine]) -> Known:
    """What there is to know of a journal with these entries (at least one)."""
    return Known(
        lines[0].line_hash,
        folder,
        str(lines[0].event.get("case_code", "")),
        lines[-1].seq,
        lines[-1].line_hash,
        any(line.event.get("kind") == SIGNED for line in lines),
    )


def contradiction(
    lines: Sequence[JournalLine], known: Sequence[Known], claims: Sequence[Claim]
) -> str | None:
    """What is wrong with a journal that verifies, as the end of a sentence; None if nothing."""
    seqs = {line.line_hash: line.seq for line in lines}
    signed = next((line.seq for line in lines if line.event.get("kind") == SIGNED), None)
    for one in known:
        if seqs.get(one.head) == one.lines:
            continue
        seen = f"{one.witness} knows it {'signed, ' * one.signed}with the head {one.head[:16]}"
        if one.lines > lines[-1].seq:
            return f"it was cut: it has {lines[-1].seq} entries of {one.lines}; {seen}"
        return f"it was written anew: entry {one.lines} is another than it was; {seen}"
    for claim in claims:
        seq = seqs.get(claim.head)
        if seq is None:
            return (
                f"{claim.where} was made from a journal with the head {claim.head[:16]}, which "
                "this one never had: one of the two was changed"
            )
        if claim.signed and (signed is None or seq < signed):
            return f"{claim.where} says that it is signed, and it is not"
    for before, line in pairwise(lines):
        if line.event.get("kind") == SEALED:
            seal = line.event.get("seal", {})
            if (seal.get("lines"), seal.get("head")) != (before.seq, before.line_hash):
                return f"its entry {line.seq} seals another journal than this"
    return None


def claims(folder: Path) -> list[Claim]:
    """What note and record in the folder of a case say of its journal; one that cannot be
    read says nothing."""
    found = []
    note = _text(folder / "note.txt")
    if heads := _NOTE_HEAD.findall(note):
        unsigned = "NOT SIGNED" in note.splitlines()
        found.append(Claim("note.txt", heads[-1], not unsigned))
    try:
        record = json.loads(_text(folder / "record.json") or "null")
    except (ValueError, RecursionError):
        record = None
    if isinstance(record, dict) and isinstance(head := record.get("head_hash"), str):
        found.append(Claim("record.json", head, record.get("signed_at") is not None))
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def hashes(contents: Mapping[str, bytes | str]) -> list[str]:
    """What the audit trail says of reports: name and SHA-256 of each."""
    raw = {n: c.encode() if isinstance(c, str) else c for n, c in contents.items()}
    return [f"{n} {hashlib.sha256(raw[n]).hexdigest()}" for n in REPORTS if n in raw]


# -- in the index ----------------------------------------------------------------


def known_of(db: sqlite3.Connection, first: str) -> list[Known]:
    """All that is known of the case with this first entry, the furthest first."""
    return _known_where(db, "first = ?", (first,))


def keep(db: sqlite3.Connection, known: Known) -> None:
    """Remember a journal. The index knows the last that it saw, the trail all it told."""
    if known.witness == INDEX:
        db.execute("DELETE FROM known WHERE first = ? AND witness = ?", (known.first, INDEX))
    db.execute("INSERT OR IGNORE INTO known VALUES (?, ?, ?, ?, ?, ?, ?)", known)


def forget_unsigned(db: sqlite3.Connection, folder: str) -> None:
    """An unsigned case that was taken away may come anew; a signed one stays known."""
    db.execute(
        "DELETE FROM known WHERE folder = ?"
        " AND first NOT IN (SELECT first FROM known WHERE signed)",
        (folder,),
    )


def in_place_of(db: sqlite3.Connection, folder: str, first: str) -> Known | None:
    """The case that was known in this folder and is now nowhere."""
    gone = f"folder = ? AND first != ? AND {_GONE}"
    return next(iter(_known_where(db, gone, (folder, first))), None)


def replaced(db: sqlite3.Connection) -> list[tuple[str, Known]]:
    """Folders in which another case was known than is there, and what that was."""
    asked = db.execute(
        "SELECT DISTINCT c.folder, c.first FROM cases c JOIN known k ON k.folder = c.folder"
        " WHERE c.first IS NOT NULL AND k.first != c.first ORDER BY c.folder"
    ).fetchall()
    found = [(folder, in_place_of(db, folder, first)) for folder, first in asked]
    return [(folder, was) for folder, was in found if was is not None]


def missing(db: sqlite3.Connection) -> list[Known]:
    """Signed cases that are gone, and were not erased by this program."""
    gone = f"signed AND {_GONE} AND folder NOT IN (SELECT folder FROM cases)"
    return list({one.first: one for one in _known_where(db, gone, ())}.values())


_GONE = "first NOT IN (SELECT first FROM cases WHERE first IS NOT NULL)"


def _known_where(db: sqlite3.Connection, where: str, values: tuple[str, ...]) -> list[Known]:
    asked = db.execute(f"SELECT * FROM known WHERE {where} ORDER BY lines DESC", values)
    return [Known(*row)._replace(signed=bool(row[5])) for row in asked]


def strange_reports(db: sqlite3.Connection, folder: Path, first: str) -> str | None:
    """A report that is there and is none that the audit trail knows, as a sentence's end."""
    for name in REPORTS:
        kept = db.execute(
            "SELECT sha256 FROM reports WHERE first = ? AND name = ?", (first, name)
        ).fetchall()
        if not kept:
            continue
        try:
            raw = (folder / name).read_bytes()
        except OSError:
            continue
        if (hashlib.sha256(raw).hexdigest(),) not in kept:
            return f"{name} beside it is not as the program wrote it"
    return None


# -- the audit trail ---------------------------------------------------------------


class Trail(NamedTuple):
    """The audit trail, and what is wrong with it.

    Attributes:
        heads: hash of each entry by its number; None if it cannot be read.
        accepted: it says itself that an earlier one was lost.
    """

    heads: dict[int, str] | None
    accepted: bool
    alarm: str | None

    def misses(self, lines: Sequence[JournalLine]) -> str | None:
        """What the seals of a journal know of the trail and the trail does not say."""
        if self.accepted or self.heads is None:  # told by the trail itself
            return None
        for line in lines:
            seal = line.event.get("seal") if line.event.get("kind") == SEALED else None
            if not isinstance(seal, dict) or (seq := seal.get("trail_lines")) is None:
                continue
            if self.heads.get(seq) != seal.get("trail_head"):
                return (
                    f"its seal names entry {seq} of the audit trail, which is not there any "
                    "more: the trail was cut, written anew or taken away"
                )
        return None


def read_trail(db: sqlite3.Connection, cases: Path) -> Trail:
    """The trail, compared with what the index knows of it; what it tells is taken in."""
    path = cases / audit.AUDIT
    try:
        found = audit.read(cases)
    except UserError as bad:
        return Trail(None, False, str(bad))
    entries = found.entries if found else []
    heads = {entry.seq: entry.line_hash for entry in entries}
    accepted = any(entry.event.get("what") == ACCEPTED for entry in entries)
    lines, head, read = _trail_row(db) or (0, "", 0)
    if lines and heads.get(lines) != head:
        alarm = (
            f"The audit trail {path} has {len(entries)} entries and does not go on from the "
            f"{lines} that the index knows: it was cut, written anew or taken away; put it "
            "back from a back-up, or go on without: fillwarm accept --trail --reason TEXT."
        )
        return Trail(heads, accepted, alarm)
    _take_in(db, [entry for entry in entries if entry.seq > read])
    if entries:
        keep_trail(db, entries[-1], path)
    return Trail(heads, accepted, None)


def trail_alarm(db: sqlite3.Connection, cases: Path) -> str | None:
    """What is wrong with the trail; cheap where it is as it was when it was last read."""
    known = db.execute("SELECT size, mtime_ns FROM trail").fetchone()
    try:
        found = os.stat(cases / audit.AUDIT)  # noqa: PTH116 - as current.stamp
        now = (found.st_size, found.st_mtime_ns)
    except OSError:
        now = None
    return None if known == now else read_trail(db, cases).alarm


def keep_trail(db: sqlite3.Connection, last: JournalLine, path: Path) -> None:
    """The trail is whole up to its last entry, and was taken in."""
    about = path.stat()
    db.execute(
        "INSERT OR REPLACE INTO trail VALUES (1, ?, ?, ?, ?, ?)",
        (last.seq, last.line_hash, last.seq, about.st_size, about.st_mtime_ns),
    )


def _trail_row(db: sqlite3.Connection) -> tuple[int, str, int] | None:
    row = db.execute("SELECT lines, head, read FROM trail").fetchone()
    return (row[0], row[1], row[2]) if row else None


def _take_in(db: sqlite3.Connection, entries: Sequence[JournalLine]) -> None:
    for entry in entries:
        event = entry.event
        if event.get("what") in {"erase", "accepted"}:
            erased = event.get("head") if event["what"] == "erase" else None
            db.execute(
                "DELETE FROM known WHERE first IN (SELECT first FROM known"
                " WHERE first IN (?, ?) OR head = ?)",
                (event.get("first"), event.get("instead"), erased),
            )
        if (known := _told(event)) is not None:
            keep(db, known)
            for report in event.get("reports") or ():
                name, _, sha256 = str(report).partition(" ")
                db.execute(
                    "INSERT OR IGNORE INTO reports VALUES (?, ?, ?)",
                    (known.first, name, sha256),
                )


def _told(event: Mapping[str, Any]) -> Known | None:
    match event:
        case {
            "first": str(first),
            "folder": str(folder),
            "case": str(code),
            "lines": int(lines),
            "head": str(head),
            "signed": bool(signed),
        }:
            return Known(first, folder, code, lines, head, signed, TRAIL)
    return None
