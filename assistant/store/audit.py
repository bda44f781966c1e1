"""The audit trail of a store: who did what to which case, and when.

``audit.jsonl`` in the folder of the cases is a journal like that of a case
(:mod:`assistant.record.journal`): only ever added to, each line on the disk before the
deed counts, chained by hashes. It holds case codes and hashes and no patient's name.
Free text in it (a reason) is what the user typed.
"""

from __future__ import annotations

import getpass
import os
import sqlite3
import time
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from assistant.errors import CaseBusy, RecordUnwritable
from assistant.record.chain import JournalLine
from assistant.record.journal import Journal, Read, read_journal
from assistant.store import index
from assistant.store.places import JOURNAL, key_of

AUDIT = "audit.jsonl"
"""Name of the audit trail in the folder of the cases."""

What = Literal[
    "name set",
    "name shown",
    "name removed",
    "passphrase set",
    "passphrase changed",
    "signed",
    "sealed",
    "addendum",
    "report made",
    "report made again",
    "accepted",
    "trail accepted",
    "key set",
    "time stamp",
    "export",
    "import",
    "back-up",
    "restore",
    "erase",
    "retention run",
]
"""What is written down."""

WAIT_S = 3.0
"""How long to wait for another process that adds a line."""

Detail = str | int | bool | list[str] | None


def record(
    cases: Path,
    what: What,
    by: str | None = None,
    case: str | None = None,
    head: str | None = None,
    **details: Detail,
) -> JournalLine:
    """Write one line, on the disk when this returns; the line.

    Args:
        cases: the folder of the cases; made if it is not there.
        by: who; the name of the user at this machine if not given.
        case: code of the case, if it is about one.
        head: hash of the last line of its journal at that moment.
        details: whatever else tells what was done; never a patient's name.

    Raises:
        RecordUnwritable: the disk refused.
        RecordDamaged: the trail was edited; nothing is added to it.
        CaseBusy: another process kept it open.
    """
    event: dict[str, object] = {"what": what, "by": by or user(), "case": case, "head": head}
    at = datetime.now(UTC).astimezone().isoformat()
    before, trail = _opened(cases, at)
    with trail:
        (line,) = trail.append([event | details], at)
    _remember(cases, before, line)
    return line


def record_of(
    cases: Path, folder: Path, what: What, by: str | None = None, **details: Detail
) -> JournalLine | None:
    """As :func:`record`, with all that tells how far the journal of a case goes, if
    ``folder`` is a case of this store; else nothing.

    Raises:
        RecordDamaged, InputFileError: the journal cannot be read; else as :func:`record`.
    """
    key = key_of(cases, folder)
    if Path(key).is_absolute():
        return None
    lines = read_journal(folder / JOURNAL).entries
    known: dict[str, Detail] = {
        "first": lines[0].line_hash,
        "folder": key,
        "lines": lines[-1].seq,
        "signed": any(line.event.get("kind") == "note_signed" for line in lines),
    }
    code, head = str(lines[0].event.get("case_code", "")), lines[-1].line_hash
    return record(cases, what, by, code, head, **known | details)


def _remember(cases: Path, before: list[JournalLine], line: JournalLine) -> None:
    """Let the index know how far the trail goes now, if it went on from what that knew.

    Never fails: a deed is told in the trail, and the index is one witness of it.
    """
    with suppress(sqlite3.Error), closing(index.connect(cases / index.INDEX)) as db:
        known = db.execute("SELECT lines, head FROM trail").fetchone()
        if known is None:
            if not before:
                db.execute(
                    "INSERT INTO trail (id, lines, head) VALUES (1, ?, ?)",
                    (line.seq, line.line_hash),
                )
        elif known in {(one.seq, one.line_hash) for one in before}:
            db.execute("UPDATE trail SET lines = ?, head = ?", (line.seq, line.line_hash))


def _opened(cases: Path, at: str) -> tuple[list[JournalLine], Journal]:
    path = cases / AUDIT
    try:
        cases.mkdir(parents=True, exist_ok=True)
    except OSError as bad:
        raise RecordUnwritable(
            f"The folder {cases} cannot be made ({bad.strerror}); check FILLWARM_CASES."
        ) from None
    until = time.monotonic() + WAIT_S
    while True:
        try:
            if os.path.lexists(path):
                opened = Journal.open(path)
                return opened.entries, opened.journal
            return [], Journal.create(path, at)
        except (CaseBusy, RecordUnwritable) as bad:
            made_meanwhile = isinstance(bad, RecordUnwritable) and bad.__cause__ is None
            if time.monotonic() > until or not (isinstance(bad, CaseBusy) or made_meanwhile):
                raise
        time.sleep(0.02)


def read(cases: Path) -> Read | None:
    """The verified trail, or None before its first line.

    Raises:
        RecordDamaged: a line was edited, removed or reordered.
        InputFileError: it cannot be read.
    """
    path = cases / AUDIT
    return read_journal(path) if os.path.lexists(path) else None


def entries(cases: Path) -> list[JournalLine]:
    """The verified lines; raises as :func:`read`."""
    found = read(cases)
    return found.entries if found else []


def user() -> str:
    """The name of the user at this machine, "unknown" where it has none."""
    try:
        return getpass.getuser()
    except (ImportError, KeyError, OSError):
        return "unknown"
