"""A certificate for the page: a practice's own, or one made on the spot and kept.

One made here is nobody's word but this machine's: browsers warn of it once, and what they
show of it is held against the fingerprint that the terminal and the pairing panel show.
"""

from __future__ import annotations

import ipaddress
import ssl
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from assistant.errors import InputFileError
from assistant.files.atomic import write_atomically

LIFE = timedelta(days=365)
"""Chosen here: browsers take none much over a year."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """Its files (PEM), and the SHA-256 of it as browsers show it."""

    chain: Path
    key: Path
    fingerprint: str


def given(chain: Path, key: Path) -> Certificate:
    """A practice's own certificate.

    Raises:
        InputFileError: the files cannot be read or do not belong together.
    """
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(chain, key, password=_none)
        found = x509.load_pem_x509_certificate(chain.read_bytes())
    except (OSError, ValueError) as bad:
        raise InputFileError(
            f"{chain} and {key} are no certificate with its key ({bad}); give both as PEM, "
            "the key without a password."
        ) from bad
    return Certificate(chain, key, _fingerprint(found))


def made(folder: Path, names: frozenset[str], now: datetime) -> Certificate:
    """The certificate kept in ``folder``, made anew where there is none for these names or
    it has run out. The key is readable by its owner only.

    Raises:
        RecordUnwritable: it cannot be kept.
    """
    chain, key = folder / "certificate.pem", folder / "key.pem"
    listed = [_general(name) for name in sorted(names - {"*", ""})]
    try:
        kept = given(chain, key)
        old = x509.load_pem_x509_certificate(chain.read_bytes())
        there = old.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        if old.not_valid_after_utc > now and set(listed) <= set(there):
            return kept
    except (InputFileError, x509.ExtensionNotFound):
        pass  # there is none yet
    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o700)
    secret = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "fillwarm screen")])
    signed = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(secret.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + LIFE)
        .add_extension(x509.SubjectAlternativeName(listed), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(secret, hashes.SHA256())
    )
    pem = secret.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    write_atomically(key, pem)
    write_atomically(chain, signed.public_bytes(serialization.Encoding.PEM))
    return given(chain, key)


def _none() -> str:
    """No password is asked for at the terminal."""
    return ""


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _fingerprint(found: x509.Certificate) -> str:
    return found.fingerprint(hashes.SHA256()).hex(":").upper()
