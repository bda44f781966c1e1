"""The signature in the PDF of a note: by pyHanko's validator, and as a common reader has it."""

from __future__ import annotations

import json
import shutil
import subprocess
from io import BytesIO
from pathlib import Path
from typing import Any, cast, get_args

import pikepdf
import pytest
from pypdf import PdfReader
from report.test_pdf import pdf_of
from typical_case import two_canals

from assistant import extras
from assistant.errors import InputFileError
from assistant.store import signing
from assistant.store.pdf_signing import check_pdf, self_made, sign_pdf
from store.attacks import CASE, fillwarm
from store.test_signing import WORDS, sealed, store

__all__ = ["store"]


@pytest.fixture(scope="module")
def unsigned() -> bytes:
    found: bytes = pdf_of(two_canals().state)
    return found


def certified(folder: Path, kind: str) -> list[Path]:
    """A new key and its own certificate, by openssl."""
    kept = [folder / f"{kind[:3]}.key.pem", folder / f"{kind[:3]}.pem"]
    made = f"openssl req -x509 -newkey {kind} -nodes -days 2 -subj /CN=Invented"
    command = [*made.split(), "-keyout", str(kept[0]), "-out", str(kept[1])]
    subprocess.run(command, check=True, capture_output=True)
    return kept


def a_signer(folder: Path, kind: str) -> signing.Signer:
    path = folder / "k.json"
    if kind in get_args(signing.Kind):
        name, made = "Practice \N{GREEK SMALL LETTER PI}", cast("signing.Kind", kind)
        file = signing.make_key(path, name, WORDS, kind=made)
    else:
        key, certificate = certified(folder, kind)
        file = signing.take_key(path, key, certificate, None, WORDS)
    return signing.unlock(file, WORDS)


@pytest.mark.parametrize("kind", ["p-256", "rsa:2048", "ec -pkeyopt ec_paramgen_curve:P-384"])
def test_it_is_valid_to_its_own_validator_and_to_a_common_reader(
    unsigned: bytes, tmp_path: Path, kind: str
) -> None:
    signer = a_signer(tmp_path, kind)
    made = sign_pdf(unsigned, signer, "tried")
    assert made.startswith(unsigned)
    found = check_pdf(made)
    assert (found.key, found.subject) == (signer.key, found.issuer)
    path = tmp_path / "note.pdf"
    path.write_bytes(made)
    if shutil.which("pdfsig"):
        told = subprocess.run(["pdfsig", path], capture_output=True, text=True, check=False)
        assert "Signature Validation: Signature is Valid." in told.stdout
        assert "Total document signed" in told.stdout
    before, after = (PdfReader(BytesIO(one)) for one in (unsigned, made))
    assert [p.extract_text() for p in after.pages] == [p.extract_text() for p in before.pages]


def test_it_stays_pdf_a_and_tagged(unsigned: bytes, tmp_path: Path) -> None:
    """ISO 19005-2, 6.3 and 6.4: a field without appearance has no size, and is printed."""
    made = sign_pdf(unsigned, a_signer(tmp_path, "p-256"), "tried")
    with pikepdf.open(BytesIO(made)) as read:
        assert read.check_pdf_syntax() == []
        assert read.open_metadata().pdfa_status == "2U"
        assert bool(read.Root.MarkInfo.Marked) and "/StructTreeRoot" in read.Root
        assert "/NeedAppearances" not in read.Root.AcroForm
        (field,) = read.Root.AcroForm.Fields
        assert [float(x) for x in field.Rect] == [0, 0, 0, 0]
        assert int(field.F) & 0b111 == 0b100  # print; neither invisible nor hidden
        signed: Any = field.V
        assert str(signed.SubFilter) == "/adbe.pkcs7.detached"
        assert int(signed.ByteRange[0]) == 0
        assert sum(int(n) for n in list(signed.ByteRange)[2:]) == len(made)


