"""The promise: a journal of an earlier version gives the same state in every later one."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from journals.write import NOTE, STATE, STORIES, cases, note_of, told_by
from typical_case import START

from assistant import __version__
from assistant.case.casefile import CaseFile, read_case
from assistant.progress import intents as it
from assistant.protocol.moment import Moment

pytestmark = pytest.mark.core

CASES = {f"{folder.parent.name}/{folder.name}": folder for folder in cases()}

frozen = pytest.mark.parametrize("folder", CASES.values(), ids=CASES)


def test_those_of_the_first_version_are_there() -> None:
    first = {"signed-with-addendum", "post-level", "interrupted-press", "doubted", "torn"}
    assert {f"0.1.0/{name}" for name in first} <= CASES.keys()


@pytest.mark.parametrize("name", ["signed-with-addendum", "post-level", "void-on-the-film"])
def test_what_is_frozen_next_is_told_to_its_end(name: str, tmp_path: Path) -> None:
    STORIES[name](tmp_path / "case")
    assert read_case(tmp_path / "case")[0].signed is not None


def test_those_of_the_present_version_are_there() -> None:
    assert {f"{__version__}/{name}" for name in STORIES} <= CASES.keys()


@pytest.mark.parametrize(
    "folder", [folder for name, folder in CASES.items() if not name.startswith("before-roles/")]
)
def test_a_frozen_journal_gives_the_state_that_it_gave(folder: Path) -> None:
    # Those from before roles keep theirs whole: tests/record/test_old_journals.py.
    assert told_by(folder) == json.loads((folder / STATE).read_text())


@frozen
def test_the_note_of_a_frozen_journal_says_what_it_said(folder: Path) -> None:
    assert note_of(folder) == (folder / NOTE).read_text()


@frozen
def test_a_frozen_case_is_gone_on_with(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "case"
    shutil.copytree(folder, copy)
    before, _ = read_case(copy)
    now = Moment(wall=START.replace(year=START.year + 1), mono_s=0.0)
    case = CaseFile.reopen(copy, now)
    if before.signed is None:
        case.take(it.Command(verb="pause"), now)
        assert case.state.paused
    else:
        case.take(it.Append(text="Seen again.", by="Operator B"), now)
        assert case.state.addenda[-1].text == "Seen again."
    case.close()
    after, _ = read_case(copy)
    assert after == case.state
    assert after.entries[: len(before.entries)] == before.entries
