"""The index of the cases: it says what the journals say, whatever happened to it."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
from collections import Counter
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from stored import KINDS, store_case
from typical_case import HEAD, two_canals

from assistant.case import casefile
from assistant.case.casefile import JOURNAL
from assistant.commandline.main import main
from assistant.errors import RecordDamaged
from assistant.progress import intents as it
from assistant.report.record import as_record
from assistant.store import current, index, places
from assistant.store.index import IndexRow, Query, Stamp
from assistant.store.summary import CaseSummary, summary


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    folder.mkdir()
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    return folder


def fillwarm(*args: object, text: str = "") -> Result:
    done = CliRunner().invoke(main, [str(arg) for arg in args], input=text)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def codes(store: Path, query: Query | None = None) -> list[str]:
    told: list[str] = []
    wanted = query or Query(sort="code")
    listing = current.with_index(store, lambda db: current.ask(db, store, wanted), told.append)
    assert told == []
    return [row.found.code for row in listing.rows if isinstance(row.found, CaseSummary)]


# -- what a row says -------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_summary_says_what_the_record_says(kind: str) -> None:
    state = KINDS[kind]().state
    found, record = summary(state, HEAD), as_record(state, HEAD)
    assert (found.code, found.operator, found.head) == ("case-7", "Operator A", HEAD)
    assert found.canals == tuple(canal["name"] for canal in record["canals"])
    assert found.tooth == record["tooth"]["fdi"]
    assert found.entries == len(record["entries"])
    assert found.skipped == len(record["skipped"])
    assert (found.signed_on is None) == (record["signed_at"] is None)
    warned = Counter((w["rule"], w["severity"]) for w in record["warnings"])
    assert {(w.rule, w.severity): w.count for w in found.warnings} == warned
    assert found.open_warnings == sum(w["open"] for w in record["warnings"])
    assert found.open_warnings == sum(w.open for w in found.warnings)


def test_times_are_utc_and_dates_the_rooms() -> None:
    # The invented cases are opened at 14:05 by a clock two hours before UTC; near
    # midnight the two dates differ.
    state = two_canals().state
    late = state.opened.wall.replace(hour=0, minute=30)
    moved = state.model_copy(update={"opened": state.opened.model_copy(update={"wall": late})})
    found = summary(moved, HEAD)
    assert found.opened_utc == "2026-03-08T22:30:00+00:00"
    assert found.opened_on == "2026-03-09"


def test_the_name_of_the_journal_is_the_same_everywhere() -> None:
    assert places.JOURNAL == casefile.JOURNAL


# -- questions ---------------------------------------------------------------------

BASE = [summary(kind().state, HEAD) for kind in KINDS.values()]
DAYS = [f"2025-{month:02d}-{day:02d}" for month in (1, 2, 3) for day in (1, 15, 28)]


@st.composite
def rows(draw: st.DrawFn) -> list[IndexRow]:
    found = []
    for number in range(draw(st.integers(0, 12))):
        day = draw(st.sampled_from(DAYS))
        one = replace(
            draw(st.sampled_from(BASE)),
            code=draw(st.sampled_from(["Ab-1", "ab-2", "x%_y", "", "o'b"])),
            opened_on=day,
            opened_utc=f"{day}T10:00:00+00:00",
            tooth=draw(st.sampled_from([None, 11, 24])),
            operator=draw(st.sampled_from(["Operator A", "Operator B"])),
        )
        found.append(IndexRow(f"f{number}", Stamp(number, number), one))
    return found


def maybe(*values: object) -> st.SearchStrategy[object]:
    return st.sampled_from([None, *values])


queries = st.builds(
    Query,
    since=maybe(*DAYS[:4]),
    until=maybe(*DAYS[4:]),
    tooth=maybe(11, 24, 36),
    operator=maybe("Operator A"),
    warning=maybe("depth-limit", "urgent", "caution", "no-such-rule"),
    signed=maybe(True, False),
    code=maybe("AB", "%", "'", "-2"),
)


def fits(case: CaseSummary, query: Query) -> bool:
    """The same question without SQL."""
    return (
        (query.since is None or case.opened_on >= query.since)
        and (query.until is None or case.opened_on <= query.until)
        and query.tooth in (None, case.tooth)
        and query.operator in (None, case.operator)
        and query.signed in (None, case.signed_utc is not None)
        and (query.code is None or query.code.lower() in case.code.lower())
        and (
            query.warning is None
            or any(query.warning in (w.rule, w.severity) for w in case.warnings)
        )
    )


@given(rows(), queries, st.integers(1, 5))
def test_a_query_finds_what_a_plain_search_finds(
    every: list[IndexRow], query: Query, limit: int
) -> None:
    with closing(index.connect(None)) as db:
        index.put(db, every)
        wanted = [r for r in every if isinstance(r.found, CaseSummary) and fits(r.found, query)]
        wanted.sort(key=lambda r: (r.found.opened_utc, r.folder), reverse=True)  # type: ignore[union-attr]
        assert index.find(db, query) == wanted
        assert index.count(db, query) == len(wanted)
        assert index.find(db, replace(query, limit=limit)) == wanted[:limit]
        for sort in index.SORTS:
            assert {r.folder for r in index.find(db, replace(query, sort=sort))} == {
                r.folder for r in wanted
            }


def test_the_most_warned_case_comes_first_when_sorted_by_warnings() -> None:
    with closing(index.connect(None)) as db:
        index.put(db, [IndexRow(str(n), Stamp(0, 0), one) for n, one in enumerate(BASE)])
        found = index.find(db, Query(sort="warnings"))
        listed: list[Any] = [row.found for row in found]
        counts = [sum(one.count for one in case.warnings) for case in listed]
        assert counts == sorted(counts, reverse=True) and counts[0] > counts[-1]


# -- in step with the journals -------------------------------------------------------


def damage(folder: Path) -> None:
    path = folder / JOURNAL
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.write_bytes(raw)


def refused(folder: Path) -> None:
    """Something said and not understood, so that the journal goes on."""
    case = casefile.CaseFile.reopen(folder, two_canals().now())
    case.take(it.Unclear(reason="not_understood"), two_canals().now())
    case.close()


def test_after_any_changes_the_list_is_as_if_made_anew(store: Path) -> None:
    rng = random.Random(7)
    for number in range(14):
        folders = [folder for folder in store.iterdir() if folder.is_dir()]
        folder = rng.choice(folders) if folders else None
        match rng.choice(["new", "new", "more", "gone", "damage"]):
            case "more" if folder:
                with suppress(RecordDamaged):
                    refused(folder)
            case "gone" if folder:
                shutil.rmtree(folder)
            case "damage" if folder:
                damage(folder)
            case _:
                store_case(store, f"c{number:02d}", rng.choice(["begun", "warned"]))

        def ask(db: sqlite3.Connection) -> current.Listing:
            return current.ask(db, store, Query())

        kept = current.with_index(store, ask, pytest.fail)
        with closing(index.connect(None)) as db:
            current.refresh(db, store)
            anew = ask(db)
        assert kept == anew


def test_a_refresh_reads_only_what_changed(store: Path) -> None:
    for name in ("a", "b", "c"):
        store_case(store, name, "begun")
    with closing(index.connect(store / index.INDEX)) as db:
        assert current.refresh(db, store) == 3
        assert current.refresh(db, store) == 0
        refused(store / "b")
        assert current.refresh(db, store) == 1
        shutil.rmtree(store / "c")
        assert current.refresh(db, store) == 0
        assert index.folders(db) == {"a", "b"}


def test_a_changed_signed_case_is_read_again_once_it_is_shown(store: Path) -> None:
    folder = store_case(store, "a", "premolar")
    assert codes(store) == ["a"]
    case = casefile.CaseFile.reopen(folder, two_canals().now())
    case.take(it.Append(text="seen again", by="Operator B"), two_canals().now())
    head = case.head_hash
    case.close()
    listing = current.with_index(store, lambda db: current.ask(db, store, Query()), pytest.fail)
    found = listing.rows[0].found
    assert isinstance(found, CaseSummary) and (found.addenda, found.head) == (1, head)


def test_a_damaged_case_is_listed_with_the_reason_whatever_is_asked(store: Path) -> None:
    store_case(store, "good", "premolar")
    damage(store_case(store, "bad", "premolar"))
    (store / "empty").mkdir()
    (store / "empty" / JOURNAL).touch()
    for asked in ([], ["--tooth", "47"], ["--signed"], ["--limit", "1"]):
        done = fillwarm("cases", "--json", *asked)
        found = json.loads(done.stdout)["damaged"]
        assert [Path(one["folder"]).name for one in found] == ["bad", "empty"]
        assert "is damaged at line" in found[0]["damaged"]
    assert "!! bad: damaged:" in fillwarm("cases").stdout


def test_a_case_elsewhere_is_listed_only_once_it_is_added(store: Path, tmp_path: Path) -> None:
    inside, outside = store_case(store, "in", "begun"), store_case(tmp_path, "out", "begun")
    assert current.register(store, outside, elsewhere=False) is None
    assert current.register(store, inside, elsewhere=False) is None
    assert codes(store) == ["in"]
    assert fillwarm("cases", "--add", outside).exit_code == 0
    assert codes(store) == ["in", "out"]
    shutil.rmtree(outside)
    assert codes(store) == ["in"]


def test_registering_makes_no_folder_and_never_fails(tmp_path: Path) -> None:
    nowhere = tmp_path / "nowhere"
    assert current.register(nowhere, tmp_path) is None
    assert not nowhere.exists()
    (tmp_path / index.INDEX).write_bytes(b"no index at all" * 100)
    assert "--refresh" in str(current.register(tmp_path, store_case(tmp_path, "a", "begun")))


# -- an index that cannot be used ------------------------------------------------------


def no_database(path: Path) -> None:
    path.write_bytes(b"not a database " * 1000)


def torn_inside(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[200:] = os.urandom(len(raw) - 200)
    path.write_bytes(raw)


def of_another_version(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {index.VERSION + 1}")


def of_another_program(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE cases (id)")


def without_a_table(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TABLE warnings")


@pytest.mark.parametrize(
    "spoil", [no_database, torn_inside, of_another_version, of_another_program, without_a_table]
)
def test_an_unusable_index_is_made_again_and_that_is_said(store: Path, spoil) -> None:  # type: ignore[no-untyped-def]
    store_case(store, "a", "begun")
    store_case(store, "b", "begun")
    assert codes(store) == ["a", "b"]
    spoil(store / index.INDEX)
    done = fillwarm("cases", "--json")
    assert "is made again from the journals" in done.stderr
    assert json.loads(done.stdout)["total"] == 2
    assert codes(store) == ["a", "b"]  # and nothing is said any more


def test_a_locked_index_is_done_without(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store_case(store, "a", "begun")
    assert codes(store) == ["a"]
    monkeypatch.setattr(index, "BUSY_S", 0.05)
    with closing(sqlite3.connect(store / index.INDEX, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        store_case(store, "b", "begun")
        done = fillwarm("cases", "--json")
        assert "for this once" in done.stderr
        assert json.loads(done.stdout)["total"] == 2
        other.execute("ROLLBACK")
    assert codes(store) == ["a", "b"]


@pytest.mark.skipif(os.name != "posix", reason="POSIX permissions")
def test_the_index_is_for_its_owner_only(store: Path) -> None:
    store_case(store, "a", "begun")
    with closing(index.connect(store / index.INDEX)) as db:
        current.refresh(db, store)
        for path in store.glob("index.sqlite*"):
            assert path.stat().st_mode & 0o077 == 0


# -- which case is meant -----------------------------------------------------------------


def test_a_case_is_named_by_path_folder_or_code(store: Path) -> None:
    folder = store_case(store, "a", "begun", code="case-1")
    from assistant.commandline.store import the_case

    for named in (str(folder), "a", "case-1"):
        assert the_case(store, named) == folder
    store_case(store, "b", "begun", code="case-1")
    done = fillwarm("erase", "case-1", "--yes")
    assert done.exit_code == 3 and "Several cases" in done.stderr
    done = fillwarm("erase", "case-2", "--yes")
    assert done.exit_code == 3 and "No case case-2" in done.stderr
    assert len(codes(store)) == 2


def test_no_store_is_an_empty_list(store: Path) -> None:
    store.rmdir()
    done = fillwarm("cases")
    assert done.exit_code == 0 and "0 of 0 cases" in done.stdout and done.stderr == ""
    assert not store.exists()


def test_control_characters_of_a_code_do_not_reach_the_terminal(store: Path) -> None:
    store_case(store, "a", "begun", code="x\x1b[2J")
    assert "\x1b" not in fillwarm("cases").stdout


# -- a signed case, on the disk ------------------------------------------------------------


def test_only_an_addendum_changes_a_signed_case(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("assistant.report.section.as_pages", lambda *_, **__: b"")  # slow
    path = store_case(store, "a", "premolar") / JOURNAL
    signed = path.read_bytes()
    secret = tmp_path / "passphrase"
    secret.write_text("invented words\n")
    secret.chmod(0o600)
    monkeypatch.setenv("FILLWARM_PASSPHRASE_FILE", str(secret))
    from assistant.store import names

    names.make_key(store, "invented words", n=2)
    said = "plugger 16\nundo that\ngo back\nskip, not needed\nkeep it\npress\nconfirm\n"
    for args, text in (
        (["run", "--typed", "--case", path.parent], said),
        (["note", path.parent], ""),
        (["verify", path.parent], ""),
        (["cases", "--refresh"], ""),
        (["name", "set", "a"], "Nobody Invented\n"),
        (["name", "show", "a"], ""),
        (["name", "remove", "a", "--yes"], ""),
        (["backup", tmp_path / "b.zip"], ""),
        (["restore", tmp_path / "b.zip", "--yes"], ""),
        (["erase", "a", "--dry-run"], ""),
        (["erase", "a"], "n\n"),
        (["retention", "--years", "1", "--dry-run"], ""),
    ):
        done = fillwarm(*args, text=text)
        assert done.exit_code == 0, (args, done.output)
        assert path.read_bytes() == signed, args
    for by, text in (("", "text"), ("Operator B", " \n")):
        assert fillwarm("addendum", "a", "--by", by, text=text).exit_code == 3
        assert path.read_bytes() == signed

    done = fillwarm("addendum", "a", "--by", "Operator B", text="Seen again, no pain.\n")
    assert done.exit_code == 0
    grown = path.read_bytes()
    # The addendum, and the seal that tells where its head is kept.
    assert grown.startswith(signed) and grown.count(b"\n") == signed.count(b"\n") + 2
    assert "Seen again, no pain." in (path.parent / "note.txt").read_text()
    trail = json.loads(fillwarm("audit", "--json").stdout)["entries"]
    assert [(e["what"], e["by"]) for e in trail][-2] == ("addendum", "Operator B")


def test_an_unsigned_case_takes_no_addendum_and_is_not_touched(store: Path) -> None:
    path = store_case(store, "a", "begun") / JOURNAL
    before = path.read_bytes()
    done = fillwarm("addendum", "a", "--by", "Operator B", text="late\n")
    assert done.exit_code == 3 and "is not signed" in done.stderr
    assert path.read_bytes() == before
