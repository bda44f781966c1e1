"""Cases of several sittings, told as data and typed into the program as its user does: what
the note says of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from assistant.case.casefile import read_case
from assistant.commandline.main import main
from assistant.report.note import note
from assistant.report.note_text import as_text
from case.written import SITTINGS, load, on_one_line


@pytest.mark.parametrize("path", SITTINGS, ids=lambda path: path.stem)
def test_the_note_tells_the_sittings(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path))
    story = load(path)
    common = ["run", "--typed", "--silent", "--case", str(tmp_path / "case")]
    practice = tmp_path / "practice.yaml"
    practice.write_text(story.practice)
    common += ["--protocol", story.protocol, "--practice", str(practice)]
    output = ""
    for sitting in story.sittings:
        typed = "".join(f"{line.say}\n" for line in sitting.lines)
        done = CliRunner().invoke(main, [*common, *sitting.options], input=typed)
        assert done.exit_code == 0, done.output
        output += done.output
    state, head = read_case(tmp_path / "case")
    said, text = on_one_line(output), on_one_line(as_text(note(state, head)))
    assert [one for one in (*story.said, *story.printed) if one not in said] == [], said[-3000:]
    assert [one for one in story.note if one not in text] == [], text
    assert (state.signed is not None) == story.signed
