"""Cases that turn out otherwise, told as data and played typed: what the note says of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from assistant.progress.apply import replay
from assistant.progress.events import EVENTS
from assistant.progress.state import CaseState
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record
from assistant.review.timeline import timeline
from case.written import ONE_SITTING, load, on_one_line, typed

HEAD = "0123456789abcdef" * 4


@pytest.mark.parametrize("path", ONE_SITTING, ids=lambda path: path.stem)
def test_the_note_tells_what_happened(path: Path) -> None:
    story = load(path)
    case = typed(story)
    state: CaseState = case.state
    text = on_one_line(as_text(note(state, HEAD)))
    missing = [said for said in story.note if said not in text]
    assert not missing, (missing, as_text(note(state, HEAD)), case.said[-12:])
    assert (state.signed is not None) == story.signed
    again = replay(EVENTS.validate_json(EVENTS.dump_json(one)) for one in case.events)
    assert again == state
    # What was acknowledged is in the record, whatever became of it, and on the timeline.
    assert len(as_record(state, HEAD)["entries"]) == len(state.entries)
    told = " ".join(one.text for one in timeline(case.events).happenings)
    for change in state.changes:
        assert change.reason in told
