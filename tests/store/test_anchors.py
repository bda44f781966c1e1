"""A journal that verifies and is contradicted: noticed, left as it is, and accepted only so."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest

from assistant.case.casefile import JOURNAL, read_case
from assistant.errors import RecordDamaged
from assistant.report.write import put_reports
from assistant.store.audit import AUDIT
from store.attacks import CASE, WORK, cut, fillwarm, index_gone, made, other_depth, removed

RNG = random.Random(1)


@pytest.fixture(scope="module")
def origin(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("anchors") / "origin"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FILLWARM_CASES", str(folder))
        made(folder)
    return folder


@pytest.fixture
def store(origin: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    shutil.copytree(origin, folder)
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    return folder


def alarms() -> list[str]:
    done = fillwarm("cases", "--json")
    found: list[str] = json.loads(done.stdout)["alarms"]
    assert done.exit_code == (5 if found else 0)
    return found


def test_a_cut_signed_journal_is_no_unsigned_case(store: Path) -> None:
    cut(RNG, store)
    kept = {path: path.read_bytes() for path in (store / CASE).iterdir() if path.is_file()}
    for args in (["verify", CASE], ["note", CASE], ["run", "--typed", "--case", CASE]):
        done = fillwarm(*args, text="plugger 16\n")
        assert done.exit_code == 5 and "it was cut" in done.stderr
    assert "it was cut" in alarms()[0]
    assert {path: path.read_bytes() for path in kept} == kept


def test_a_rewritten_journal_is_noticed_without_the_index(store: Path) -> None:
    other_depth(RNG, store)
    index_gone(RNG, store)
    assert "written anew" in alarms()[0] and "the audit trail knows it signed" in alarms()[0]


def test_no_unsigned_report_is_written_over_a_signed_one(store: Path) -> None:
    before = (store / CASE / "note.txt").read_bytes()
    state, _ = read_case(store / WORK)
    for gone in ("record.json", "note.pdf"):
        with pytest.raises(RecordDamaged, match="is signed and the journal beside it is not"):
            put_reports(store / CASE, state, {"note": "another"})
        (store / CASE / gone).unlink()
    assert (store / CASE / "note.txt").read_bytes() == before


def test_what_was_accepted_is_no_alarm_and_stands_in_the_trail(store: Path) -> None:
    cut(RNG, store)
    assert fillwarm("accept", CASE, "--reason", "the disk broke", "--yes").exit_code == 0
    assert alarms() == []
    last = json.loads(fillwarm("audit", "--json").stdout)["entries"][-1]
    assert (last["what"], last["reason"]) == ("accepted", "the disk broke")
    assert (store / CASE / "note.txt.not-accepted-1").exists()
    index_gone(RNG, store)  # the trail alone tells it, too
    assert alarms() == []
    (store / AUDIT).unlink()
    assert alarms()


def test_a_signed_case_is_missed_unless_it_was_erased_or_accepted(store: Path) -> None:
    assert fillwarm("erase", "0002", "--yes", "--reason", "test").exit_code == 0
    assert alarms() == []
    removed(RNG, store)
    assert "is gone, and was not erased" in alarms()[0]
    assert fillwarm("accept", CASE, "--reason", "moved", "--yes").exit_code == 0
    assert alarms() == []


def test_an_unsigned_case_may_be_taken_away_and_begun_anew(store: Path) -> None:
    shutil.rmtree(store / WORK)
    done = fillwarm("run", "--typed", "--silent", "--case", WORK)
    assert done.exit_code == 0 and (store / WORK / JOURNAL).exists()
    assert alarms() == []


def test_a_lost_trail_is_accepted_by_name(store: Path) -> None:
    (store / AUDIT).unlink()
    assert "does not go on from" in alarms()[0]
    done = fillwarm("verify", WORK)  # its journal is whole, and that is told
    assert done.exit_code == 5 and "whole" in done.stdout
    assert "does not go on from" in done.stderr and done.stderr.count("\n") == 1
    assert fillwarm("run", "--typed", "--silent", "--case", WORK).exit_code == 0
    assert fillwarm("accept", "--trail", "--reason", "lost", "--yes").exit_code == 0
    assert alarms() == [] and fillwarm("verify", WORK).exit_code == 0
    assert fillwarm("audit").exit_code == 0
