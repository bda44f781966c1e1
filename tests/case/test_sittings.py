"""Cases of several sittings, told as data and typed into the program as its user does: what
the note says of them. Everything in them is invented."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from assistant.case.casefile import read_case
from assistant.commandline.main import main
from assistant.report.note import as_text, note

STORIES = sorted((Path(__file__).parent / "sittings").glob("*.yaml"))


def on_one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def sat(story: dict[str, Any], folder: Path) -> str:
    """What the program said in all sittings."""
    common = ["run", "--typed", "--silent", "--case", str(folder / "case")]
    common += ["--protocol", story["protocol"]]
    practice = folder / "practice.yaml"
    practice.write_text(story.get("practice", "{}\n"))
    common += ["--practice", str(practice)]
    said = ""
    for sitting in story["sittings"]:
        typed = "\n".join(sitting["lines"]) + "\n"
        done = CliRunner().invoke(main, [*common, *sitting["options"]], input=typed)
        assert done.exit_code == 0, done.output
        said += done.output
    return said


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_the_note_tells_the_sittings(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path))
    story = yaml.safe_load(path.read_text(encoding="utf-8"))
    said = on_one_line(sat(story, tmp_path))
    state, head = read_case(tmp_path / "case")
    text = on_one_line(as_text(note(state, head)))
    assert [one for one in story["said"] if one not in said] == [], said[-3000:]
    assert [one for one in story["note"] if one not in text] == [], text
    assert (state.signed is not None) == story["signed"]
