"""What a paper point answers beside a length: dry to its end, no reading at all."""

from __future__ import annotations

import pytest
from room import WL, Room, front_tooth

from assistant.files.shipped import data_folder
from assistant.progress import facts
from assistant.progress import intents as it
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of, load_language
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core

WORDS = load_language(data_folder("grammars") / "en")


def at_paper_point(locator: float = WL) -> Room:
    room = front_tooth()
    room.canal_to_pluggers(WL)
    if locator != WL:
        room.correct_named("apex_locator_mm", locator)
    room.choose("dry")
    assert room.at[1] == "paper_point"
    return room


def test_a_point_dry_to_its_end_is_no_length_and_the_next_is_asked_for() -> None:
    room = at_paper_point()
    room.mm(WL)
    room.choose("dry_to_end")
    assert room.warned == ["dry-to-its-end"]
    assert room.at[1] == "paper_point"
    room.mm(WL)
    assert room.at[1] == "paper_point"
    assert facts.readings_mm(room.state, "single") == (WL, WL)
    room.mm(WL)
    assert room.at[1] != "paper_point"
    assert facts.suggestion(room.state, "single", "final_length") == WL


def test_no_reading_at_all_leads_on_and_the_other_reading_is_suggested() -> None:
    room = at_paper_point(WL + 0.5)
    room.choose("no_reading")
    assert room.warned == ["no-point-read"]
    assert room.at[1] == "final_length"
    assert room.said.endswith(f"Final length {WL + 0.5:g}: confirm?")
    room.command("confirm")
    assert facts.wl_mm(room.state, "single") == WL + 0.5


def test_without_any_reading_the_length_is_to_be_said() -> None:
    room = at_paper_point()
    entry = next(room.on_record("apex_locator_mm"))
    told = it.Correction(kind="option", value="no_reading", quantity=entry.quantity)
    room.do(told)
    room.choose("no_reading")
    assert room.at[1] == "final_length"
    room.command("confirm")
    assert room.refused == "nothing_to_confirm"
    room.mm(WL)
    assert facts.wl_mm(room.state, "single") == WL


def test_fewer_readings_than_wanted_count_where_no_more_can_be_had() -> None:
    room = at_paper_point()
    room.mm(WL, WL + 0.2)
    room.choose("no_reading")
    assert room.at[1] == "final_length"
    assert facts.suggestion(room.state, "single", "final_length") == WL + 0.1


@pytest.mark.parametrize(
    ("line", "option"),
    [
        ("dry to its end", "dry_to_end"),
        ("point is dry to its end", "dry_to_end"),
        ("no reading", "no_reading"),
        ("paper point no reading", "no_reading"),
        ("no reading at all", "no_reading"),
    ],
)
def test_how_it_is_said(line: str, option: str) -> None:
    room = at_paper_point()
    meant = understand_typed(line, grammar_of(WORDS, wanted_now(room.state)))
    assert isinstance(meant, it.Chosen)
    assert meant.option == option


def test_patency_is_told_with_its_file_at_any_step() -> None:
    room = at_paper_point()
    room.do(understand_typed("patency confirmed", grammar_of(WORDS, wanted_now(room.state))))
    assert "With which file?" in room.said
    room.do(understand_typed("size ten", grammar_of(WORDS, wanted_now(room.state))))
    assert [e.value for e in room.on_record("patency_size")] == [10]
    assert room.at[1] == "paper_point"
    assert not room.state.aside
