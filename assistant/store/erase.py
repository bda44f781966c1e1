"""Takes cases away for good, so that an erasure once begun is always finished.

What is to be erased is written down in a hidden file in the folder of the cases; then
the case folder takes a hidden name in one step (from here on the case is gone); then the
audit trail says so; then the files are deleted, and the hidden file last. Whatever is cut
off in between, :func:`finish` completes it when the next command starts.
"""

from __future__ import annotations

import os
import secrets
import shutil
import sys
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from assistant.case.casefile import JOURNAL, read_case
from assistant.errors import CaseBusy, InputFileError, UserError
from assistant.files.atomic import lock, sync_folder, unwritable, write_atomically
from assistant.store import audit
from assistant.store.names import identity
from assistant.store.places import alone, files_of, is_case, key_of
from assistant.store.summary import CaseSummary, summary

ERASING = ".erasing-"
"""Begins the names of the hidden file and of the hidden folder."""

WORK = "erasing"
"""What one process does at a time."""

REMAINS = (
    "Other copies are not touched and have to be erased by themselves: back-ups, exports, "
    "printed notes. Of deleted files an SSD or a snapshot of the disk may keep remnants."
)
"""What every erasure says."""


@dataclass(frozen=True, slots=True)
class Doomed:
    """A case as it is before it is erased.

    Attributes:
        found: its summary, or why its journal cannot be read.
        files: everything that will be deleted, with its size in bytes and the day of its
            last change.
    """

    folder: Path
    found: CaseSummary | str
    files: list[tuple[Path, int, date]]

    @property
    def code(self) -> str:
        """The case code; the name of the folder where the journal cannot be read."""
        return self.folder.name if isinstance(self.found, str) else self.found.code


class Order(BaseModel):
    """The hidden file: an erasure that was decided."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    by: str
    reason: str
    code: str
    head: str | None
    signed: str | None
    damaged: str | None
    folder: str
    hidden: str
    first: str | None = None


def doomed(cases: Path, folder: Path) -> Doomed:
    """Everything that erasing this case deletes.

    Raises:
        InputFileError: there is no case in the folder; it is a link; or it is outside
            the store and holds other folders, which no case does.
    """
    if folder.is_symlink():
        raise InputFileError(f"{folder} is a link; give the folder that it leads to.")
    if not is_case(folder):
        raise InputFileError(f"{folder} holds no case; check the name of the case.")
    files = files_of(folder)
    outside = Path(key_of(cases, folder)).is_absolute()
    if outside and any(path.parent != folder for path in files):
        raise InputFileError(
            f"{folder} is outside the store and holds other folders; move what is not of "
            "the case away first."
        )
    found: CaseSummary | str
    try:
        found = summary(*read_case(folder))
    except UserError as bad:
        found = str(bad)
    listed = []
    for path in files:
        about = path.lstat()
        changed = datetime.fromtimestamp(about.st_mtime).astimezone().date()
        listed.append((path, about.st_size, changed))
    return Doomed(folder, found, listed)


def erase(cases: Path, case: Doomed, reason: str, by: str | None = None) -> None:
    """Erase a case, and leave an entry in the audit trail.

    Raises:
        CaseBusy: another process has it open; nothing was deleted.
        InputFileError: it changed since it was looked at; nothing was deleted.
        RecordUnwritable: the disk refused; :func:`finish` goes on from there.
        RecordDamaged: the audit trail was edited; nothing was deleted.
    """
    audit.entries(cases)  # raises before anything is done
    folder = Path(os.path.realpath(case.folder))
    found = case.found
    cases.mkdir(parents=True, exist_ok=True)
    with alone(cases, WORK), ExitStack() as held:
        held.callback(os.close, lock(folder / JOURNAL))
        if doomed(cases, folder).found != found:
            raise InputFileError(f"{folder} has changed since it was looked at; begin again.")
        order = Order(
            id=secrets.token_hex(8),
            by=by or audit.user(),
            reason=reason,
            code=case.code,
            head=None if isinstance(found, str) else found.head,
            signed=None if isinstance(found, str) else found.signed_utc,
            damaged=found if isinstance(found, str) else None,
            folder=str(folder),
            hidden=str(folder.with_name(f"{ERASING}{secrets.token_hex(8)}")),
            first=_first(folder),
        )
        paper = cases / f"{ERASING}{order.id}.json"
        write_atomically(paper, order.model_dump_json() + "\n")
        if sys.platform == "win32":
            held.close()  # a folder with an open file cannot be renamed there
        try:
            folder.rename(order.hidden)
            sync_folder(folder.parent)
        except OSError as bad:
            with suppress(OSError):
                paper.unlink()
            raise unwritable(folder, bad) from bad
        _complete(cases, paper, order)


def _first(folder: Path) -> str | None:
    """What tells the case from every other, if that can be read."""
    with suppress(InputFileError):
        return identity(folder)
    return None


def finish(cases: Path) -> list[str]:
    """Complete the erasures that were cut off; the codes of the cases.

    Raises:
        RecordUnwritable, RecordDamaged: as :func:`erase`.
        InputFileError: an order cannot be read.
    """
    if not any(cases.glob(f"{ERASING}*.json")):
        return []
    try:
        with alone(cases, WORK):
            return [
                code
                for paper in sorted(cases.glob(f"{ERASING}*.json"))
                if (code := _resumed(cases, paper))
            ]
    except CaseBusy:
        return []  # that process is at it


def _resumed(cases: Path, paper: Path) -> str | None:
    try:
        order = Order.model_validate_json(paper.read_bytes())
    except (OSError, ValidationError):
        raise InputFileError(
            f"{paper} tells of an erasure that was cut off and cannot be read; look for a "
            f"hidden folder {ERASING}* and delete both."
        ) from None
    if Path(order.folder).exists() and not Path(order.hidden).exists():
        paper.unlink(missing_ok=True)  # decided, not begun: the case is untouched
        return None
    _complete(cases, paper, order)
    return order.code


def _complete(cases: Path, paper: Path, order: Order) -> None:
    """Say it in the audit trail, once, and delete."""
    if all(entry.event.get("id") != order.id for entry in audit.entries(cases)):
        audit.record(
            cases,
            "erase",
            by=order.by,
            case=order.code,
            head=order.head,
            reason=order.reason,
            signed=order.signed,
            damaged=order.damaged,
            first=order.first,
            id=order.id,
        )
    hidden = Path(order.hidden)
    try:
        if hidden.exists():
            shutil.rmtree(hidden)
            sync_folder(hidden.parent)
        paper.unlink(missing_ok=True)
    except OSError as bad:
        raise unwritable(hidden, bad) from bad
