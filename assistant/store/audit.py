"""The audit trail of a store: who did what to which case, and when.

``audit.jsonl`` in the folder of the cases is a journal like that of a case
(:mod:`assistant.record.journal`): only ever added to, each line on the disk before the
deed counts, chained by hashes. It holds case codes and hashes and no patient's name.
Free text in it (a reason) is what the user typed.
"""

from __future__ import annotations

import getpass
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from assistant.errors import CaseBusy, RecordUnwritable
from assistant.record.chain import JournalLine
from assistant.record.journal import Journal, Read, read_journal
from assistant.store.places import key_of

AUDIT = "audit.jsonl"
"""Name of the audit trail in the folder of the cases."""

What = Literal[
    "name set",
    "name shown",
    "name removed",
    "passphrase set",
    "passphrase changed",
    "addendum",
    "report made again",
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
) -> None:
    """Write one line, on the disk when this returns.

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
    with _opened(cases, at) as trail:
        trail.append([event | details], at)


def record_of(cases: Path, folder: Path, what: What, case: str, head: str) -> None:
    """As :func:`record`, if ``folder`` is a case of this store; else nothing."""
    if not Path(key_of(cases, folder)).is_absolute():
        record(cases, what, case=case, head=head)


def _opened(cases: Path, at: str) -> Journal:
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
                return Journal.open(path).journal
            return Journal.create(path, at)
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
