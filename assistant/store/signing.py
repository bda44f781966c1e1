"""The key of a person or practice, and what it signs: the head of a case.

A key (P-256, Ed25519, or one that an X.509 certificate already goes with) lies in one file
outside the store, encrypted under a passphrase that is typed, read from a file or held by the
system's key ring. It signs the payload of a seal as a JWS (RFC 7515, Ed25519 as of RFC 9864)
that carries the public key, or the certificates. What a signature cannot show is who held
the key, nor, without a time stamp, when: the time in it is this computer's.

Everything here needs the extra ``sign``.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError

from assistant.errors import InputFileError, PassphraseError, RecordUnwritable
from assistant.files.atomic import make_folder, reason, write_new
from assistant.record.chain import JournalLine
from assistant.store.anchors import SEALED
from assistant.store.names import need_long

if TYPE_CHECKING:
    from joserfc.jwk import ECKey, OKPKey, RSAKey

    AnyKey = OKPKey | ECKey | RSAKey

LONGEST_HEADER = 2**16
"""Bytes; the certificates of a chain come to some thousands. Chosen here."""

_ALGORITHMS = {
    ("OKP", "Ed25519"): "Ed25519",
    ("EC", "P-256"): "ES256",
    ("EC", "P-384"): "ES384",
    ("EC", "P-521"): "ES512",
    ("RSA", None): "PS256",
}


Kind = Literal["p-256", "ed25519"]
"""Keys that are made here. Readers of PDF know the first; the second is shorter."""


class KeyFile(BaseModel):
    """The file of a key: its private half is PKCS #8 in PEM, encrypted.

    Attributes:
        key: SHA-256 of the public key (RFC 7638), base64url: what it is called by.
        certificates: its X.509 certificate in PEM, and those above it; none of a key made
            here.
        held: where its passphrase comes from.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal["fillwarm-signing-key"] = "fillwarm-signing-key"
    version: Literal[1] = 1
    name: str
    key: str
    private: str
    certificates: str = ""
    held: Literal["passphrase", "keyring"] = "passphrase"


@dataclass(frozen=True, slots=True)
class Signer:
    """A key that was unlocked; lives as long as a command."""

    name: str
    key: str
    private: AnyKey
    header: dict[str, Any]


class Signature(NamedTuple):
    """A signature that is right: whose, with which key, over what."""

    by: str
    key: str
    payload: dict[str, Any]
    certified: bool


# -- the key ---------------------------------------------------------------------


def make_key(
    path: Path, name: str, passphrase: str, held: str = "passphrase", kind: Kind = "p-256"
) -> KeyFile:
    """A new key in a file of its own, on the disk when it is returned.

    Raises:
        RecordUnwritable: there is one already, or the disk refused.
        PassphraseError: the passphrase is too short.
    """
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519  # noqa: PLC0415

    private = (
        ed25519.Ed25519PrivateKey.generate()
        if kind == "ed25519"
        else ec.generate_private_key(ec.SECP256R1())
    )
    return _keep(path, name, private, passphrase, "", held)


def take_key(
    path: Path, kept: Path, certificates: Path | None, old: str | None, new: str
) -> KeyFile:
    """A copy of a key that there is, with its certificate: in PEM (the first of
    ``certificates``), or with no such file both in one of PKCS #12.

    Raises:
        InputFileError: no such key, or the certificate is another key's.
        PassphraseError: ``old`` does not open it, or ``new`` is too short.
        RecordUnwritable: as :func:`make_key`.
    """
    from cryptography.hazmat.primitives.serialization import Encoding  # noqa: PLC0415

    try:
        private, own, *above = _taken(kept, certificates, old.encode() if old else None)
    except OSError as bad:
        raise InputFileError(f"{bad.filename} cannot be read ({reason(bad)}).") from None
    except TypeError:
        raise PassphraseError(
            f"The passphrase of {kept} is missing, or it has none; type it, or nothing."
        ) from None
    except ValueError as bad:
        what = f"and {certificates} are no" if certificates else "holds no"
        form = "in PEM" if certificates else "(PKCS #12; for PEM give both files)"
        raise InputFileError(
            f"{kept} {what} key and certificate {form} that open with that passphrase ({bad}); "
            "check that."
        ) from None
    if own.public_key() != private.public_key():
        raise InputFileError(f"The certificate in {certificates} is not that of {kept}.")
    pem = "".join(one.public_bytes(Encoding.PEM).decode() for one in (own, *above))
    return _keep(path, own.subject.rfc4514_string(), private, new, pem, "passphrase")


