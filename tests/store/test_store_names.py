"""Patients' names: readable with the passphrase, and by nothing and nobody else."""

from __future__ import annotations

import json
import os
import shutil
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stored import contents, store_case

from assistant.errors import InputFileError, PassphraseError, RecordDamaged, UserError
from assistant.store import names
from store.test_store import fillwarm

WORDS = "invented words only"
NAME = "Ada Invented-Nobody"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_case(tmp_path_factory.mktemp("cases"), "a", "begun")


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with two cases and a cheap key, whose passphrase is in a file."""
    folder = tmp_path / "cases"
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    store_case(folder, "a", "begun")
    store_case(folder, "b", "begun")
    names.make_key(folder, WORDS, n=2)
    monkeypatch.setenv("FILLWARM_PASSPHRASE_FILE", str(kept(tmp_path / "words", WORDS)))
    return folder


def kept(path: Path, words: str, mode: int = 0o600) -> Path:
    path.write_text(words + "\n", encoding="utf-8")
    path.chmod(mode)
    return path


def test_the_key_is_derived_by_scrypt() -> None:
    # RFC 7914, section 12, third test vector; its first 32 of 64 bytes.
    file = names.KeyFile.model_construct(  # type: ignore[call-arg]
        salt=b"SodiumChloride", n=16384, r=8, p=1
    )
    assert names._from_passphrase("pleaseletmein", file).hex() == (
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    )


KEY = bytes(range(32))
printable = st.text(
    st.characters(exclude_categories=["C"]), min_size=1, max_size=names.LONGEST_NAME
).filter(lambda text: text.strip() != "" and "\ufffd" not in text)


@settings(max_examples=30)
@given(printable)
def test_a_name_comes_back(case: Path, name: str) -> None:
    try:
        names.set_name(case, "0" * 16, KEY, name)
    except InputFileError:
        # Only what is too long once its characters are put together is refused.
        assert len(unicodedata.normalize("NFC", name)) > names.LONGEST_NAME
        return
    file = names.name_file(case)
    assert file is not None
    wanted = unicodedata.normalize("NFC", " ".join(name.split()))
    assert names.open_name(case, file, KEY) == wanted
    assert len(file.name.text) % names.PADDED_TO == 16  # the tag of GCM


@pytest.mark.parametrize("name", ["", "  \n", "a\x1bb", "x" * 201, "a\u202eb"])
def test_what_is_no_name_is_refused(case: Path, name: str) -> None:
    with pytest.raises(InputFileError):
        names.set_name(case, "0" * 16, KEY, name)


@settings(max_examples=40)
@given(st.data())
def test_no_changed_byte_of_a_name_or_key_is_accepted(case: Path, data: st.DataObject) -> None:
    cases = case.parent
    key = names.make_key(cases, WORDS, n=2)
    file = names.key_file(cases)
    names.set_name(case, file.id, key, NAME)
    path = data.draw(st.sampled_from([cases / names.KEY, case / names.NAME]))
    raw = bytearray(path.read_bytes())
    raw[data.draw(st.integers(0, len(raw) - 1))] ^= 1 << data.draw(st.integers(0, 6))
    path.write_bytes(raw)
    try:
        sealed = names.name_file(case)
        assert sealed is not None
        got = names.open_name(
            case, sealed, names.open_key(names.key_file(cases, sealed.key_id), WORDS)
        )
    except UserError:
        return
    # White space of the JSON, or bits of Base64 that carry nothing.
    assert got == NAME


def test_a_name_belongs_to_one_case_only(store: Path) -> None:
    file = names.key_file(store)
    names.set_name(store / "a", file.id, names.open_key(file, WORDS), NAME)
    shutil.copy(store / "a" / names.NAME, store / "b" / names.NAME)
    assert fillwarm("name", "show", "a").stdout == f"{NAME}\n"
    # Both cases were opened at the same second of the same clock; their codes differ.
    done = fillwarm("name", "show", "b")
    assert done.exit_code == 5 and NAME not in done.output


def test_a_name_opens_though_the_journal_went_on(store: Path) -> None:
    file = names.key_file(store)
    key = names.open_key(file, WORDS)
    names.set_name(store / "a", file.id, key, NAME)
    with (store / "a" / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"at":"20')  # the end of a killed sitting
    sealed = names.name_file(store / "a")
    assert sealed is not None and names.open_name(store / "a", sealed, key) == NAME


def test_the_name_stands_nowhere_in_clear(store: Path) -> None:
    assert fillwarm("name", "set", "a", text=f"{NAME}\n").exit_code == 0
    assert fillwarm("name", "show", "a", "--by", "Operator B").stdout == f"{NAME}\n"
    fillwarm("backup", store.parent / "b.zip")
    fillwarm("cases", "--refresh")
    for path in store.parent.rglob("*"):
        if path.is_file():
            raw = path.read_bytes()
            assert not any(part.encode() in raw for part in ("Ada", "Nobody")), path
    trail = json.loads(fillwarm("audit", "--json").stdout)["entries"]
    assert [(e["what"], e["case"]) for e in trail] == [
        ("name set", "a"),
        ("name shown", "a"),
        ("back-up", None),
    ]
    assert trail[1]["by"] == "Operator B"
    assert fillwarm("name", "remove", "a", "--yes").exit_code == 0
    assert fillwarm("name", "show", "a").exit_code == 3


def test_a_wrong_passphrase_is_one_sentence_and_changes_nothing(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fillwarm("name", "set", "a", text=f"{NAME}\n")
    before = contents(store)
    monkeypatch.setenv("FILLWARM_PASSPHRASE_FILE", str(kept(tmp_path / "other", WORDS + ".")))
    for asked in (["name", "show", "a"], ["name", "set", "b"], ["name", "passphrase"]):
        done = fillwarm(*asked, text="Another\n")
        assert done.exit_code == 8 and "not the passphrase" in done.stderr, done.output
        assert done.stderr.count("\n") == 1
    assert contents(store) == before


def test_the_passphrase_can_be_changed_without_touching_a_name(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fillwarm("name", "set", "a", text=f"{NAME}\n")
    sealed = (store / "a" / names.NAME).read_bytes()
    composed = "é" * names.SHORTEST
    monkeypatch.setattr(names, "COST", 2)
    new = kept(tmp_path / "new", composed)
    monkeypatch.setenv("FILLWARM_NEW_PASSPHRASE_FILE", str(new))
    assert fillwarm("name", "passphrase").exit_code == 0
    assert (store / "a" / names.NAME).read_bytes() == sealed
    assert fillwarm("name", "show", "a").exit_code == 8
    # Another keyboard writes the same letters as letter and accent.
    kept(new, unicodedata.normalize("NFD", composed))
    monkeypatch.setenv("FILLWARM_PASSPHRASE_FILE", str(new))
    assert fillwarm("name", "show", "a").stdout == f"{NAME}\n"


def test_a_short_passphrase_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PassphraseError):
        names.make_key(tmp_path, "short")
    assert not (tmp_path / names.KEY).exists()


def test_the_passphrase_is_asked_for_hidden(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FILLWARM_PASSPHRASE_FILE")
    done = fillwarm("name", "set", "a", text=f"{WORDS}\n{NAME}\n")
    assert done.exit_code == 0 and WORDS not in done.output
    done = fillwarm("name", "show", "a", text="")
    assert done.exit_code == 8 and "No passphrase was given" in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="POSIX permissions")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620])
def test_a_passphrase_file_open_to_others_is_refused(
    store: Path, tmp_path: Path, mode: int
) -> None:
    (tmp_path / "words").chmod(mode)
    done = fillwarm("name", "set", "a", text=f"{NAME}\n")
    assert done.exit_code == 3 and "read by others" in done.stderr
    assert not (store / "a" / names.NAME).exists()


def test_a_forged_key_file_does_not_take_all_memory(store: Path) -> None:
    path = store / names.KEY
    forged = json.loads(path.read_text()) | {"n": 2**40}
    path.write_text(json.dumps(forged))
    done = fillwarm("name", "set", "a", text=f"{NAME}\n")
    assert done.exit_code == 3 and "is damaged" in done.stderr


def test_a_key_is_bound_to_what_its_file_says_of_it(store: Path) -> None:
    file = names.key_file(store)
    assert len(names.open_key(file, WORDS)) == 32
    with pytest.raises(PassphraseError):
        names.open_key(file.model_copy(update={"id": "0" * 16}), WORDS)


def test_a_damaged_name_is_said_to_be(store: Path) -> None:
    file = names.key_file(store)
    names.set_name(store / "a", file.id, names.open_key(file, WORDS), NAME)
    with pytest.raises(RecordDamaged):
        names.open_name(store / "a", names.name_file(store / "a"), KEY)  # type: ignore[arg-type]
    (store / "a" / names.NAME).write_text("{}")
    assert fillwarm("name", "show", "a").exit_code == 3
