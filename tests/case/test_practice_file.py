"""A practice's own file: materials and people of every new case."""

from __future__ import annotations

from pathlib import Path

import pytest
from room import Room, at_the_end, front_tooth
from typical_case import HEAD

from assistant.case.practice_file import PracticeFile, load_practice, prefilled
from assistant.errors import InputFileError
from assistant.exchange.tables import rows
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.progress.beside import missing_conditions
from assistant.protocol.conditions import Condition
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record

FILE = """\
people: [Ann Invented, Bo Invented]
assistant: Cleo
sealer: invented sealer
sealer_lot: A1-23
"""


def text_of(room: Room) -> str:
    return " ".join(as_text(note(room.state, HEAD)).split())


def test_a_new_case_is_prefilled_and_read_back(tmp_path: Path) -> None:
    (tmp_path / "practice.yaml").write_text(FILE)
    ours = load_practice(tmp_path / "practice.yaml")
    assert ours.people == ("Ann Invented", "Bo Invented")
    room = Room()
    told = prefilled(None, ours)
    assert told is not None
    room.do(told)
    assert {"Sealer invented sealer.", "Sealer lot A1-23."} <= {p.text for p in room.prompts}
    assert "Sealer lot: A1-23 [p]" in text_of(room)
    assert "[p] prepared before it was asked" in text_of(room)


def test_a_set_up_goes_before_the_practice() -> None:
    set_up = it.Prepare(values=(), conditions=((Condition.SEALER, "another"),))
    told = prefilled(set_up, PracticeFile(sealer="ours", needle="27"))
    assert told is not None
    assert told.conditions == ((Condition.SEALER, "another"), (Condition.NEEDLE, "27"))
    assert prefilled(None, PracticeFile()) is None


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("sealer:", "glue:", 3),
        ("A1-23", "x" * 121, 4),
        ("Cleo", "' '", 2),
        ("Ann", "x" * 65, 1),
    ],
)
def test_what_does_not_fit_is_told_with_its_line(
    tmp_path: Path, old: str, new: str, line: int
) -> None:
    (tmp_path / "practice.yaml").write_text(FILE.replace(old, new, 1))
    with pytest.raises(InputFileError, match=rf"line {line}"):
        load_practice(tmp_path / "practice.yaml")


def test_the_newest_stands_and_the_other_is_told() -> None:
    room = front_tooth()
    for text in ("one", "two"):
        room.do(it.Note(condition=Condition.IRRIGANTS, text=text))
    assert Condition.IRRIGANTS not in missing_conditions(room.state)
    assert "Irrigants: two [k]" in text_of(room)
    assert "Irrigants: one: now two" in text_of(room)
    stands = [row["stands"] for row in rows(as_record(room.state, HEAD), "conditions")]
    assert stands == [False, True]
    assert replay(room.events) == room.state


def test_who_was_present_stands_in_no_table() -> None:
    room = front_tooth()
    room.do(it.Note(condition=Condition.PRESENT, text="Dr Invented"))
    assert list(rows(as_record(room.state, HEAD), "conditions")) == []


@pytest.mark.parametrize(("length", "taken"), [(120, True), (121, False), (0, False)])
def test_a_condition_has_a_limit_of_length(length: int, taken: bool) -> None:
    room = front_tooth()
    room.do(it.Note(condition=Condition.NEEDLE, text="x" * length))
    assert bool(room.state.conditions) is taken


def test_what_is_missing_is_told_before_the_signature_and_holds_nothing_up() -> None:
    room = at_the_end()
    room.do(it.Note(condition=Condition.NEEDLE, text="27"))
    room.command("sign")
    told = next(prompt for prompt in room.prompts if prompt.text.startswith("Not told:"))
    assert "sealer lot" in told.text and "needle" not in told.text
    assert told.spoken == "ten materials not told."
    room.command("confirm")
    assert room.state.signed is not None
