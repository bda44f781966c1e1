"""Taking a case in: from its journal, alone or inside a FHIR bundle.

The journal is the case; everything else is made from it again. A record without its
journal therefore makes no case: nothing would show that it was not edited, and the case
could not go on.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, get_args

from assistant.case.casefile import JOURNAL
from assistant.errors import InputFileError, RecordDamaged, RecordUnwritable
from assistant.exchange import check, codes
from assistant.exchange.fhir import Kind, bundle
from assistant.exchange.r4 import Finding
from assistant.exchange.terminology import as_urn
from assistant.exchange.untrusted import parse_json, read_bounded
from assistant.exchange.whole import WholeCase, from_journal, replayable
from assistant.files.atomic import make_folder, reason, sync_folder, write_new
from assistant.report.record import as_record
from assistant.report.write import write_reports

LONGEST_NAME = 60


class Taken(NamedTuple):
    """A case that was read, and what about its file should be told."""

    case: WholeCase
    remarks: tuple[str, ...]


def read_case_file(path: Path) -> Taken:
    """The case in a journal or a FHIR bundle, verified and replayed.

    Raises:
        InputFileError: not such a file, or one without a journal; says why.
        RecordDamaged: its journal does not verify, is unfinished, cannot be replayed or
            is not the one that the bundle names.
    """
    raw = read_bounded(path)
    if raw.lstrip()[:6] == b'{"at":':
        return Taken(_whole(raw, path), ())
    found = parse_json(raw, path)
    if check.kind_of(found, path) == "record":
        raise InputFileError(
            f"{path} is a record without its journal: nothing shows that it was not edited, "
            "and a case cannot go on from it; import the bundle or the journal of the case."
        )
    if wrong := check.bundle_findings(found):
        where, what = wrong[0]
        raise InputFileError(
            f"{path} is no usable FHIR bundle: {where}: {what[:120]}; fillwarm check-record "
            "tells all of it."
        )
    return _from_bundle(as_urn(found), path)


def _from_bundle(found: dict[str, Any], path: Path) -> Taken:
    case = _inside(found, path)
    if not (odd := list(_changed(found, case, path))):
        return Taken(case, ())
    return Taken(
        case,
        (
            f"{len(odd)} parts of the bundle are not what its journal gives: they were "
            "changed, or made by another version. The journal counts.",
        ),
    )


def against_journal(raw: bytes, path: Path) -> list[Finding] | None:
    """Where a valid record or bundle is not what its journal gives; None where it has none.

    The journal of a bundle is inside it, that of a record beside it in its case's folder,
    up to the entry whose hash the record names.

    Raises:
        InputFileError, RecordDamaged: the journal cannot be used.
    """
    found = parse_json(raw, path)
    if check.kind_of(found, path) == "bundle":
        if not _journals(found):
            return None
        found = as_urn(found)
        return list(_changed(found, _inside(found, path), path))
    beside = path.with_name(JOURNAL)
    if not beside.is_file():
        return None
    upto = b""
    for line in read_bounded(beside).splitlines(keepends=True):
        upto += line
        if hashlib.sha256(line).hexdigest() == found["head_hash"]:
            case = from_journal(upto, beside)
            return list(differences(as_record(case.state, case.head_hash), found, "record"))
    return [Finding("record.head_hash", f"no entry of {beside} has this hash")]


def differences(ours: Any, theirs: Any, where: str) -> Iterator[Finding]:
    """Where two values of JSON differ, told of the second."""
    if isinstance(ours, dict) and isinstance(theirs, dict):
        for name in dict.fromkeys((*ours, *theirs)):
            yield from differences(ours.get(name), theirs.get(name), f"{where}.{name}")
    elif isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        for at, (one, other) in enumerate(zip(ours, theirs, strict=True)):
            yield from differences(one, other, f"{where}[{at}]")
    elif ours != theirs:
        told = f"{json.dumps(theirs):.60}, where its journal gives {json.dumps(ours):.60}"
        yield Finding(where, f"it is {told}: changed, or made by another version")


def _changed(found: dict[str, Any], case: WholeCase, path: Path) -> Iterator[Finding]:
    """The first difference of the bundle itself and of each resource from what the journal
    gives."""
    kind: Kind = next((k for k in get_args(Kind) if k == found["type"]), "collection")
    with replayable(path):
        again = bundle(case, kind=kind, with_journal=bool(_journals(found)))
    ours = {one["fullUrl"]: one["resource"] for one in again["entry"]}
    theirs = {one["fullUrl"]: one["resource"] for one in found["entry"]}
    bare, given = ({k: v for k, v in one.items() if k != "entry"} for one in (again, found))
    yield from islice(differences(bare, given, "Bundle"), 1)
    for url in dict.fromkeys((*ours, *theirs)):
        one = theirs.get(url) or ours[url]
        where = f"{one['resourceType']} {one['id']}"
        yield from islice(differences(ours.get(url), theirs.get(url), where), 1)


def _journals(found: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        one
        for _, one in check.resources(found)
        if one.get("resourceType") == "Binary" and one.get("contentType") == codes.NDJSON
    ]


def _inside(found: dict[str, Any], path: Path) -> WholeCase:
    """The case of the journal that a bundle carries."""
    journals = _journals(found)
    if len(journals) != 1:
        raise InputFileError(
            f"{path} carries {len(journals) or 'no'} journals where one is needed; export the "
            "case again, with its journal."
        )
    case = _whole(_decoded(journals[0], path), path)
    named = {value for _, one in check.resources(found) for value in _hashes(one)}
    if named - {case.head_hash}:
        raise RecordDamaged(
            f"{path} names another journal than it carries (another hash); get the bundle "
            "again from its source."
        )
    return case


def _whole(raw: bytes, path: Path) -> WholeCase:
    case = from_journal(raw, path)
    if case.unfinished:
        raise RecordDamaged(
            f"{path} ends in an entry never finished ({case.unfinished} bytes); open the case "
            "where it is from with fillwarm run, which puts that aside, and export it again."
        )
    return case


def _decoded(binary: dict[str, Any], path: Path) -> bytes:
    try:
        # Line breaks are allowed in FHIR's base64, and nothing else.
        return base64.b64decode(re.sub(r"\s", "", binary.get("data", "")), validate=True)
    except (binascii.Error, ValueError):
        raise InputFileError(
            f"{path} cannot be used: its journal is not base64; get it again from its source."
        ) from None


def _hashes(resource: dict[str, Any]) -> Iterator[str]:
    """Journal hashes that a Provenance names."""
    for entity in resource.get("entity", ()):
        identifier = entity["what"].get("identifier", {})
        if identifier.get("system") == codes.JOURNAL_HASH:
            yield str(identifier.get("value"))


def folder_name(case_code: str) -> str:
    """A name for the folder of a case from elsewhere, whatever its code says.

    Letters, digits, ``-``, ``_`` and ``.`` within; so no path, no hidden file, and none of
    the names that Windows keeps for devices.
    """
    kept = re.sub(r"[^A-Za-z0-9._-]+", "-", case_code).strip("-._")[:LONGEST_NAME]
    return f"imported-{kept.rstrip('-._')}" if kept else "imported"


def put(case: WholeCase, folder: Path) -> dict[str, Path]:
    """Make ``folder`` with the journal and all reports; what is where.

    It is made beside its place and gets its name last: it is there whole or not at all.

    Raises:
        RecordUnwritable: something is there already, which was left as it is, or the disk
            refused.
        RecordDamaged: no reports can be made of it.
    """
    # A link in the way counts as something there, even one that leads nowhere.
    if folder.is_symlink() or (folder.exists() and not _empty(folder)):
        raise RecordUnwritable(
            f"{folder} is there already and was left as it is; choose a new folder with --case."
        )
    try:
        make_folder(folder.parent)
        made = Path(tempfile.mkdtemp(prefix=".import-", dir=folder.parent))
        try:
            write_new(made / JOURNAL, case.journal)
            with replayable(folder):
                written = write_reports(made, case.state, case.head_hash)
            if folder.exists():
                folder.rmdir()  # an empty one; where it is not any more, this fails
            made.rename(folder)
            sync_folder(folder.parent)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    except OSError as bad:
        raise RecordUnwritable(
            f"The folder {folder} cannot be made ({reason(bad)}); choose another with --case."
        ) from None
    return {what: folder / path.name for what, path in written.items()}


def _empty(folder: Path) -> bool:
    return folder.is_dir() and not any(folder.iterdir())
