"""Time stamps of a real authority, run by openssl, and heads that were printed."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from stored import store_case

from assistant.case.casefile import read_case, read_whole
from store.attacks import CASE, fillwarm

CONFIG = """
[ tsa ]
default_tsa = one
[ one ]
serial = {here}/serial
signer_cert = {here}/tsa.pem
signer_key = {here}/tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
[ stamping ]
extendedKeyUsage = critical,timeStamping
"""


def openssl(*args: object) -> None:
    subprocess.run(["openssl", *map(str, args)], check=True, capture_output=True)


def authority(here: Path) -> Path:
    """A root, and an authority below it; the root's certificate."""
    here.mkdir()
    (here / "serial").write_text("01")
    (here / "conf").write_text(CONFIG.format(here=here))
    new = ("-newkey", "rsa:2048", "-nodes", "-days", "9")
    root = ("-keyout", here / "root.key", "-out", here / "root.pem", "-subj", "/CN=Root")
    openssl("req", "-x509", *new, *root)
    ask = ("-keyout", here / "tsa.key", "-out", here / "tsa.csr", "-subj", "/CN=Time")
    openssl("req", *new[:3], *ask)
    signed = ("-CA", here / "root.pem", "-CAkey", here / "root.key", "-CAcreateserial")
    extra = ("-extfile", here / "conf", "-extensions", "stamping")
    csr = ("-in", here / "tsa.csr", "-out", here / "tsa.pem", "-days", "9")
    openssl("x509", "-req", *csr, *signed, *extra)
    return here / "root.pem"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    folder.mkdir()
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    monkeypatch.setenv("FILLWARM_KEY", str(tmp_path / "none.json"))
    store_case(folder, CASE)
    return folder


def test_an_authority_stamps_the_head_and_verify_checks_it(store: Path, tmp_path: Path) -> None:
    root, other = authority(tmp_path / "a"), authority(tmp_path / "b")
    asked, answer = tmp_path / "head.tsq", tmp_path / "head.tsr"
    assert fillwarm("stamp", CASE, "--request", asked).exit_code == 0
    told = subprocess.run(
        ["openssl", "ts", "-query", "-in", asked, "-text"], capture_output=True, check=True
    )
    head = read_case(store / CASE)[1]
    assert head[:4].encode() in told.stdout.replace(b" ", b"").replace(b"-", b"")
    reply = ("-queryfile", asked, "-out", answer, "-config", tmp_path / "a" / "conf")
    openssl("ts", "-reply", *reply, "-section", "one")
    take = ("stamp", CASE, "--answer", answer, "--authority")
    refused = fillwarm(*take, other)
    assert refused.exit_code == 3 and "that authority did not sign it" in refused.stderr
    assert not list((store / CASE).glob("*.tsr"))
    assert fillwarm(*take, root).exit_code == 0
    assert fillwarm(*take, root).exit_code == 6  # nothing is overwritten
    last = read_whole(store / CASE).lines[-1].seq
    assert "not checked" in fillwarm("verify", CASE).stdout
    done = fillwarm("verify", CASE, "--authority", root)
    assert done.exit_code == 0 and f"Time stamp: entry {last} was there on" in done.stdout
    assert fillwarm("verify", CASE, "--authority", other).exit_code == 5

    store_case(store, "other", "molar")
    (store / CASE / f"head-{last}.tsr").rename(store / "other" / "head-1.tsr")
    done = fillwarm("verify", "other", "--authority", root)
    assert done.exit_code == 5 and "never had as its head" in done.stderr
    (store / "other" / "head-1.tsr").write_bytes(b"no answer")
    assert fillwarm("verify", "other").exit_code == 5


def test_a_printed_head_must_be_one_of_the_journals(store: Path) -> None:
    lines = read_whole(store / CASE).lines
    for head in (lines[-1].line_hash, lines[3].line_hash.upper(), lines[-1].line_hash[:16]):
        assert fillwarm("verify", CASE, "--head", head).exit_code == 0
    assert fillwarm("verify", CASE, "--head", "0" * 64).exit_code == 5
    assert fillwarm("verify", CASE, "--head", lines[-1].line_hash[:15]).exit_code == 3
