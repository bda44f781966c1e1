"""Copies a store into one zip file: whole or not at all, and read again before it counts.

Of a journal that is being written, what was acknowledged is copied: up to the last whole
batch. The reports are read before the journal, so that the journal always has the entry
whose hash a report carries.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assistant import __version__
from assistant.errors import InputFileError, RecordDamaged, RecordUnwritable, UserError
from assistant.files.atomic import OS_FILES, reason, sync_folder, unwritable
from assistant.record.chain import JournalLine, verify
from assistant.store.archive import (
    CASES,
    MANIFEST,
    KeptCase,
    Manifest,
    Member,
    allowed,
    case_part,
)
from assistant.store.audit import AUDIT
from assistant.store.names import KEY
from assistant.store.places import JOURNAL, files_of

Bar = Callable[[Sequence[Path]], AbstractContextManager[Iterable[Path]]]
"""Shows progress over case folders."""


@dataclass(frozen=True, slots=True)
class Made:
    """What was written.

    Attributes:
        sha256: of the whole zip file.
        size: of it, in bytes.
        left_out: files of a case that are links or the like, or have names that not
            every system takes.
    """

    manifest: Manifest
    sha256: str
    size: int
    left_out: list[Path]


def back_up(cases: Path, folders: Sequence[Path], target: Path, bar: Bar) -> Made:
    """Write a back-up of these case folders, the audit trail and the keys of the names.

    Raises:
        RecordUnwritable: ``target`` is there already, or the disk refused; no file stays.
        RecordDamaged: what was written does not read back; no file stays.
        InputFileError: a file of a case cannot be read.
    """
    if os.path.lexists(target):
        raise RecordUnwritable(
            f"{target} exists already and was left as it is; choose another name."
        )
    temporary: Path | None = None
    try:
        fd, name = tempfile.mkstemp(prefix=".", suffix=".tmp", dir=target.parent)
        temporary = Path(name)
        with os.fdopen(fd, "w+b") as stream:
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as to:
                copy = _Copy(to)
                copy.store(cases)
                with bar(folders) as going:
                    for folder in going:
                        copy.case(folder)
                manifest = copy.manifest()
            stream.flush()
            OS_FILES.fsync(stream.fileno())
        made = Made(manifest, *_read_back(temporary, manifest), copy.left_out)
        temporary.replace(target)
        sync_folder(target.parent)
    except BaseException as bad:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink()
        if isinstance(bad, OSError):
            raise unwritable(target, bad) from bad
        raise
    return made


class _Copy:
    """A zip file in the making, and what its manifest will say."""

    def __init__(self, to: zipfile.ZipFile) -> None:
        self.left_out: list[Path] = []
        self._to = to
        self._members: dict[str, Member] = {}
        self._cases: dict[str, KeptCase] = {}
        self._taken: set[str] = set()

    def store(self, cases: Path) -> None:
        """What belongs to no single case."""
        for path in sorted([cases / KEY, *cases.glob("names.key-*.json")]):
            if path.is_file():
                self._put(path.name, _bytes_of(path))
        if (cases / AUDIT).is_file():
            self._put(AUDIT, acknowledged(cases / AUDIT)[0])

    def case(self, folder: Path) -> None:
        """One case: everything in its folder but locks and hidden files."""
        name = self._folder_name(folder)
        for path in files_of(folder):
            parts = path.relative_to(folder).parts
            if parts[-1].endswith(".lock") or any(part.startswith(".") for part in parts):
                continue
            if parts == (JOURNAL,):
                continue
            try:
                member = allowed("/".join((CASES, name, *parts)))
            except ValueError:
                self.left_out.append(path)
                continue
            if path.is_symlink() or not path.is_file():
                self.left_out.append(path)
                continue
            self._put(member, _bytes_of(path))
        raw, entries, damage = acknowledged(folder / JOURNAL)
        self._put(f"{CASES}/{name}/{JOURNAL}", raw)
        self._cases[name] = _about(folder, entries, damage)

    def _folder_name(self, folder: Path) -> str:
        """Its name, or one like it that every system takes and no other case has."""
        name = folder.resolve().name
        try:
            case_part(name)
        except ValueError:
            name = re.sub(r"[^\w-]+", "-", name.encode(errors="replace").decode()).strip("-")
            name = f"case-{name}"[:60]
        base, number = name, 1
        while name.casefold() in self._taken:
            number += 1
            name = f"{base}-{number}"
        self._taken.add(name.casefold())
        return name

    def _put(self, member: str, data: bytes) -> None:
        info = zipfile.ZipInfo(member)  # no time of this machine: the manifest has it
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = 0o100600 << 16
        self._to.writestr(info, data)
        self._members[member] = Member(sha256=_sha256(data), size=len(data))

    def manifest(self) -> Manifest:
        """The manifest, written into the file as its last member."""
        made = Manifest(
            program=__version__,
            made_at=datetime.now(UTC).isoformat(timespec="seconds"),
            members=dict(self._members),
            cases=self._cases,
        )
        self._put(MANIFEST, (made.model_dump_json(indent=1) + "\n").encode())
        return made


def acknowledged(path: Path) -> tuple[bytes, list[JournalLine], str | None]:
    """A journal up to its last whole batch, its entries, and why it cannot be read.

    One that does not verify is given byte for byte, without entries and with the reason.
    """
    raw = _bytes_of(path)
    try:
        entries, chain = verify(raw, path)
    except UserError as bad:
        return raw, [], str(bad)
    return raw[: chain.length], entries, None


def _about(folder: Path, entries: list[JournalLine], damage: str | None) -> KeptCase:
    if not entries:
        why = damage or f"{folder / JOURNAL} has no entry."
        return KeptCase(code=folder.name, head=None, signed=False, damaged=why)
    return KeptCase(
        code=str(entries[0].event.get("case_code", folder.name)),
        head=entries[-1].line_hash,
        signed=any(entry.event.get("kind") == "note_signed" for entry in entries),
    )


def _read_back(path: Path, manifest: Manifest) -> tuple[str, int]:
    """SHA-256 and size of the file, once every member has been read from it again."""
    with zipfile.ZipFile(path) as made:
        for member, wanted in manifest.members.items():
            try:
                same = _sha256(made.read(member)) == wanted.sha256
            except zipfile.BadZipFile:
                same = False
            if not same:
                raise RecordDamaged(
                    f"{member} does not read back from the new back-up as it was written; "
                    "check the disk and make it on another one."
                )
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest(), path.stat().st_size


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as bad:
        raise InputFileError(
            f"{path} cannot be read ({reason(bad)}); no back-up was made; check its "
            "permissions and the disk."
        ) from None


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
