"""Time stamps (RFC 3161): an authority's signed word that a head existed at a time.

The request is a file to carry to any authority: the hash it asks about is the head of the
journal itself, the SHA-256 of its last line. The answer is kept beside the journal and
checked against the authority's certificate, which the user gives: whom to trust is not ours
to say. Needs the extra ``sign``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from assistant.errors import InputFileError, RecordDamaged
from assistant.files.atomic import reason
from assistant.record.chain import JournalLine

PATTERN = "head-*.tsr"
"""What the answers are called in the folder of a case."""

MOST_BYTES = 2**20
"""An answer with a chain of certificates has some thousands; chosen here."""


class Stamp(NamedTuple):
    """A time stamp: over which entry, and when; ``checked`` against a certificate."""

    entry: int
    at: datetime
    checked: bool


def request(last_line: bytes) -> bytes:
    """The request about a journal that ends with this line, newline included (DER)."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder  # noqa: PLC0415

    asked = TimestampRequestBuilder(last_line, HashAlgorithm.SHA256, nonce=False)
    return asked.build().as_bytes()


def certificates(path: Path) -> list[Any]:
    """The certificates of an authority, PEM.

    Raises:
        InputFileError: there are none in the file.
    """
    from cryptography import x509  # noqa: PLC0415 - an extra

    try:
        return list(x509.load_pem_x509_certificates(path.read_bytes()))
    except OSError as bad:
        raise InputFileError(f"{path} cannot be read ({reason(bad)}); check it.") from None
    except ValueError:
        raise InputFileError(f"{path} holds no certificate in PEM; get it again.") from None


def check(raw: bytes, lines: Sequence[JournalLine], roots: Sequence[Any]) -> Stamp:
    """What an answer says of a journal; checked where there are ``roots``.

    Raises:
        ValueError: it is no answer, is about something else, or the authority did not sign
            it; the end of a sentence.
    """
    from rfc3161_client import (  # noqa: PLC0415 - an extra
        VerificationError,
        VerifierBuilder,
        decode_timestamp_response,
    )

    try:
        answer = decode_timestamp_response(raw)
        told = answer.tst_info
        about, at = told.message_imprint.message.hex(), told.gen_time
    except ValueError as bad:
        raise ValueError(f"it is no time stamp ({bad})") from None
    entry = next((line.seq for line in lines if line.line_hash == about), None)
    if entry is None:
        raise ValueError(f"it is about {about[:16]}, which this journal never had as its head")
    if not roots:
        return Stamp(entry, at, checked=False)
    verifier = VerifierBuilder(roots=list(roots)).build()
    try:
        verifier.verify(answer, bytes.fromhex(about))
    except (VerificationError, ValueError) as bad:
        raise ValueError(f"that authority did not sign it ({bad})") from None
    return Stamp(entry, at, checked=True)


def read_answer(path: Path) -> bytes:
    """The bytes of an answer.

    Raises:
        InputFileError: it cannot be read, or is far too long.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
    except OSError as bad:
        raise InputFileError(f"{path} cannot be read ({reason(bad)}); check it.") from None
    if len(raw) > MOST_BYTES:
        raise InputFileError(f"{path} is no time stamp: it is far too long.")
    return raw


def stamps(folder: Path, lines: Sequence[JournalLine], roots: Sequence[Any]) -> Iterator[Stamp]:
    """The time stamps in the folder of a case.

    Raises:
        RecordDamaged: one is not right.
    """
    for path in sorted(folder.glob(PATTERN)):
        try:
            yield check(read_answer(path), lines, roots)
        except ValueError as bad:
            raise RecordDamaged(f"{path} is no time stamp of this case: {bad}.") from None