def _taken(kept: Path, certificates: Path | None, old: bytes | None) -> list[Any]:
    """A private key, its certificate, those above it."""
    from cryptography import x509  # noqa: PLC0415 - an extra
    from cryptography.hazmat.primitives import serialization as to  # noqa: PLC0415
    from cryptography.hazmat.primitives.serialization import pkcs12  # noqa: PLC0415

    if certificates is None:
        found = pkcs12.load_pkcs12(kept.read_bytes(), old)
        if found.key is None or found.cert is None:
            raise ValueError("one of the two is missing")
        every = [found.cert, *found.additional_certs]
        return [found.key, *(one.certificate for one in every)]
    private = to.load_pem_private_key(kept.read_bytes(), old)
    return [private, *x509.load_pem_x509_certificates(certificates.read_bytes())]


def _keep(
    path: Path, name: str, private: Any, passphrase: str, certificates: str, held: str
) -> KeyFile:
    from cryptography.hazmat.primitives import serialization as to  # noqa: PLC0415 - an extra

    need_long(passphrase)
    sealed = to.BestAvailableEncryption(passphrase.encode())
    pem = private.private_bytes(to.Encoding.PEM, to.PrivateFormat.PKCS8, sealed)
    file = KeyFile.model_validate(
        {
            "name": name,
            "key": str(_imported(pem, passphrase).thumbprint()),
            "private": pem.decode(),
            "certificates": certificates,
            "held": held,
        }
    )
    _algorithm(_imported(pem, passphrase))
    try:
        make_folder(path.parent)
        write_new(path, (file.model_dump_json(indent=1) + "\n").encode())
    except FileExistsError:
        raise RecordUnwritable(
            f"{path} is a key already and was left as it is; move it away to have another."
        ) from None
    except OSError as bad:
        raise RecordUnwritable(f"{path} could not be written ({reason(bad)}).") from None
    return file


def key_file(path: Path) -> KeyFile | None:
    """The key file, or None if there is none.

    Raises:
        InputFileError: it cannot be read.
    """
    if not os.path.lexists(path):
        return None
    try:
        return KeyFile.model_validate_json(path.read_bytes())
    except (OSError, ValidationError):
        raise InputFileError(
            f"The signing key {path} cannot be read; get it from a back-up, or move it away "
            "and go on without."
        ) from None


def unlock(file: KeyFile, passphrase: str) -> Signer:
    """The key, ready to sign.

    Raises:
        PassphraseError: the passphrase is wrong.
    """
    try:
        private = _imported(file.private.encode(), passphrase)
    except (ValueError, TypeError):
        raise PassphraseError("That is not the passphrase of the signing key.") from None
    header: dict[str, Any] = {"alg": _algorithm(private), "kid": file.key}
    if file.certificates:
        header["x5c"] = _x5c(file.certificates)
    else:
        header["jwk"] = private.as_dict(private=False)
    return Signer(file.name, file.key, private, header)


def _x5c(pem: str) -> list[str]:
    from cryptography import x509  # noqa: PLC0415 - an extra
    from cryptography.hazmat.primitives.serialization import Encoding  # noqa: PLC0415

    found = x509.load_pem_x509_certificates(pem.encode())
    return [base64.b64encode(one.public_bytes(Encoding.DER)).decode() for one in found]


def _imported(pem: bytes, passphrase: str | None) -> AnyKey:
    from cryptography.hazmat.primitives import serialization as to  # noqa: PLC0415 - an extra

    secret = passphrase.encode() if passphrase else None
    found: Any = to.load_pem_private_key(pem, secret)
    return _of_pem(
        found.private_bytes(to.Encoding.PEM, to.PrivateFormat.PKCS8, to.NoEncryption())
    )


def _of_pem(pem: bytes) -> AnyKey:
    from joserfc.errors import JoseError  # noqa: PLC0415 - an extra
    from joserfc.jwk import ECKey, OKPKey, RSAKey  # noqa: PLC0415

    for kind in (OKPKey, ECKey, RSAKey):
        with suppress(JoseError):
            return kind.import_key(pem)
    raise InputFileError("A signing key is one of Ed25519, an elliptic curve of NIST, or RSA.")


