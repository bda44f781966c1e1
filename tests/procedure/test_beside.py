"""Remarks: kept as they were told, beside the steps, never a measurement."""

from __future__ import annotations

import pytest
from room import WORDING, Room, at_heat, at_the_end, front_tooth
from typical_case import HEAD

from assistant.exchange.tables import rows
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core
LANGUAGE = assembly.language()


def typed(room: Room, line: str) -> Room:
    room.do(understand_typed(line, grammar_of(LANGUAGE, wanted_now(room.state))))
    return room


def text_of(room: Room) -> str:
    return " ".join(as_text(note(room.state, HEAD)).split())


def test_a_remark_is_kept_as_it_was_told_and_read_back() -> None:
    room = typed(front_tooth(), "remark  Patient reports  15 mm, Stop")
    assert room.state.dictated[0].text == "Patient reports 15 mm, Stop"
    assert room.said == "Remark 1: Patient reports 15 mm, Stop"
    assert room.prompts[0].spoken == WORDING.notices["shown"]  # it could hear itself say it
    assert "REMARKS (AS DICTATED, NOT CHECKED)" in text_of(room)
    assert "remark 1: Patient reports 15 mm, Stop (typed by Operator A, operator)" in text_of(
        room
    )


def test_a_number_in_a_remark_is_no_measurement() -> None:
    room = front_tooth()
    before = room.state.entries, room.state.here
    typed(room, "remark 21.5")
    assert (room.state.entries, room.state.here) == before
    assert all(
        "21.5" not in str(row.values()) for row in rows(as_record(room.state, HEAD), "entries")
    )


def test_a_remark_is_corrected_and_taken_back_and_stays_in_the_log() -> None:
    room = typed(front_tooth(), "remark: sealer short")
    typed(room, "correct remark 1: sealer ran short")
    assert [r.standing for r in room.state.dictated] == ["replaced", "standing"]
    typed(room, "take back the remark")
    assert room.state.dictated[-1].standing == "undone"
    typed(room, "take back remark 1")
    assert room.refused == "no_such_remark"
    assert "sealer short: corrected, now remark 2" in text_of(room)
    assert "sealer ran short: taken back" in text_of(room)
    assert replay(room.events) == room.state


@pytest.mark.parametrize(("length", "taken"), [(300, True), (301, False)])
def test_a_remark_has_a_limit_of_length(length: int, taken: bool) -> None:
    room = front_tooth()
    room.do(it.Remark(text="x" * length))
    assert (room.refused != "remark_long") is taken
    assert len(room.state.dictated) == taken


def test_a_remark_goes_beside_the_heat_and_waits_in_silence() -> None:
    room = at_heat()
    room.command("heat_on")
    typed(room, "remark smoke test")
    assert room.state.timer is not None
    assert [prompt.spoken for prompt in room.prompts] == [""]


def test_by_voice_it_asks_for_a_typed_line() -> None:
    room = typed(front_tooth(), "remark")
    assert room.said == "Type it: remark, and the text."
    assert room.state.dictated == ()


def test_after_the_signature_there_are_addenda_alone() -> None:
    room = at_the_end()
    room.command("sign", "confirm")
    typed(room, "remark too late")
    assert room.refused == "signed"
