"""A signature in the PDF of a note, which common readers of PDF show and check.

It is made with the key that signs the journal (:mod:`.signing`), as an update behind the
bytes of the PDF, which stay as they were (ISO 32000-1, 12.8: ``adbe.pkcs7.detached``, which
PDF/A-2 allows). With an X.509 certificate a reader shows whose it is. A key made here gets a
certificate made by itself, which readers show as one of an unknown issuer. An Ed25519 key
signs no PDF: what does not know ISO/TS 32002 shows the file as damaged (Poppler 22, tried).

Everything here needs the extra ``pdf-sign``.
"""

from __future__ import annotations

import base64
import hashlib
from datetime import UTC, datetime
from io import BytesIO
from typing import Any, NamedTuple

from assistant.errors import InputFileError
from assistant.store.signing import Signer, of_certificate

FIELD = "Signature"
"""The name of the field; it has no place on the page, so paper and PDF look alike."""

_DIGESTS = {"ES384": "sha384", "ES512": "sha512"}
"""By the algorithm of the key, as its JWS has them; SHA-256 for the others."""

_MOST_OF_A_NAME = 64
"""Characters of a common name (RFC 5280, appendix A.1); the field has the name in full."""


class PdfSignature(NamedTuple):
    """A signature in a PDF that every byte is under: whose, issued by whom, with which key
    (as ``KeyFile.key``). A subject that is its own issuer has a certificate made by itself."""

    subject: str
    issuer: str
    key: str


def is_signed(pdf: bytes) -> bool:
    """Whether there is a signature in it, right or wrong; needs no extra."""
    return b"/ByteRange" in pdf


def sign_pdf(pdf: bytes, signer: Signer, reason: str) -> bytes:
    """The PDF with a signature behind it.

    Raises:
        InputFileError: the key cannot sign a PDF.
    """
    if signer.header["alg"] == "Ed25519":
        raise InputFileError(
            "Common readers of PDF do not know Ed25519; sign with another key: fillwarm key "
            "make, or fillwarm key use."
        )
    from asn1crypto.keys import PrivateKeyInfo  # noqa: PLC0415 - an extra
    from asn1crypto.x509 import Certificate  # noqa: PLC0415
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter  # noqa: PLC0415
    from pyhanko.sign import PdfSignatureMetadata, SimpleSigner, sign_pdf  # noqa: PLC0415
    from pyhanko.sign.fields import SigSeedSubFilter  # noqa: PLC0415
    from pyhanko.sign.general import SigningError  # noqa: PLC0415
    from pyhanko_certvalidator.registry import SimpleCertificateStore  # noqa: PLC0415

    own, *above = [Certificate.load(raw) for raw in _certificates(signer)]
    store: Any = SimpleCertificateStore()  # type: ignore[no-untyped-call]
    store.register_multiple(above)
    signs = SimpleSigner(
        signing_cert=own,
        signing_key=PrivateKeyInfo.load(signer.private.as_der(private=True)),
        cert_registry=store,
    )
    about = PdfSignatureMetadata(
        field_name=FIELD,
        name=signer.name,
        reason=reason,
        md_algorithm=_DIGESTS.get(str(signer.header["alg"]), "sha256"),
        subfilter=SigSeedSubFilter.ADOBE_PKCS7_DETACHED,
    )
    try:
        made: BytesIO = sign_pdf(IncrementalPdfFileWriter(BytesIO(pdf)), about, signs)
    except (SigningError, ValueError) as bad:
        raise InputFileError(f"The key of {signer.name} signs no PDF ({bad}).") from None
    return made.getvalue()


def _certificates(signer: Signer) -> list[bytes]:
    """Those that go with the key, its own first; DER."""
    if "x5c" in signer.header:
        return [base64.b64decode(one) for one in signer.header["x5c"]]
    return [self_made(signer)]


def self_made(signer: Signer) -> bytes:
    """A certificate of a key by itself; the same key and name give the same bytes (DER), so
    that a reader that was told once to trust it knows it again."""
    from cryptography import x509  # noqa: PLC0415 - an extra
    from cryptography.hazmat.primitives import hashes  # noqa: PLC0415
    from cryptography.hazmat.primitives import serialization as to  # noqa: PLC0415

    private: Any = to.load_der_private_key(signer.private.as_der(private=True), None)
    name = x509.Name(
        [x509.NameAttribute(x509.NameOID.COMMON_NAME, signer.name[:_MOST_OF_A_NAME])]
    )
    use = dict.fromkeys(
        (
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "key_cert_sign",
            "crl_sign",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(int.from_bytes(hashlib.sha256(signer.key.encode()).digest()[:16]) | 1)
        # It says nothing of time; the end is RFC 5280's "no well-defined expiration date".
        .not_valid_before(datetime(2000, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(digital_signature=True, content_commitment=True, **use), critical=True
        )
        .sign(private, hashes.SHA256(), ecdsa_deterministic=True)
    )
    return made.public_bytes(to.Encoding.DER)


def check_pdf(pdf: bytes) -> PdfSignature:
    """The signature of a PDF, by pyHanko's own validator; the chain is not followed.

    Raises:
        ValueError: there is none, or not every byte is as it was signed; says so.
    """
    from pyhanko.pdf_utils.reader import PdfFileReader  # noqa: PLC0415
    from pyhanko.sign.validation import validate_pdf_signature  # noqa: PLC0415
    from pyhanko.sign.validation.status import SignatureCoverageLevel  # noqa: PLC0415
    from pyhanko_certvalidator import ValidationContext  # noqa: PLC0415

    try:
        (found,) = PdfFileReader(BytesIO(pdf)).embedded_signatures
        own = found.signer_cert
        trusted = ValidationContext(trust_roots=[own], allow_fetching=False)
        said = validate_pdf_signature(found, trusted)
        key, subject, issuer = of_certificate(own.dump())
    except Exception as bad:
        raise ValueError(f"its signature cannot be read ({bad})") from None
    if not (said.intact and said.valid):
        raise ValueError("it was changed after it was signed")
    if said.coverage != SignatureCoverageLevel.ENTIRE_FILE:
        raise ValueError("something was added after it was signed")
    return PdfSignature(subject, issuer, str(key.thumbprint()))
