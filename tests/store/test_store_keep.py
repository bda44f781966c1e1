"""Back-ups come back to the bit, restores overwrite nothing, erasures are finished."""

from __future__ import annotations

import io
import json
import os
import shutil
import stat
import warnings
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from stored import contents, store_case
from typical_case import HEAD, two_canals

from assistant.case.casefile import JOURNAL, read_case
from assistant.errors import InputFileError, UserError
from assistant.files import atomic
from assistant.store import archive, audit, current, erase, index, names, restore
from assistant.store import backup as making
from assistant.store.retention import is_over, retention
from assistant.store.summary import CaseSummary, summary
from store.test_store import damage, fillwarm, refused


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    fill(folder)
    return folder


def fill(folder: Path) -> None:
    """A signed case with a name, an unsigned one, and an audit trail."""
    store_case(folder, "a", "premolar")
    store_case(folder, "b", "begun")
    key = names.make_key(folder, "invented words", n=2)
    names.set_name(folder / "a", names.key_file(folder).id, key, "Nobody Invented")
    audit.record(folder, "name set", by="Operator A", case="a")


def moved_away(store: Path) -> dict[str, bytes]:
    """What was in the store, which is empty from now on."""
    before = contents(store)
    shutil.rmtree(store)
    return before


# -- back-up and restore ---------------------------------------------------------------


def test_what_is_backed_up_comes_back_to_the_bit(store: Path, tmp_path: Path) -> None:
    trail = (store / audit.AUDIT).read_bytes()
    done = fillwarm("backup", tmp_path / "b.zip")
    assert done.exit_code == 0 and "2 cases" in done.stdout
    before = moved_away(store)
    done = fillwarm("restore", tmp_path / "b.zip", "--yes")
    assert done.exit_code == 0, done.output
    after = contents(store)
    # The trail went on: "back-up" after it was copied, "restore" after it came back.
    del before[audit.AUDIT]
    assert after.pop(audit.AUDIT).startswith(trail)
    assert after == before
    assert [e.event["what"] for e in audit.entries(store)] == ["name set", "restore"]
    assert json.loads(fillwarm("cases", "--json").stdout)["total"] == 2


def test_a_case_being_dictated_is_copied_up_to_its_last_whole_batch(
    store: Path, tmp_path: Path
) -> None:
    journal = store / "b" / JOURNAL
    whole = journal.read_bytes()
    assert making.acknowledged(journal)[0] == whole
    held = atomic.lock(journal)  # another process is at it
    try:
        for torn in (b'{"at":"', whole.splitlines(keepends=True)[-1][:-1]):
            journal.write_bytes(whole + torn)
            target = tmp_path / f"{len(torn)}.zip"
            assert fillwarm("backup", target, "b").exit_code == 0
            with zipfile.ZipFile(target) as made:
                assert made.read(f"cases/b/{JOURNAL}") == whole
    finally:
        os.close(held)


