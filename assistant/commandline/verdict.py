"""What ``verify`` says of signatures: by whom, when, with which key, and what is not proved."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from assistant.commandline.signing import key_path
from assistant.errors import InputFileError, RecordDamaged
from assistant.extras import how_to, installed, need
from assistant.progress.people import signer
from assistant.progress.state import CaseState
from assistant.record.chain import JournalLine
from assistant.report.note import HASH_SHOWN
from assistant.report.persons import same_name, signed_by
from assistant.report.write import FILES
from assistant.store.pdf_signing import PdfSignature, check_pdf, is_signed
from assistant.store.signing import Signature, key_file, signatures
from assistant.store.stamping import Stamp, certificates, stamps

Found = Sequence[tuple[int, Signature]]
"""Signatures that are right, with the entry each is over."""


def found_signatures(lines: Sequence[JournalLine]) -> Found:
    """The signatures of a case; none where the extra that checks them is missing.

    Raises:
        RecordDamaged: one is not right.
    """
    if not installed("sign"):
        return []
    try:
        return signatures(lines)
    except ValueError as bad:
        raise RecordDamaged(
            f"The journal verifies, but {bad}; keep the case as it is."
        ) from None


def as_data(found: Found) -> list[dict[str, object]]:
    """The same for JSON."""
    return [
        {"entry": entry, "by": one.by, "key": one.key, "at": one.payload.get("at")}
        for entry, one in found
    ]


def told(state: CaseState, lines: Sequence[JournalLine], found: Found) -> Iterator[str]:
    """The sentences for the user."""
    if state.signed is None:
        return
    own = key_file(key_path())
    for entry, one in found:
        whose = "your key" if own is not None and own.key == one.key else "key"
        kind = " (X.509, the certificate was not followed to an authority)" * one.certified
        yield (
            f"Signed over entry {entry} by {one.by}{kind}, {one.payload.get('at')}, with "
            f"{whose} {one.key}"
        )
        if not same_name(one.by, signer(state) or ""):
            yield f"The key is of another name than who signed, {signer(state)}."
    if not found:
        if any(seal.jws for seal in state.seals):
            yield f"It carries a signature that cannot be checked: {how_to('sign')}."
        yield f"Signed by name only ({signed_by(state)}), without a key."
        yield (
            "Not proved: who signed, when, and that it was not written anew by somebody who "
            "could change index, audit trail, note and record as well."
        )
        return
    newest = max(entry for entry, _ in found)
    if newest < _last_said(lines):
        yield f"Entries after {newest} are not under a signature."
    yield (
        "Not proved: who held the key, and when it signed (the time is that of the computer); "
        "that this is the key you know: compare it, or give it with --key."
    )


def _last_said(lines: Sequence[JournalLine]) -> int:
    return max(line.seq for line in lines if line.event.get("kind") != "head_sealed")


def found_in_pdf(folder: Path, found: Found) -> PdfSignature | str | None:
    """The signature in the note's PDF; a sentence where it is not checked, None: no such.

    Raises:
        RecordDamaged: it is not right, or its key is another than those of the journal.
    """
    path = folder / FILES["pdf"]
    raw = path.read_bytes() if path.is_file() else b""
    if not is_signed(raw):
        return None
    if not installed("pdf-sign") or not installed("sign"):
        return f"note.pdf carries a signature, not checked here: {how_to('pdf-sign,sign')}."
    try:
        one = check_pdf(raw)
        if found and one.key not in {signature.key for _, signature in found}:
            raise ValueError(f"it is signed with another key than the journal, {one.key}")
    except ValueError as bad:
        raise RecordDamaged(
            f"{path} is not to be trusted: {bad}; write it again: fillwarm seal {folder}."
        ) from None
    return one


def told_of_pdf(one: PdfSignature | str | None) -> Iterator[str]:
    """The sentence for the user."""
    if isinstance(one, str):
        yield one
    elif one is not None:
        issued = (
            "by itself, which a reader shows as an unknown issuer"
            if one.subject == one.issuer
            else f"by {one.issuer}"
        )
        yield f"note.pdf is signed by {one.subject} (X.509, issued {issued}), key {one.key}."


def need_key(folder: Path, lines: Sequence[JournalLine], found: Found, key: str | None) -> None:
    """Where a key is asked for, all that was said must be under its signature.

    Raises:
        RecordDamaged: it is not.
    """
    if key is None:
        return
    over = max((entry for entry, one in found if one.key == key), default=0)
    if over < _last_said(lines):
        raise RecordDamaged(
            f"{folder} is not signed by the key {key}"
            + (f" after entry {over}" if over else "")
            + "; compare it with the printed note and a back-up."
        )


def need_head(folder: Path, lines: Sequence[JournalLine], head: str | None) -> None:
    """A head that was printed must be that of some entry; its first 16 digits do.

    Raises:
        RecordDamaged: it is not.
        InputFileError: it is too short to tell anything.
    """
    if head is None:
        return
    wanted = head.strip().lower()
    if len(wanted) < HASH_SHOWN:
        raise InputFileError(
            f"A head has {HASH_SHOWN} hexadecimal digits or more; give it again."
        )
    if not any(line.line_hash.startswith(wanted) for line in lines):
        raise RecordDamaged(
            f"No entry of the journal in {folder} ever had the head {wanted[:16]}: it was cut "
            "or written anew since that was printed, or it is another case."
        )


def found_stamps(
    folder: Path, lines: Sequence[JournalLine], authority: Path | None
) -> list[Stamp]:
    """The time stamps of a case, checked if there is a certificate.

    Raises:
        EquipmentError: what checks them is not installed.
        RecordDamaged, InputFileError: one is not right, or the certificate is none.
    """
    if authority is None and not installed("sign"):
        return []
    need("sign", "Checking a time stamp")
    roots = certificates(authority) if authority else []
    return list(stamps(folder, lines, roots))


def told_stamps(found: Sequence[Stamp]) -> Iterator[str]:
    """The sentences for the user."""
    for one in found:
        how = (
            "checked against the certificate given"
            if one.checked
            else "not checked: give the authority's certificate with --authority"
        )
        yield f"Time stamp: entry {one.entry} was there on {one.at.isoformat()}; {how}."
