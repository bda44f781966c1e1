"""Patients' names, kept apart from the cases and encrypted.

A case knows its patient only by the case code. A name is optional: ``name.enc`` in the
folder of the case, AES-256-GCM under a random key of the store. That key lies in
``names.key.json`` in the folder of the cases, encrypted (AES-256-GCM) under a key made
from a passphrase by scrypt, so that the passphrase can be changed without touching a
name. Both carry as authenticated data what they belong to: the key its parameters, a
name the first entry of its case, so that a name copied to another case does not open.

The encryption is that of the package cryptography, an extra (:mod:`assistant.extras`).

A forgotten passphrase cannot be got round. A copy of both files made before a change of
the passphrase still opens with the old one.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import unicodedata
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationError,
)

from assistant.errors import InputFileError, PassphraseError, RecordDamaged
from assistant.files.atomic import reason, write_atomically
from assistant.report.marks import plain
from assistant.store.places import JOURNAL

NAME = "name.enc"
"""Name of the encrypted name in the folder of a case."""

KEY = "names.key.json"
"""Name of the encrypted key in the folder of the cases."""

COST = 2**17
"""scrypt's N, with r = 8 and p = 1: the first choice of the OWASP password storage cheat
sheet (from memory); 128 MiB and about half a second."""

SHORTEST = 8
"""Characters a new passphrase must have; chosen here."""

LONGEST_NAME = 200
PADDED_TO = 64
"""A name is filled up to a multiple of so many bytes: its length tells nobody who it is."""

_KEY_BYTES = 32
_NONCE_BYTES = 12


def _bytes(value: object) -> object:
    return base64.b64decode(value, validate=True) if isinstance(value, str) else value


Base64 = Annotated[
    bytes,
    BeforeValidator(_bytes),
    PlainSerializer(lambda raw: base64.b64encode(raw).decode(), return_type=str),
]


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Sealed(_Kept):
    """Something encrypted with AES-256-GCM."""

    nonce: Base64 = Field(min_length=_NONCE_BYTES, max_length=_NONCE_BYTES)
    text: Base64


class KeyFile(_Kept):
    """``names.key.json``. The bounds of n, r and p keep a forged file from taking all
    memory; 2^20 asks for 1 GiB."""

    format: Literal["fillwarm-names"] = "fillwarm-names"
    version: Literal[1] = 1
    id: str = Field(pattern="^[0-9a-f]{16}$")
    kdf: Literal["scrypt"] = "scrypt"
    salt: Base64 = Field(min_length=16, max_length=64)
    n: int = Field(ge=2, le=2**20)
    r: int = Field(ge=1, le=8)
    p: int = Field(ge=1, le=4)
    key: Sealed

    def about(self) -> bytes:
        """All but the encrypted key, which it is bound to."""
        return self.model_dump_json(exclude={"key"}).encode()


class NameFile(_Kept):
    """``name.enc``; ``key_id`` says which key opens it."""

    format: Literal["fillwarm-name"] = "fillwarm-name"
    version: Literal[1] = 1
    key_id: str = Field(pattern="^[0-9a-f]{16}$")
    name: Sealed


# -- the key -----------------------------------------------------------------


def make_key(cases: Path, passphrase: str, n: int = COST) -> bytes:
    """A new key for a store that has none, on the disk when it is returned.

    Raises:
        PassphraseError: the passphrase is too short.
        RecordUnwritable: the disk refused.
    """
    key = os.urandom(_KEY_BYTES)
    _write(cases / KEY, _wrapped(key, passphrase, os.urandom(8).hex(), n))
    return key


def change_passphrase(cases: Path, old: str, new: str) -> None:
    """Encrypt the key of a store under another passphrase; names stay as they are.

    Raises:
        PassphraseError: the old one is wrong or the new one too short.
        InputFileError, RecordUnwritable: the file cannot be used or written.
    """
    file = key_file(cases)
    _write(cases / KEY, _wrapped(open_key(file, old), new, file.id, COST))


def key_file(cases: Path, key_id: str | None = None) -> KeyFile:
    """The key file of the store, or of that id: a restored back-up may bring another.

    Raises:
        InputFileError: there is none, or it is damaged.
    """
    path = cases / KEY
    if not path.exists():
        raise InputFileError(
            f"{path} is not there, so no name can be read; restore it from a back-up."
        )
    file = _read(path, KeyFile)
    if key_id in (None, file.id):
        return file
    return _read(cases / other_key(str(key_id)), KeyFile)


def other_key(key_id: str) -> str:
    """Name of the file of a key that is not the store's own."""
    return f"names.key-{key_id}.json"


def open_key(file: KeyFile, passphrase: str) -> bytes:
    """The key itself.

    Raises:
        PassphraseError: the passphrase is wrong (or the file was edited: that cannot
            be told apart).
    """
    try:
        return _decrypt(_from_passphrase(passphrase, file), file.key, file.about())
    except _NotOpened:
        raise PassphraseError(
            "That is not the passphrase of the names in this store; nothing was changed."
        ) from None