def test_a_back_up_is_whole_or_not_there(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out" / "b.zip"
    assert fillwarm("backup", target).exit_code == 6  # no such folder
    target.parent.mkdir()
    for broken in (KeyboardInterrupt(), OSError(28, "No space left on device")):

        def stop(*_: object, broken: BaseException = broken) -> None:
            raise broken

        with monkeypatch.context() as patch:
            patch.setattr(making, "_read_back", stop)
            with pytest.raises((KeyboardInterrupt, UserError)):
                making.back_up(store, [store / "a"], target, restore_bar)
        assert list(target.parent.iterdir()) == []
    target.write_text("mine")
    assert fillwarm("backup", target).exit_code == 6
    assert target.read_text() == "mine" and len(list(target.parent.iterdir())) == 1


def restore_bar(items):  # type: ignore[no-untyped-def]
    return current.no_bar(items)


def test_a_damaged_case_is_kept_as_it_is_and_said(store: Path, tmp_path: Path) -> None:
    damage(store / "a")
    done = fillwarm("backup", tmp_path / "b.zip")
    assert done.exit_code == 5 and "a is in the back-up as it is, but damaged" in done.stderr
    before = moved_away(store)
    done = fillwarm("restore", tmp_path / "b.zip", "--yes")
    assert done.exit_code == 0 and "it was damaged when it was copied" in done.stdout
    assert contents(store)[f"a/{JOURNAL}"] == before[f"a/{JOURNAL}"]


def test_links_and_odd_names_are_left_out_and_said(store: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("not of this case")
    (store / "a" / "link.txt").symlink_to(tmp_path / "secret")
    (store / "a" / "what?.txt").write_text("x")
    done = fillwarm("backup", tmp_path / "b.zip")
    assert done.exit_code == 0 and "link.txt" in done.stderr and "what?.txt" in done.stderr
    with zipfile.ZipFile(tmp_path / "b.zip") as made:
        assert not any("link" in name or "?" in name for name in made.namelist())


def test_a_restore_overwrites_nothing(store: Path, tmp_path: Path) -> None:
    """One case the same, one gone on since, one another of that name, one not there."""
    store_case(store, "c", "begun")
    store_case(store, "d", "begun")
    assert fillwarm("backup", tmp_path / "b.zip").exit_code == 0
    refused(store / "b")
    shutil.rmtree(store / "c")
    store_case(store, "c", "warned", code="another")
    shutil.rmtree(store / "d")
    before = contents(store)
    done = fillwarm("restore", tmp_path / "b.zip", "--dry-run")
    assert done.exit_code == 0 and contents(store) == before
    for said in (
        "a (a, signed) is there",
        "b (b, unsigned) is there and has gone on",
        "c (c, unsigned) is another case",
        "d (d, unsigned) will be restored",
    ):
        assert said in done.stdout
    done = fillwarm("restore", tmp_path / "b.zip", text="n\n")
    assert contents(store) == before
    done = fillwarm("restore", tmp_path / "b.zip", text="y\n")
    assert done.exit_code == 3 and "others are there: c" in done.stderr
    after = contents(store)
    assert {name for name in after if name not in before} == {f"d/{JOURNAL}", "d/note.txt"}
    assert all(after[name] == before[name] for name in before if name != audit.AUDIT)


def test_names_of_another_store_stay_readable(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fillwarm("backup", tmp_path / "b.zip").exit_code == 0
    moved_away(store)
    store.mkdir()
    names.make_key(store, "words of this store", n=2)
    own = (store / names.KEY).read_bytes()
    assert fillwarm("restore", tmp_path / "b.zip", "--yes").exit_code == 0
    assert (store / names.KEY).read_bytes() == own
    words = tmp_path / "words"
    words.write_text("invented words\n")
    words.chmod(0o600)
    monkeypatch.setenv("FILLWARM_PASSPHRASE_FILE", str(words))
    assert fillwarm("name", "show", "a").stdout == "Nobody Invented\n"


def test_a_case_that_was_erased_is_said_to_be_when_it_would_come_back(
    store: Path, tmp_path: Path
) -> None:
    assert fillwarm("backup", tmp_path / "b.zip").exit_code == 0
    assert fillwarm("erase", "a", "--yes").exit_code == 0
    done = fillwarm("restore", tmp_path / "b.zip", "--dry-run")
    assert "it was erased from this store on" in done.stdout


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small back-up, as bytes."""
    folder = tmp_path_factory.mktemp("made")
    store_case(folder / "cases", "b", "begun")
    making.back_up(folder / "cases", [folder / "cases" / "b"], folder / "b.zip", restore_bar)
    return (folder / "b.zip").read_bytes()


@given(data=st.data())
def test_no_changed_byte_of_a_back_up_changes_what_is_restored(
    made: bytes, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    raw = bytearray(made)
    # The end holds the directory of the file and the manifest, most of what can go wrong.
    place = data.draw(
        st.one_of(
            st.integers(0, len(raw) - 1), st.integers(1, 1200).map(lambda n: len(raw) - n)
        )
    )
    raw[place] ^= 1 << data.draw(st.integers(0, 7))
    folder = tmp_path_factory.mktemp("spoilt")
    (folder / "b.zip").write_bytes(raw)
    cases = folder / "cases"
    try:
        plan = restore.plan(cases, folder / "b.zip", restore_bar)
        restore.carry_out(cases, plan, restore_bar)
    except UserError:
        assert not cases.exists() or contents(cases) == {}
        return
    with zipfile.ZipFile(io.BytesIO(made)) as good:
        wanted = {
            name.removeprefix("cases/"): good.read(name)
            for name in good.namelist()
            if name.startswith("cases/")
        }
    assert contents(cases) == wanted


def rebuilt(made: bytes, target: Path, change) -> Path:  # type: ignore[no-untyped-def]
    """The back-up with other members; ``change(info)`` gives members for each."""
    with (
        zipfile.ZipFile(io.BytesIO(made)) as old,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new,
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        for info in old.infolist():
            for one, data in change(info, old.read(info)):
                new.writestr(one, data)
    return target


@pytest.mark.parametrize(
    "name",
    [
        "../evil",
        "cases/../../evil",
        "cases/b/../../../evil",
        "/evil",
        "cases/b/..",
        "cases//evil",
        "cases/b/.hidden",
        "cases\\b\\evil",
        "C:/evil",
        "cases/b/con.txt",
        "cases/b/evil.",
        "cases/evil",
        "index.sqlite",
        "cases/audit.jsonl/journal.jsonl",
        "cases/Index.sqlite-wal/journal.jsonl",
        "cases/names.key.json/journal.jsonl",
        "cases/b/note.txt/below",
        "cases/B/journal.jsonl",
        "cases/b/NOTE.txt",
        "cases/b/note.txt",
    ],
)
def test_a_member_that_could_do_harm_is_refused(made: bytes, tmp_path: Path, name: str) -> None:
    # The last two are one file with what is there, on some systems or on all.
    def change(info: zipfile.ZipInfo, data: bytes):  # type: ignore[no-untyped-def]
        if info.filename == archive.MANIFEST:
            manifest = json.loads(data)
            manifest["members"].setdefault(name, manifest["members"]["cases/b/note.txt"])
            return [(info, json.dumps(manifest))]
        return (
            [(info, data), (name, data)]
            if info.filename.endswith("note.txt")
            else [(info, data)]
        )

    target = rebuilt(made, tmp_path / "b.zip", change)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputFileError):
        restore.plan(tmp_path / "deep" / "cases", target, restore_bar)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_link_in_a_back_up_is_refused(made: bytes, tmp_path: Path) -> None:
    def change(info: zipfile.ZipInfo, data: bytes):  # type: ignore[no-untyped-def]
        if info.filename.endswith("note.txt"):
            info.external_attr = (stat.S_IFLNK | 0o777) << 16
        return [(info, data)]

    target = rebuilt(made, tmp_path / "b.zip", change)
    with pytest.raises(InputFileError, match="not a plain file"):
        restore.plan(tmp_path / "cases", target, restore_bar)


def test_a_bomb_is_refused_before_it_is_unpacked(
    made: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def change(info: zipfile.ZipInfo, data: bytes):  # type: ignore[no-untyped-def]
        return [(info, bytes(40 * 2**20) if info.filename.endswith("note.txt") else data)]

    target = rebuilt(made, tmp_path / "b.zip", change)
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_, **__: pytest.fail("unpacked"))
    with pytest.raises(InputFileError, match="claims to hold"):
        restore.plan(tmp_path / "cases", target, restore_bar)


def test_a_back_up_with_a_manifest_of_its_own_must_still_have_whole_journals(
    made: bytes, tmp_path: Path
) -> None:
    """Whoever edits an entry can make the manifest fit, but not the chain."""

    def change(info: zipfile.ZipInfo, data: bytes):  # type: ignore[no-untyped-def]
        if info.filename.endswith(JOURNAL):
            data = data.replace(b"22.5", b"23.5")
            state["sha256"], state["size"] = making._sha256(data), len(data)
        if info.filename == archive.MANIFEST:
            manifest = json.loads(data)
            manifest["members"][f"cases/b/{JOURNAL}"] = state
            data = json.dumps(manifest).encode()
        return [(info, data)]

    state: dict[str, object] = {}
    target = rebuilt(made, tmp_path / "b.zip", change)
    with pytest.raises(UserError, match="does not match its hash"):
        restore.plan(tmp_path / "cases", target, restore_bar)


def test_a_cut_off_restore_leaves_nothing_half(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fillwarm("backup", tmp_path / "b.zip").exit_code == 0
    before = moved_away(store)
    plan = restore.plan(store, tmp_path / "b.zip", restore_bar)

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", killed)
        patch.setattr(shutil, "rmtree", lambda *_, **__: None)  # as a kill would
        with pytest.raises(KeyboardInterrupt):
            restore.carry_out(store, plan, restore_bar)
    assert any(store.glob(".restoring-*/"))
    assert json.loads(fillwarm("cases", "--json").stdout)["cases"] == []
    assert not any(store.glob(".restoring-*/"))
    assert fillwarm("restore", tmp_path / "b.zip", "--yes").exit_code == 0
    assert contents(store)[f"a/{JOURNAL}"] == before[f"a/{JOURNAL}"]


# -- erase -------------------------------------------------------------------------------


def test_an_erasure_says_first_what_it_will_do_and_does_that(store: Path) -> None:
    head = read_case(store / "a")[1]
    before = contents(store)
    for args, text in (
        (["--dry-run"], ""),
        ([], "n\n"),
    ):
        done = fillwarm("erase", "a", *args, text=text)
        assert done.exit_code == 0
        for path in (store / "a").iterdir():
            assert f"{path}  {path.stat().st_size} bytes" in done.stdout
        assert "signed 2026-03-09" in done.stdout and erase.REMAINS in done.stdout
        assert contents(store) == before
    assert fillwarm("erase", "a").exit_code == 1  # nobody answers: nothing is done
    assert contents(store) == before
    done = fillwarm("erase", "a", "--yes", "--reason", "asked for", "--by", "Operator B")
    assert done.exit_code == 0
    after = contents(store)
    del after[audit.AUDIT], before[audit.AUDIT]
    assert after == {k: v for k, v in before.items() if not k.startswith("a/")}
    entry = audit.entries(store)[-1].event
    assert {key: entry[key] for key in ("what", "by", "case", "head", "reason")} == {
        "what": "erase",
        "by": "Operator B",
        "case": "a",
        "head": head,
        "reason": "asked for",
    }
    found = json.loads(fillwarm("cases", "--json").stdout)["cases"]
    assert [Path(one["folder"]).name for one in found] == ["b"]


def test_a_case_open_in_another_process_is_not_erased(store: Path) -> None:
    before = contents(store)
    held = atomic.lock(store / "a" / JOURNAL)
    try:
        done = fillwarm("erase", "a", "--yes")
    finally:
        os.close(held)
    assert done.exit_code == 7 and contents(store) == before


def test_nothing_is_erased_while_the_audit_trail_is_damaged(store: Path) -> None:
    path = store / audit.AUDIT
    path.write_bytes(path.read_bytes().replace(b"Operator A", b"Operator C"))
    before = contents(store)
    assert fillwarm("erase", "a", "--yes").exit_code == 5
    assert fillwarm("audit").exit_code == 5
    assert contents(store) == before


def test_a_folder_with_more_than_a_case_is_not_erased(store: Path, tmp_path: Path) -> None:
    home = store_case(tmp_path, "home", "begun")
    (home / "letters").mkdir()
    (home / "letters" / "one.txt").write_text("not of the case")
    (tmp_path / "link").symlink_to(store / "a")
    for folder in (home, tmp_path / "link"):
        assert fillwarm("erase", folder, "--yes").exit_code == 3
    assert (home / "letters" / "one.txt").exists() and (store / "a" / JOURNAL).exists()


@pytest.mark.parametrize("place", ["rename", "record", "rmtree", "half", "unlink"])
def test_an_erasure_that_was_cut_off_is_finished_or_was_never_begun(
    store: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    before = contents(store / "a")

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    def half(folder: Path) -> None:
        (Path(folder) / JOURNAL).unlink()
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        match place:
            case "rename":
                patch.setattr(Path, "rename", killed)
            case "record":
                patch.setattr(audit, "record", killed)
            case "unlink":
                patch.setattr(Path, "unlink", killed)
            case _:
                patch.setattr(shutil, "rmtree", half if place == "half" else killed)
        with pytest.raises(KeyboardInterrupt):
            erase.erase(store, erase.doomed(store, store / "a"), "test")
    done = fillwarm("cases", "--json")
    assert done.exit_code == 0
    listed = [Path(one["folder"]).name for one in json.loads(done.stdout)["cases"]]
    erased = [e for e in audit.entries(store) if e.event["what"] == "erase"]
    if place == "rename":
        assert contents(store / "a") == before and erased == [] and "a" in listed
    else:
        assert listed == ["b"] and len(erased) == 1 and erased[0].event["case"] == "a"
        assert "was finished: case a" in done.stderr
    assert not any(store.glob(f"{erase.ERASING}*"))


# -- retention -----------------------------------------------------------------------------


@given(
    st.dates(date(1990, 1, 1), date(2040, 12, 31)),
    st.integers(1, 60),
    st.dates(date(1990, 1, 1), date(2100, 12, 31)),
)
@example(date(2024, 2, 29), 1, date(2025, 2, 28))
@example(date(2024, 2, 29), 1, date(2025, 3, 1))
@example(date(2024, 2, 29), 4, date(2028, 2, 29))
def test_years_are_counted_by_the_calendar(last: date, years: int, today: date) -> None:
    case = summary(two_canals().state, HEAD)
    aged = case.__class__(**{**as_fields(case), "last_on": last.isoformat()})
    # As a calendar is read: year, then month, then day.
    due = (today.year, today.month, today.day) >= (last.year + years, last.month, last.day)
    assert is_over(aged, years, today) == due


def as_fields(case: CaseSummary) -> dict[str, Any]:
    return {name: getattr(case, name) for name in case.__slots__}


def test_a_case_too_young_for_any_calendar_is_kept() -> None:
    assert not is_over(summary(two_canals().state, HEAD), 9000, date(2030, 1, 1))


def test_retention_erases_signed_cases_only(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store_case(store, "c", "premolar")
    store_case(store, "d", "premolar")
    damage(store / "d")
    monkeypatch.setattr("assistant.commandline.keep._today", lambda: date(2031, 3, 9))
    for years, due in ((6, []), (5, ["a", "c"])):
        found = json.loads(fillwarm("retention", "--years", years, "--json").stdout)
        assert [one["code"] for one in found["due"]] == due[::-1]
    before = contents(store)
    done = fillwarm("retention", "--years", 5, "--erase", "--dry-run")
    assert done.exit_code == 0 and contents(store) == before
    assert "Not signed, so not due: b" in done.stdout
    assert "Cannot be read, so not due: d" in done.stdout
    done = fillwarm("retention", "--years", 5, "--erase", text="n\n")
    assert "0 cases erased" in done.stdout and set(contents(store)) == set(before)
    held = atomic.lock(store / "c" / JOURNAL)
    try:
        done = fillwarm("retention", "--years", 5, "--erase", "--yes")
    finally:
        os.close(held)
    assert done.exit_code == 7 and "Not erased, being open elsewhere: c" in done.stderr
    assert {path.name for path in store.iterdir() if path.is_dir()} == {"b", "c", "d"}
    events = [e.event for e in audit.entries(store)]
    assert [e["what"] for e in events[-2:]] == ["erase", "retention run"]
    assert events[-2]["reason"] == "kept for 5 years"
    assert (events[-1]["due"], events[-1]["erased"], events[-1]["unsigned"]) == (2, 1, 1)


def test_an_addendum_begins_the_years_anew() -> None:
    row_of = [index.IndexRow("a", index.Stamp(0, 0), summary(two_canals().state, HEAD))]
    assert isinstance(row_of[0].found, CaseSummary)
    again = index.IndexRow(
        "a",
        index.Stamp(0, 0),
        CaseSummary(**{**as_fields(row_of[0].found), "last_on": "2028-01-01"}),
    )
    today = date(2031, 3, 9)
    assert len(retention(row_of, [], 5, today).due) == 1
    assert len(retention([again], [], 5, today).due) == 0
