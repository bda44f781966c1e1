"""Cases that turn out otherwise, told as data and played typed: what the note says of them.

``lines`` are typed as they stand; some stand for many: ``fit`` takes a canal to its
pluggers, ``fill`` from there to its level, ``backfill`` places increments, ``finish`` is
the end of the case. All in them is invented.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from typed_case import TypedCase

from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.procedure.apply import replay
from assistant.procedure.events import EVENTS
from assistant.procedure.state import CaseState
from assistant.protocol.model import Protocol
from assistant.report.note import as_text, note
from assistant.report.record import as_record
from assistant.review.timeline import timeline
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Line
from assistant.words.sayings import load_wording

STORIES = sorted((Path(__file__).parent / "stories").glob("*.yaml"))
HEAD = "0123456789abcdef" * 4


@cache
def setting() -> tuple[Any, ...]:
    language = assembly.language()
    wording = load_wording(data_folder("grammars") / "en", language.phrases)
    return load_yaml(protocol_path("warm-vertical"), Protocol), language, wording


def lines_of(told: object) -> Iterator[Line | str]:
    match told:
        case {"fit": {"wl": wl, "cusp": cusp}}:
            limit = round(wl - 5, 1)
            yield from (f"{wl}", cusp, "size 30", "taper point oh six", "no")
            yield from (f"{round(limit - 6.4, 1)}", "yes", "cone size 30")
            yield from ("cone taper point oh six", f"cone length {wl + 0.5}", "yes")
            yield from ("radiograph accepted", "plugger 9", "plugger 12")
            yield from (f"plugger {limit}", f"carrier {limit}")
        case {"fill": {"wl": wl}}:
            limit = round(wl - 5, 1)
            yield from ("dry", f"{wl}", f"{wl}", f"{wl}", f"{wl}", "confirm", "confirm")
            yield from ("yes", "complete", "seated", f"sear {round(limit - 6.4, 1)}")
            for depth in (round(limit - 3.2, 1), limit):
                yield from ("heat on", Line(say="heat off", after_s=2.0), "press")
                yield Line(say=f"carrier {depth}", wait_for_timer=True)
                yield f"plugger {depth}"
            yield "no radiograph"
            yield from lines_of({"backfill": [2.5, 3.9]})
        case {"backfill": [*increments]}:
            for length in increments:
                yield from ("press", Line(say=f"increment {length}", wait_for_timer=True))
            yield "yes"
        case "finish":
            yield from ("done", "done", "accepted", "sign the note", "confirm")
        case str(line):
            yield line
        case _:
            raise AssertionError(told)


def played(story: dict[str, Any]) -> TypedCase:
    case = TypedCase(*setting())
    for told in story["lines"]:
        case.type(lines_of(told))
    return case


def on_one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_the_note_tells_what_happened(path: Path) -> None:
    story = yaml.safe_load(path.read_text(encoding="utf-8"))
    case = played(story)
    state: CaseState = case.state
    text = on_one_line(as_text(note(state, HEAD)))
    missing = [said for said in story["note"] if said not in text]
    assert not missing, (missing, as_text(note(state, HEAD)), case.said[-12:])
    assert (state.signed is not None) == story["signed"]
    again = replay(EVENTS.validate_json(EVENTS.dump_json(one)) for one in case.events)
    assert again == state
    # What was acknowledged is in the record, whatever became of it, and on the timeline.
    assert len(as_record(state, HEAD)["entries"]) == len(state.entries)
    told = " ".join(one.text for one in timeline(case.events).happenings)
    for change in state.changes:
        assert change.reason in told