def need_long(passphrase: str) -> None:
    """Refuse a new passphrase of fewer than :data:`SHORTEST` characters.

    Raises:
        PassphraseError: it is too short.
    """
    if len(passphrase) < SHORTEST:
        raise PassphraseError(
            f"A passphrase needs {SHORTEST} characters or more; several words are best."
        )


def _wrapped(key: bytes, passphrase: str, key_id: str, n: int) -> KeyFile:
    need_long(passphrase)
    bare = KeyFile(
        id=key_id,
        salt=os.urandom(16),
        n=n,
        r=8,
        p=1,
        key=Sealed(nonce=bytes(_NONCE_BYTES), text=b""),
    )
    sealed = _encrypt(_from_passphrase(passphrase, bare), key, bare.about())
    return bare.model_copy(update={"key": sealed})


def _from_passphrase(passphrase: str, file: KeyFile) -> bytes:
    # The same letters may reach us in several codings, by another keyboard.
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt  # noqa: PLC0415 - an extra

    secret = unicodedata.normalize("NFC", passphrase).encode(errors="surrogatepass")
    return Scrypt(salt=file.salt, length=_KEY_BYTES, n=file.n, r=file.r, p=file.p).derive(
        secret
    )


# -- names ---------------------------------------------------------------------


def set_name(folder: Path, key_id: str, key: bytes, name: str) -> None:
    """Put a name into a case folder, in the place of one that is there.

    Raises:
        InputFileError: no name, too long, or with characters that cannot be shown.
        RecordUnwritable: the disk refused.
    """
    clean = unicodedata.normalize("NFC", plain(name))
    if not clean or len(clean) > LONGEST_NAME or "\ufffd" in clean:
        raise InputFileError(
            f"A name is one line of 1 to {LONGEST_NAME} printable characters; give it again."
        )
    raw = clean.encode()
    padded = raw.ljust(-(-len(raw) // PADDED_TO) * PADDED_TO, b"\0")
    sealed = _encrypt(key, padded, _belongs(folder, key_id))
    _write(folder / NAME, NameFile(key_id=key_id, name=sealed))


def name_file(folder: Path) -> NameFile | None:
    """The encrypted name of a case, or None.

    Raises:
        InputFileError: it is damaged.
    """
    return _read(folder / NAME, NameFile) if os.path.lexists(folder / NAME) else None


def open_name(folder: Path, file: NameFile, key: bytes) -> str:
    """The name.

    Raises:
        RecordDamaged: it was edited, or belongs to another case.
    """
    try:
        padded = _decrypt(key, file.name, _belongs(folder, file.key_id))
    except _NotOpened:
        raise RecordDamaged(
            f"{folder / NAME} was edited or belongs to another case; take it from a back-up "
            "or set the name again."
        ) from None
    return padded.rstrip(b"\0").decode()


def _belongs(folder: Path, key_id: str) -> bytes:
    return f"fillwarm-name 1 {key_id} {identity(folder)}".encode()


def identity(folder: Path) -> str:
    """What tells a case from every other: SHA-256 of the first entry of its journal.

    Not verified further: a name must open though the end of a journal is damaged.

    Raises:
        InputFileError: no journal, or one without an entry.
    """
    path = folder / JOURNAL
    try:
        with path.open("rb") as lines:
            lines.readline()
            first = lines.readline()
    except OSError as bad:
        raise InputFileError(
            f"{path} cannot be read ({reason(bad)}); check the name of the case."
        ) from None
    if not first.endswith(b"\n"):
        raise InputFileError(f"{path} has no entry yet; begin the case first.")
    return hashlib.sha256(first).hexdigest()


# -- both ----------------------------------------------------------------------


class _NotOpened(Exception):
    """Another key sealed it, or it was edited."""


def _encrypt(key: bytes, text: bytes, about: bytes) -> Sealed:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM  # noqa: PLC0415

    nonce = os.urandom(_NONCE_BYTES)
    return Sealed(nonce=nonce, text=AESGCM(key).encrypt(nonce, text, about))


def _decrypt(key: bytes, sealed: Sealed, about: bytes) -> bytes:
    from cryptography.exceptions import InvalidTag  # noqa: PLC0415
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM  # noqa: PLC0415

    try:
        return AESGCM(key).decrypt(sealed.nonce, sealed.text, about)
    except InvalidTag:
        raise _NotOpened from None


def _write(path: Path, file: BaseModel) -> None:
    write_atomically(path, json.dumps(file.model_dump(mode="json"), indent=1) + "\n")


F = TypeVar("F", bound=BaseModel)


def _read(path: Path, kind: type[F]) -> F:
    try:
        return kind.model_validate_json(path.read_bytes())
    except OSError as bad:
        raise InputFileError(
            f"{path} cannot be read ({reason(bad)}); check it, or restore a back-up."
        ) from None
    except ValidationError as bad:
        first = bad.errors(include_input=False, include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise InputFileError(
            f"{path} is damaged ({where}: {first['msg']}); restore it from a back-up."
        ) from None