def _algorithm(key: AnyKey) -> str:
    about = key.as_dict(private=False)
    found = _ALGORITHMS.get((str(about["kty"]), about.get("crv")))  # type: ignore[arg-type]
    if found is None:
        raise InputFileError(f"A key of the kind {about.get('crv')} cannot sign here.")
    return found


# -- signing and checking -----------------------------------------------------------


def payload(
    first: str, lines: int, head: str, trail_lines: int | None, trail_head: str | None
) -> dict[str, Any]:
    """What a signature is over, but for the time and the name."""
    return {
        "format": "fillwarm-seal",
        "version": 1,
        "first": first,
        "lines": lines,
        "head": head,
        "trail_lines": trail_lines,
        "trail_head": trail_head,
    }


def sign(signer: Signer, about: dict[str, Any]) -> str:
    """A compact JWS over what :func:`payload` made."""
    from joserfc import jws  # noqa: PLC0415 - an extra

    now = datetime.now(UTC).isoformat(timespec="seconds")
    told = json.dumps(about | {"at": now, "by": signer.name}, sort_keys=True)
    algorithm = str(signer.header["alg"])
    return jws.serialize_compact(signer.header, told, signer.private, algorithms=[algorithm])


def check(token: str) -> Signature:
    """The signature of a compact JWS.

    Raises:
        ValueError: it is none, or is not right; says why.
    """
    from joserfc import jws  # noqa: PLC0415 - an extra
    from joserfc.errors import JoseError  # noqa: PLC0415

    try:
        header = json.loads(_decoded(token.split(".", maxsplit=1)[0]))
        key, by = _public(header)
        registry = jws.JWSRegistry(algorithms=[_algorithm(key)])
        registry.max_header_length = LONGEST_HEADER
        found = jws.deserialize_compact(token, key, registry=registry)
        told = json.loads(found.payload)
        name = by or str(told["by"])
    except (JoseError, InputFileError, LookupError, TypeError, ValueError) as bad:
        raise ValueError(f"the signature is not right ({bad or type(bad).__name__})") from None
    return Signature(name, str(key.thumbprint()), told, by is not None)


def _decoded(part: str) -> bytes:
    return base64.urlsafe_b64decode(part + "=" * (-len(part) % 4))


def _public(header: dict[str, Any]) -> tuple[AnyKey, str | None]:
    from joserfc.jwk import ECKey, OKPKey, RSAKey  # noqa: PLC0415 - an extra

    kinds: dict[str, Any] = {"OKP": OKPKey, "EC": ECKey, "RSA": RSAKey}
    if "jwk" in header:
        return kinds[header["jwk"]["kty"]].import_key(header["jwk"]), None
    key, subject, _ = of_certificate(base64.b64decode(header["x5c"][0]))
    return key, subject


def of_certificate(der: bytes) -> tuple[AnyKey, str, str]:
    """The key of an X.509 certificate, its subject and its issuer.

    Raises:
        ValueError, InputFileError: it is none, or its key is of a kind not known here.
    """
    from cryptography import x509  # noqa: PLC0415 - an extra
    from cryptography.hazmat.primitives import serialization as to  # noqa: PLC0415

    certificate = x509.load_der_x509_certificate(der)
    public = certificate.public_key().public_bytes(
        to.Encoding.PEM, to.PublicFormat.SubjectPublicKeyInfo
    )
    names = certificate.subject, certificate.issuer
    return _of_pem(public), names[0].rfc4514_string(), names[1].rfc4514_string()


def signatures(lines: Sequence[JournalLine]) -> list[tuple[int, Signature]]:
    """Every signature in a journal, with the number of the entry it is over.

    Raises:
        ValueError: one is not right, or is over something else; the end of a sentence.
    """
    found = []
    for line in lines:
        seal = line.event.get("seal") if line.event.get("kind") == SEALED else None
        if not isinstance(seal, dict) or not isinstance(seal.get("jws"), str):
            continue
        signature = check(seal["jws"])
        wanted = payload(
            lines[0].line_hash,
            seal["lines"],
            seal["head"],
            seal.get("trail_lines"),
            seal.get("trail_head"),
        )
        told = {name: signature.payload.get(name) for name in wanted}
        if told != wanted or (seal.get("key"), seal.get("by")) != (signature.key, signature.by):
            raise ValueError(f"the signature in its entry {line.seq} is over another journal")
        found.append((seal["lines"], signature))
    return found