def test_every_changed_byte_and_everything_added_is_found(
    unsigned: bytes, tmp_path: Path
) -> None:
    made = sign_pdf(unsigned, a_signer(tmp_path, "p-256"), "tried")
    # Within the hexadecimal digits after the signature stand zeros that fill up its place.
    filled = made.index(b"0" * 200)
    places = [*range(8, len(made) - 40, len(made) // 25), len(unsigned) - 1, len(unsigned) + 9]
    for place in places:
        if filled <= place < made.index(b">", filled):
            continue
        changed = bytearray(made)
        changed[place] ^= 1
        with pytest.raises(ValueError, match=r"signature|signed"):
            check_pdf(bytes(changed))
    with pikepdf.open(BytesIO(made)) as read:
        again = BytesIO()
        read.Root.Added = True
        read.save(again)
    for other in (again.getvalue(), unsigned, b"", b"%PDF-1.7 /ByteRange"):
        with pytest.raises(ValueError, match=r"signature|signed"):
            check_pdf(other)


def test_a_key_that_readers_do_not_know_signs_no_pdf(unsigned: bytes, tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="Ed25519"):
        sign_pdf(unsigned, a_signer(tmp_path, "ed25519"), "tried")


def test_the_certificate_made_by_itself_is_always_the_same(tmp_path: Path) -> None:
    signer = a_signer(tmp_path, "p-256")
    assert self_made(signer) == self_made(signer)


def test_a_sealed_case_has_a_signed_pdf_and_keeps_it(store: Path) -> None:
    key, path = sealed(), store / CASE / "note.pdf"
    made = path.read_bytes()
    told = fillwarm("verify", CASE).stdout
    assert "note.pdf is signed by CN=Practice (invented) (X.509, issued by itself" in told
    assert json.loads(fillwarm("verify", CASE, "--json").stdout)["pdf"]["key"] == key
    assert fillwarm("note", store / CASE).exit_code == 0
    assert path.read_bytes() == made
    assert fillwarm("addendum", CASE, "--by", "B", text="later\n").exit_code == 0
    assert check_pdf(path.read_bytes()).key == key and path.read_bytes() != made


def test_a_note_that_can_be_signed_no_more_is_told(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sealed()
    path = store / CASE / "note.pdf"
    monkeypatch.setattr(
        "assistant.commandline.anchoring.reports", lambda *_: {"pdf": b"%PDF other"}
    )
    done = fillwarm("note", store / CASE)
    assert "note.pdf lost its signature" in done.stderr and path.read_bytes() == b"%PDF other"


@pytest.mark.parametrize("how", ["byte", "other key"])
def test_verify_finds_a_changed_pdf_when_no_witness_is_left(store: Path, how: str) -> None:
    sealed()
    path = store / CASE / "note.pdf"
    made = bytearray(path.read_bytes())
    if how == "byte":
        made[len(made) // 3] ^= 1
    else:
        plain = bytes(made[: made.index(b"%%EOF") + 6])
        made = bytearray(sign_pdf(plain, a_signer(store.parent, "p-256"), "tried"))
    path.write_bytes(made)
    for name in ("index.sqlite", "audit.jsonl"):
        (store / name).unlink()
    accepted = fillwarm("accept", "--trail", "--reason", "tried", "--yes")
    assert accepted.exit_code == 0
    done = fillwarm("verify", CASE)
    assert done.exit_code == 5 and "note.pdf is not to be trusted" in done.stderr
    assert done.stderr.count("\n") == 1


def test_without_its_packages_the_pdf_is_not_signed_and_that_is_told(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = extras.installed
    monkeypatch.setattr(extras, "installed", lambda extra: extra != "pdf-sign" and whole(extra))
    assert fillwarm("key", "make", "--name", "A").exit_code == 0
    done = fillwarm("seal", CASE)
    assert done.exit_code == 0
    assert "note.pdf is not signed, the journal is: A signature in note.pdf" in done.stderr
    assert "pip install '.[pdf-sign]'" in done.stderr and done.stderr.count("\n") == 1
    assert b"/ByteRange" not in (store / CASE / "note.pdf").read_bytes()


def test_a_key_is_taken_from_pkcs_12(tmp_path: Path, unsigned: bytes) -> None:
    key, certificate = certified(tmp_path, "rsa:2048")
    both = tmp_path / "both.p12"
    command = f"openssl pkcs12 -export -inkey {key} -in {certificate} -out {both}"
    subprocess.run([*command.split(), "-passout", "pass:invented"], check=True)
    with pytest.raises(InputFileError, match="PKCS #12"):
        signing.take_key(tmp_path / "k", both, None, "other", WORDS)
    file = signing.take_key(tmp_path / "k", both, None, "invented", WORDS)
    signer = signing.unlock(file, WORDS)
    assert check_pdf(sign_pdf(unsigned, signer, "tried")).subject == "CN=Invented"
