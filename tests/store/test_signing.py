"""A key's signature over the head of a case: whose, over what, and when it is none."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from stored import store_case

from assistant.case.casefile import JOURNAL, read_whole
from assistant.errors import InputFileError, PassphraseError, RecordUnwritable
from assistant.store import signing
from store.attacks import CASE, events, fillwarm, rewrite

WORDS = "invented words"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    folder.mkdir()
    secret = tmp_path / "passphrase"
    secret.write_text(f"{WORDS}\n")
    secret.chmod(0o600)
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    monkeypatch.setenv("FILLWARM_KEY", str(tmp_path / "key.json"))
    monkeypatch.setenv("FILLWARM_KEY_PASSPHRASE_FILE", str(secret))
    monkeypatch.setattr("assistant.report.section.as_pages", lambda *_, **__: b"")  # slow
    (store_case(folder, CASE) / "note.txt").unlink()
    return folder


def sealed(name: str = "Practice (invented)") -> str:
    assert fillwarm("key", "make", "--name", name).exit_code == 0
    assert fillwarm("seal", CASE).exit_code == 0
    key: str = json.loads(fillwarm("key", "show", "--json").stdout)["key"]
    return key


def test_verify_says_by_whom_when_with_which_key_and_what_is_not_proved(store: Path) -> None:
    told = fillwarm("verify", CASE).stdout
    assert "Signed by name only (Operator A), without a key." in told and "Not proved" in told
    key = sealed()
    told = fillwarm("verify", CASE, "--key", key).stdout
    assert "by Practice (invented)," in told and f"your key {key}" in told
    assert "Not proved: who held the key" in told
    note = " ".join((store / CASE / "note.txt").read_text().split())
    assert f"by Practice (invented), key {key}" in note
    assert fillwarm("addendum", CASE, "--by", "B", text="later\n").exit_code == 0
    found = json.loads(fillwarm("verify", CASE, "--key", key, "--json").stdout)["signatures"]
    assert len(found) == 2 and {one["key"] for one in found} == {key}
    bundle = store.parent / "bundle.json"
    assert fillwarm("export", CASE, "--out", bundle).exit_code == 0
    inside = [one["resource"] for one in json.loads(bundle.read_text())["entry"]]
    (source,) = [one for one in inside if one["resourceType"] == "Provenance"]
    assert [one["sigFormat"] for one in source["signature"]] == ["application/jose"] * 2
    assert fillwarm("check-record", bundle).exit_code == 0


def test_another_key_and_no_key_are_not_the_key_that_is_asked_for(store: Path) -> None:
    assert fillwarm("verify", CASE, "--key", "x").exit_code == 5
    key = sealed()
    assert fillwarm("verify", CASE, "--key", key).exit_code == 0
    assert fillwarm("verify", CASE, "--key", key[:-1] + "x").exit_code == 5


@pytest.mark.parametrize("change", ["head", "jws", "by", "first"])
def test_a_seal_that_was_changed_is_an_alarm(store: Path, change: str) -> None:
    sealed()
    path = store / CASE / JOURNAL
    every = events(path)
    seal = every[-1][2]["seal"]
    if change == "jws":
        head, body, mark = seal["jws"].split(".")
        seal["jws"] = f"{head}.{body}.{'A' * len(mark)}"
    elif change == "by":
        seal["by"] = "Another"
    elif change == "first":
        every[0][2]["operator"] = "Another"
    else:
        every[-2][2]["at"]["mono_s"] += 1
    rewrite(path, every)
    for name in ("index.sqlite", "audit.jsonl"):
        (store / name).unlink()
    for report in (store / CASE).glob("*.[tpj][xds][tfo]*"):
        if report.name != JOURNAL:
            report.unlink()
    assert fillwarm("verify", CASE).exit_code == 5
    lines = read_whole(store / CASE).lines
    with pytest.raises(ValueError, match="the signature"):
        signing.signatures(lines)


def test_a_certificate_goes_with_its_key_and_its_name_is_told(store: Path) -> None:
    pem, cert = store.parent / "k.pem", store.parent / "c.pem"
    made = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2"
    subprocess.run(
        [*made.split(), "-subj", "/CN=Invented Practice", "-keyout", pem, "-out", cert],
        check=True,
        capture_output=True,
    )
    assert fillwarm("key", "use", pem, cert).exit_code == 0
    assert fillwarm("seal", CASE).exit_code == 0
    told = fillwarm("verify", CASE).stdout
    assert "by CN=Invented Practice (X.509, the certificate was not followed" in told
    with pytest.raises(InputFileError):
        signing.take_key(store.parent / "other.json", cert, cert, None, WORDS)


def test_a_key_is_never_overwritten_and_opens_with_its_passphrase_only(tmp_path: Path) -> None:
    path = tmp_path / "key.json"
    file = signing.make_key(path, "A", WORDS)
    assert signing.unlock(file, WORDS).key == file.key
    with pytest.raises(PassphraseError, match="not the passphrase"):
        signing.unlock(file, "other words")
    with pytest.raises(RecordUnwritable, match="left as it is"):
        signing.make_key(path, "B", WORDS)
    with pytest.raises(PassphraseError, match="8 characters"):
        signing.make_key(tmp_path / "b.json", "B", "1234567")
    assert signing.key_file(path) == file
    assert WORDS not in path.read_text() and path.stat().st_mode & 0o077 == 0


def test_a_locked_key_leaves_a_signature_by_name_and_says_so(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fillwarm("key", "make", "--name", "A").exit_code == 0
    monkeypatch.delenv("FILLWARM_KEY_PASSPHRASE_FILE")
    done = fillwarm("seal", CASE)
    assert done.exit_code == 0 and "Signed by name only: the passphrase" in done.stderr
    assert "Signed by name only" in fillwarm("verify", CASE).stdout


def test_a_signature_is_right_for_its_own_payload_only(tmp_path: Path) -> None:
    signer = signing.unlock(signing.make_key(tmp_path / "k", "A", WORDS), WORDS)
    told = signing.payload("f" * 64, 3, "a" * 64, None, None)
    found = signing.check(signing.sign(signer, told))
    assert found.payload | told == found.payload and (found.by, found.key) == ("A", signer.key)
    for bad in ("", "a.b", "a.b.c", "e30.e30.e30"):
        with pytest.raises(ValueError, match="the signature is not right"):
            signing.check(bad)
