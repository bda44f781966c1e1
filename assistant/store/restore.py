"""Puts a back-up back: everything verified first, then said, then done case by case.

A case that is there already is never touched, whether it is the same, newer or another.
Each case is written beside the store first and then takes its name in one step; what a
cut off restore leaves is hidden and taken away by the next command.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from assistant.errors import (
    CaseBusy,
    InputFileError,
    RecordDamaged,
    RecordUnwritable,
    UserError,
)
from assistant.files.atomic import reason, sync_folder, unwritable, write_new
from assistant.record.chain import JournalLine, verify
from assistant.store.anchors import Known, contradiction, of_journal
from assistant.store.archive import CASES, MANIFEST, KeptCase, Manifest, checked_members
from assistant.store.audit import AUDIT, entries
from assistant.store.names import KEY, KeyFile, other_key
from assistant.store.places import JOURNAL, alone

STAGE = ".restoring-"
"""Begins the name of the hidden folder in which a restore prepares its cases."""

WORK = "restoring"
"""What one process does at a time."""

Bar = Callable[[Sequence[str]], AbstractContextManager[Iterable[str]]]

Fate = Literal["restore", "same", "newer", "older", "different", "contradicted"]
SAID: dict[Fate, str] = {
    "restore": "will be restored",
    "same": "is there already and the same: left as it is",
    "newer": "is there and has gone on since: left as it is",
    "older": "is there and has less than the back-up: left as it is; move it away to have "
    "the back-up's",
    "different": "is another case in the store: left as it is; move it away to have the "
    "back-up's",
    "contradicted": "is not what index and audit trail know of it: left out",
}
"""What each fate is called."""

Knows = Callable[[str], Sequence[Known]]
"""What the store knows of the case with that first entry."""


@dataclass(frozen=True, slots=True)
class RestoreStep:
    """What is to become of one case of the back-up; ``erased`` is when a case of this
    journal was erased from this store, ``alarm`` what contradicts it, or None."""

    folder: str
    case: KeptCase
    fate: Fate
    erased: str | None
    alarm: str | None = None


@dataclass(frozen=True, slots=True)
class RestorePlan:
    """A verified back-up and what restoring it will do.

    Attributes:
        others: members outside the cases, by the name they will get in the store.
    """

    archive: Path
    manifest: Manifest
    steps: list[RestoreStep]
    others: dict[str, str]

    @property
    def to_restore(self) -> list[RestoreStep]:
        """The cases that are not there yet."""
        return [step for step in self.steps if step.fate == "restore"]


def plan(cases: Path, archive: Path, bar: Bar, knows: Knows = lambda _: ()) -> RestorePlan:
    """Verify a back-up, every byte of it, and say what restoring it will do.

    Raises:
        InputFileError: it is no back-up, is damaged, or could do harm; see
            :func:`assistant.store.archive.checked_members`.
        RecordDamaged: a journal in it does not verify, though it did when it was copied.
    """
    with _opened(archive) as opened:
        manifest = _manifest(opened, archive)
        with bar(sorted(manifest.members)) as going:
            for name in going:
                _member(opened, manifest, name)
        erased = _erasures(cases)
        steps = [
            _step(
                cases, erased, folder, case, _member(opened, manifest, _journal(folder)), knows
            )
            for folder, case in sorted(manifest.cases.items())
        ]
        return RestorePlan(archive, manifest, steps, _others(cases, opened, manifest))


def carry_out(cases: Path, wanted: RestorePlan, bar: Bar) -> list[str]:
    """Restore what the plan says; the folders of the cases that are now there.

    Raises:
        RecordUnwritable: the disk refused, or has no room; cases restored before stay.
        InputFileError: the back-up changed since it was verified.
    """
    done: list[str] = []
    stage = cases / f"{STAGE}{secrets.token_hex(4)}"
    try:
        cases.mkdir(parents=True, exist_ok=True)
        _require_room(cases, wanted)
        with alone(cases, WORK), _opened(wanted.archive) as opened:
            if _manifest(opened, wanted.archive) != wanted.manifest:
                raise InputFileError(
                    f"{wanted.archive} was changed while it was read; begin again."
                )
            for to in (*wanted.others.values(), *(s.folder for s in wanted.to_restore)):
                _require_free(cases / to)  # all of them before the first is written
            # First what the cases need: a name without its key cannot be read.
            for name, to in wanted.others.items():
                _put(cases / to, _member(opened, wanted.manifest, name))
            with bar([step.folder for step in wanted.to_restore]) as going:
                for folder in going:
                    _restore(cases, stage, opened, wanted.manifest, folder)
                    done.append(folder)
    except OSError as bad:
        raise unwritable(cases, bad) from bad
    finally:
        shutil.rmtree(stage, ignore_errors=True)
    return done


def clear_stages(cases: Path) -> None:
    """Take away what a cut off restore left; the back-up still has all of it."""
    if any(cases.glob(f"{STAGE}*/")):
        with suppress(CaseBusy), alone(cases, WORK):
            for left in cases.glob(f"{STAGE}*/"):
                shutil.rmtree(left, ignore_errors=True)


def _restore(
    cases: Path, stage: Path, opened: zipfile.ZipFile, manifest: Manifest, folder: str
) -> None:
    prefix = f"{CASES}/{folder}/"
    made = stage / folder
    for name in manifest.members:
        if name.startswith(prefix):
            _put(made / name.removeprefix(prefix), _member(opened, manifest, name))
    _require_free(cases / folder)
    made.rename(cases / folder)
    sync_folder(cases)


def _require_free(to: Path) -> None:
    if os.path.lexists(to):
        raise RecordUnwritable(
            f"{to} appeared while the back-up was restored and was left as it is; begin again."
        )


def _put(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        write_new(path, data)
    except FileExistsError:
        raise RecordUnwritable(f"{path} is there already and was left as it is.") from None


def _require_room(cases: Path, wanted: RestorePlan) -> None:
    names = tuple(f"{CASES}/{step.folder}/" for step in wanted.to_restore)
    needed = sum(
        m.size for name, m in wanted.manifest.members.items() if name.startswith(names)
    )
    free = shutil.disk_usage(cases).free
    if needed > free:
        raise RecordUnwritable(
            f"The cases take {needed} bytes and the disk of {cases} has {free} left; "
            "free some space and try again."
        )


# -- reading the back-up -------------------------------------------------------


def _opened(archive: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(archive)
    except zipfile.BadZipFile:
        raise InputFileError(
            f"{archive} is no zip file, or only a part of one; take another back-up."
        ) from None
    except OSError as bad:
        raise InputFileError(
            f"{archive} cannot be read ({reason(bad)}); check the name of the back-up."
        ) from None


def _manifest(opened: zipfile.ZipFile, archive: Path) -> Manifest:
    found = checked_members(opened, archive.stat().st_size)
    try:
        manifest = Manifest.model_validate_json(_read(opened, found[MANIFEST], archive))
    except ValidationError as bad:
        first = bad.errors(include_input=False, include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "the whole"
        raise InputFileError(
            f"The manifest of {archive} is not one of this program ({where}: "
            f"{first['msg']}); take another back-up."
        ) from None
    promised = {name: member.size for name, member in manifest.members.items()}
    held = {name: info.file_size for name, info in found.items() if name != MANIFEST}
    folders = {name.split("/")[1] for name in held if name.startswith(f"{CASES}/")}
    without = [folder for folder in manifest.cases if _journal(folder) not in held]
    if promised != held or folders != manifest.cases.keys() or without:
        raise InputFileError(
            f"{archive} does not hold what its manifest says; nothing was changed; take "
            "another back-up."
        )
    return manifest


def _read(opened: zipfile.ZipFile, info: zipfile.ZipInfo, archive: Path) -> bytes:
    try:
        # Never more than was declared, which was checked against the whole.
        with opened.open(info) as stream:
            data = stream.read(info.file_size + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as bad:
        raise InputFileError(
            f"{info.filename} in {archive} cannot be read ({bad}); nothing was changed; "
            "take another back-up."
        ) from None
    return data


def _member(opened: zipfile.ZipFile, manifest: Manifest, name: str) -> bytes:
    archive = Path(opened.filename or "")
    data = _read(opened, opened.getinfo(name), archive)
    wanted = manifest.members[name]
    if len(data) != wanted.size or hashlib.sha256(data).hexdigest() != wanted.sha256:
        raise InputFileError(
            f"{name} in {archive} is not what its manifest says; nothing was changed; take "
            "another back-up."
        )
    return data


# -- what is to become of it -----------------------------------------------------


def _journal(folder: str) -> str:
    return f"{CASES}/{folder}/{JOURNAL}"


def _step(
    cases: Path,
    erased: dict[str, str],
    folder: str,
    case: KeptCase,
    journal: bytes,
    knows: Knows,
) -> RestoreStep:
    lines = _whole(folder, case, journal) if case.damaged is None else []
    to = cases / folder
    fate: Fate = "restore"
    alarm = None
    if os.path.lexists(to):
        fate = _compared(to / JOURNAL, journal)
    elif lines and (alarm := contradiction(lines, knows(lines[0].line_hash), ())):
        fate = "contradicted"
    return RestoreStep(folder, case, fate, erased.get(case.head or ""), alarm)


def _whole(folder: str, case: KeptCase, journal: bytes) -> list[JournalLine]:
    found, chain = verify(journal, Path(_journal(folder)))
    if chain.length != len(journal) or not found or chain.head != case.head:
        raise RecordDamaged(
            f"The journal of {folder} in the back-up does not end as its manifest says; "
            "nothing was changed; take another back-up."
        )
    known = of_journal(folder, found)
    if (known.code, known.signed) != (case.code, case.signed):
        raise RecordDamaged(
            f"The journal of {folder} in the back-up is not of the case that its manifest "
            "says; nothing was changed; take another back-up."
        )
    return found


def _compared(there: Path, journal: bytes) -> Fate:
    try:
        present = there.read_bytes()
    except OSError:
        return "different"
    if present == journal:
        return "same"
    if present.startswith(journal):
        return "newer"
    return "older" if present and journal.startswith(present) else "different"


def _erasures(cases: Path) -> dict[str, str]:
    """When the cases that were erased from this store were, by the head of their journal."""
    try:
        trail = entries(cases)
    except UserError:  # its own command says so
        return {}
    erased = [e for e in trail if e.event.get("what") == "erase"]
    return {head: e.at for e in erased if isinstance(head := e.event.get("head"), str)}


def _others(cases: Path, opened: zipfile.ZipFile, manifest: Manifest) -> dict[str, str]:
    """Keys and audit trail: put where nothing is, or beside what is there and differs."""
    found: dict[str, str] = {}
    for name in manifest.members:
        if name.startswith(f"{CASES}/"):
            continue
        data = _member(opened, manifest, name)
        to = name if name == AUDIT else _key_name(cases, name, data)
        present = (cases / to).read_bytes() if (cases / to).is_file() else None
        if name == AUDIT and present is not None and not present.startswith(data):
            to = f"audit-{hashlib.sha256(data).hexdigest()[:16]}.jsonl"
            present = (cases / to).read_bytes() if (cases / to).is_file() else None
        if present is None:
            found[name] = to
    return found


def _key_name(cases: Path, name: str, data: bytes) -> str:
    """A key of another store goes beside the store's own."""
    try:
        key_id = KeyFile.model_validate_json(data).id
        own = KeyFile.model_validate_json((cases / KEY).read_bytes()).id
    except (OSError, ValidationError):
        return name
    return KEY if key_id == own else other_key(key_id)
