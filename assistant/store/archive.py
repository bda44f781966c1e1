"""What a back-up is: the shape of its manifest, and which names may be in it.

A back-up is a zip file with ``manifest.json``, the audit trail, the key of the names,
and the cases, each in ``cases/FOLDER/``. The manifest has the SHA-256 of every other
member. It shows damage; whoever can write the file can also write a new manifest.
"""

from __future__ import annotations

import re
import stat
import unicodedata
import zipfile
from pathlib import PurePosixPath
from typing import Annotated, Literal, NoReturn

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from assistant.errors import InputFileError
from assistant.store.audit import AUDIT
from assistant.store.names import KEY

MANIFEST = "manifest.json"
CASES = "cases"
"""Folder of the cases in the zip file."""

MOST_MANIFEST_BYTES = 256 * 2**20
MOST_RATIO = 200
"""Bytes out of a byte in, over the whole file; journals and notes come to less than 20
(measured), deflate can reach 1032. Chosen here."""

_SLACK_BYTES = 2**20
_OTHER_KEY = re.compile(r"names\.key-[0-9a-f]{16}\.json")
_WINDOWS = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_OWN = re.compile(r"audit.*\.jsonl|index\.sqlite.*|names\.key.*\.json|manifest\.json|.*\.lock")
_FORBIDDEN = frozenset('<>:"\\|?*')


def plain_part(part: str) -> str:
    """A part of a path that means a name below its folder on every system.

    Raises:
        ValueError: it does not.
    """
    if (
        not part
        or part.startswith(".")
        or part.endswith((" ", "."))
        or not part.isprintable()
        or _FORBIDDEN & set(part)
        or "/" in part
        or _WINDOWS.fullmatch(part)
        or len(part.encode()) > 255
    ):
        raise ValueError(f"{part!a} is no plain name")
    return part


def case_part(part: str) -> str:
    """The name of a case's folder: a plain one, and none that the store has for a file of
    its own.

    Raises:
        ValueError: it is not.
    """
    plain_part(part)
    if _OWN.fullmatch(unicodedata.normalize("NFKC", part).casefold()):
        raise ValueError(f"{part!a} is the name of a file of the store itself")
    return part


def allowed(name: str) -> str:
    """The name of a member that a back-up may have.

    Raises:
        ValueError: it may not: it could end outside the store, or is nothing of a store.
    """
    if name in {MANIFEST, AUDIT, KEY} or _OTHER_KEY.fullmatch(name):
        return name
    parts = name.split("/")
    if len(parts) < 3 or parts[0] != CASES:
        raise ValueError(f"{name!a} is nothing that a back-up holds")
    case_part(parts[1])
    for part in parts[2:]:
        plain_part(part)
    return name


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class Member(_Part):
    """One file in the back-up."""

    sha256: Hash
    size: int = Field(ge=0)


class KeptCase(_Part):
    """One case in the back-up.

    Attributes:
        head: hash of the last line of the journal as it is in the back-up.
        damaged: why the journal could not be read when it was copied, or None. Such a
            case is kept byte for byte.
    """

    code: str
    head: Hash | None
    signed: bool
    damaged: str | None = None


class Manifest(_Part):
    """``manifest.json``; ``members`` by name in the zip file, ``cases`` by folder."""

    format: Literal["fillwarm-backup"] = "fillwarm-backup"
    version: Literal[1] = 1
    program: str
    made_at: str
    members: dict[Annotated[str, AfterValidator(allowed)], Member]
    cases: dict[Annotated[str, AfterValidator(case_part)], KeptCase]


def checked_members(opened: zipfile.ZipFile, size: int) -> dict[str, zipfile.ZipInfo]:
    """The members of a zip file by name, if nothing about them can do harm.

    Args:
        size: of the zip file in bytes.

    Raises:
        InputFileError: a name that could leave the store, two that are one file on some
            systems, a link, an encrypted member, or far more data than the file can hold.
    """
    found: dict[str, zipfile.ZipInfo] = {}
    seen: set[str] = set()
    folders: set[str] = set()
    for info in opened.infolist():
        try:
            name = allowed(info.filename)
        except ValueError as bad:
            _refuse(opened, str(bad))
        folded = unicodedata.normalize("NFKC", name).casefold()
        if folded in seen:
            _refuse(opened, f"{name!a} is there twice")
        seen.add(folded)
        folders |= {str(above) for above in PurePosixPath(folded).parents}
        kind = stat.S_IFMT(info.external_attr >> 16)
        if info.orig_filename != name or kind not in {0, stat.S_IFREG}:
            _refuse(opened, f"{name!a} is not a plain file")
        if info.flag_bits & 1 or info.compress_type not in {
            zipfile.ZIP_STORED,
            zipfile.ZIP_DEFLATED,
        }:
            _refuse(opened, f"{name!a} is encrypted or packed in another way")
        found[name] = info
    if both := sorted(folders & seen):
        _refuse(opened, f"{both[0]!a} is a file and a folder")
    cases = {name.split("/")[1] for name in found if name.startswith(f"{CASES}/")}
    if len({unicodedata.normalize("NFKC", name).casefold() for name in cases}) < len(cases):
        _refuse(opened, "two of its cases have one name on some systems")
    packed = sum(info.compress_size for info in found.values())
    unpacked = sum(info.file_size for info in found.values())
    # Members that share their packed bytes would pass the second test alone.
    if packed > size or unpacked > MOST_RATIO * size + _SLACK_BYTES:
        _refuse(opened, f"it claims to hold {unpacked} bytes in {size}")
    if MANIFEST not in found or found[MANIFEST].file_size > MOST_MANIFEST_BYTES:
        _refuse(opened, "it has no usable manifest.json")
    return found


def _refuse(opened: zipfile.ZipFile, why: str) -> NoReturn:
    raise InputFileError(
        f"{opened.filename} is not a back-up that can be restored ({why}); "
        "nothing was changed; take another one."
    )
