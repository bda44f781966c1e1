"""Two written stories by sound; all of them: ``tests/case/aloud.py``, which CI samples."""

from __future__ import annotations

from pathlib import Path

import pytest

from case.aloud import STORIES, heard
from case.written import load

pytestmark = pytest.mark.sound


@pytest.mark.parametrize("name", ["bleeding_ends_the_visit", "broken_appointment"])
def test_the_note_is_the_one_of_the_lines_typed(name: str, tmp_path: Path) -> None:
    story = load(STORIES[name])
    played = heard(story, tmp_path / "case", "flite:slt")
    assert played.missing(story) == []
