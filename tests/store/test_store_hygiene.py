"""Names a case cannot have, names that look alike, an older back-up, long lines, the clock."""

from __future__ import annotations

import io
import json
import random
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stored import store_case
from typical_case import two_canals

from assistant.case.between import BACK_S
from assistant.case.casefile import JOURNAL, CaseFile
from assistant.commandline.wiring import bounded_lines
from assistant.screen.port import LONGEST_LINE
from assistant.store.lookalikes import LONGEST_NAME, odd_name, odd_names
from store.attacks import CASE, OTHER, events, fillwarm, made, rewrite


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cases"
    folder.mkdir()
    monkeypatch.setenv("FILLWARM_CASES", str(folder))
    return folder


@pytest.mark.parametrize(
    "name",
    [
        "audit.jsonl",
        "Audit.JSONL",
        "index.sqlite",
        "index.sqlite-wal",
        "names.key.json",
        "names.key-0123456789abcdef.json",
        "manifest.json",
        "0001.lock",
        "con",
        ".hidden",
        "00\u200b01",
        "a\u202eb",
        "x" * (LONGEST_NAME + 1),
    ],
)
def test_no_case_is_begun_under_such_a_name(store: Path, name: str) -> None:
    done = fillwarm("run", "--typed", "--silent", "--case", name)
    assert done.exit_code == 3 and "No case can be called so" in done.stderr
    assert list(store.iterdir()) == []


def test_the_longest_name_and_code_are_taken_and_one_more_is_not(store: Path) -> None:
    most = "x" * LONGEST_NAME
    args = ("run", "--typed", "--silent", "--case", most, "--code")
    assert fillwarm(*args, most + "x").exit_code == 3
    assert fillwarm(*args, "a\u200bb").exit_code == 3
    assert fillwarm(*args, most).exit_code == 0
    assert (store / most / JOURNAL).exists()


@pytest.mark.parametrize(
    ("name", "odd"),
    [
        ("0001", None),
        ("Zahn-24 ä", None),
        ("症例カルテ", None),
        ("00\u200b01", "cannot be seen"),
        ("a\u202eb", "cannot be seen"),
        ("c\u0430se", "mixes letters of Cyrillic, Latin"),
    ],
)
def test_an_odd_name_is_told(name: str, odd: str | None) -> None:
    found = odd_name(name)
    assert found is None if odd is None else odd in str(found)


def test_names_that_look_alike_are_told_in_the_list(store: Path) -> None:
    store_case(store, "a", "begun")
    store_case(store, "\uff41", "begun", code="b")
    assert list(odd_names(["a", "b", "c"])) == []
    told = json.loads(fillwarm("cases", "--json").stdout)["lookalikes"]
    assert len(told) == 1 and told[0].startswith("These names look alike: ")
    assert r"'\uff41'" in told[0] and "'a'" in told[0]


def test_a_back_up_older_than_what_is_known_is_left_out_until_that_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, older = tmp_path / "cases", tmp_path / "older.zip"
    monkeypatch.setenv("FILLWARM_CASES", str(store))
    made(store)
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path / "elsewhere"))
    shutil.copytree(store, tmp_path / "elsewhere")
    path = tmp_path / "elsewhere" / CASE / JOURNAL
    every = events(path)
    ends = [place for place, (_, left, _) in enumerate(every[:-3], 1) if left == 0]
    rewrite(path, every[: random.Random(1).choice(ends)])
    assert fillwarm("backup", older, "--by", "x").exit_code == 0
    monkeypatch.setenv("FILLWARM_CASES", str(store))
    shutil.rmtree(store / CASE)
    shutil.rmtree(store / OTHER)
    done = fillwarm("restore", older, "--yes")
    assert done.exit_code == 5 and "left out" in done.stdout and "it was cut" in done.stdout
    assert not (store / CASE).exists() and (store / OTHER / JOURNAL).exists()
    assert fillwarm("accept", CASE, "--reason", "lost", "--yes").exit_code == 0
    assert fillwarm("restore", older, "--yes").exit_code == 0
    assert (store / CASE / JOURNAL).exists()


@given(st.lists(st.integers(0, 3 * LONGEST_LINE), max_size=6), st.booleans())
def test_a_line_too_long_is_told_and_the_next_is_read(lengths: list[int], ended: bool) -> None:
    lines = ["x" * length for length in [*lengths, LONGEST_LINE, LONGEST_LINE + 1, 3]]
    text = "\n".join(lines) + "\n" * ended
    found = list(bounded_lines(io.StringIO(text)))
    wanted = [None if len(line) > LONGEST_LINE else line for line in lines]
    assert [one and one.rstrip("\n") for one in found] == wanted


@pytest.mark.parametrize(
    ("back_s", "told"), [(BACK_S, True), (BACK_S - 0.1, False), (-9, False)]
)
def test_a_clock_that_went_back_between_sittings_is_told(
    store: Path, back_s: float, told: bool
) -> None:
    folder = store_case(store, "a", "begun")
    last, _, _ = events(folder / JOURNAL)[-1]
    wall = datetime.fromisoformat(last) - timedelta(seconds=back_s)
    now = two_canals().now().model_copy(update={"wall": wall})
    case = CaseFile.reopen(folder, now)
    case.close()
    assert ("set back between two sittings" in str(case.recovery)) == told
    assert ("set back between" in case.state.interruptions[-1][1]) == told
