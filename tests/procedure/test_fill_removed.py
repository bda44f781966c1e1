"""A fill taken out to a level: what stands, where the canal goes on, and what is refused."""

from __future__ import annotations

import pytest
from room import WL, Room, at_backfill, at_heat, with_post
from typical_case import HEAD

from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.facts import cycle_top_mm, fill_top_mm
from assistant.protocol.model import Protocol
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of, load_language
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core

WORDS = load_language(data_folder("grammars") / "en")


def say(room: Room, *lines: str) -> None:
    for line in lines:
        room.do(understand_typed(line, grammar_of(WORDS, wanted_now(room.state))))


def filled() -> Room:
    """Downpacked to its limit of 16, two increments: the fill is at 10.5."""
    room = at_backfill()
    for length in (2.5, 3.0):
        room.press()
        room.mm(length)
    assert top(room) == 10.5
    return room


def top(room: Room) -> float | None:
    return fill_top_mm(room.state, "single")


@pytest.mark.parametrize(
    "line",
    ["fill removed to twelve", "fill removed to 12 millimetres", "fill removed to twelve mil"],
)
def test_the_level_stands_and_the_backfill_goes_on_from_it(line: str) -> None:
    room = filled()
    say(room, line)
    assert room.said == (
        "Single: the fill is removed to 12. What was there stays on record. Say confirm, or no."
    )
    assert top(room) == 10.5
    room.command("confirm")
    assert top(room) == 12.0
    assert room.at == ("single", "increment_press")
    assert room.state.here.round("increment") == 1
    assert "Fill at 12. Increment 1" in room.said
    assert room.values("increment_mm") == []
    room.press()
    room.mm(2.0)
    assert top(room) == 10.0
    text = " ".join(as_text(note(room.state, HEAD)).split())
    assert "fill removed to 12 mm. Before that" in text
    assert "Filling removed to: 12 mm" in text


@pytest.mark.parametrize(("level", "seal_warned"), [(16.0, False), (16.1, True)])
def test_the_seal_that_is_left_is_judged_at_its_limit(level: float, seal_warned: bool) -> None:
    room = filled()
    say(room, f"fill removed to {level}")
    room.command("confirm")
    assert room.warned == (["seal-short"] if seal_warned else [])
    room.command("keep")
    assert room.at == ("single", "increment_press")
    # A length that is corrected judges it again.
    room.correct_named("final_working_length_mm", WL - 0.1)
    assert "seal-short" in room.warned


def test_short_of_its_limit_the_downpack_goes_on_from_the_level() -> None:
    room = at_heat()
    room.heat(3.0)
    room.press()
    room.mm(13.5, 13.0)
    say(room, "fill removed to 14")
    room.command("confirm")
    assert room.at == ("single", "heat")
    assert room.state.here.round("cycle") == 2
    assert cycle_top_mm(room.state, "single", 1) == 10.0
    assert cycle_top_mm(room.state, "single", 2) == 14.0
    room.heat(3.0)
    room.press()
    room.mm(14.0)
    assert room.said.startswith("The fill is at 14.")
    room.command("confirm")
    room.mm(16.0)
    assert cycle_top_mm(room.state, "single", 3) == 16.0


@pytest.mark.parametrize(("level", "step"), [(15.4, "heat"), (15.5, "increment_press")])
def test_at_its_limit_less_what_is_read_off_the_downpack_is_done(
    level: float, step: str
) -> None:
    room = at_heat()
    room.heat(3.0)
    room.press()
    room.mm(13.5, 13.0)
    say(room, f"fill removed to {level}")
    room.command("confirm")
    assert room.at == ("single", step)


def test_with_a_post_it_is_decided_anew() -> None:
    room = with_post()
    room.choose("finish_at_post_level")
    room.mm(16.0)
    say(room, "fill removed to 17")
    room.command("confirm", "keep")
    assert room.at == ("single", "post_stop")


@pytest.mark.parametrize("level", [10.5, 9.0, 21.0, 30.0])
def test_what_is_not_within_the_fill_is_refused_with_the_reason(level: float) -> None:
    room = filled()
    say(room, f"fill removed to {level}")
    assert room.refused == "removed_where"
    assert top(room) == 10.5


def test_before_there_is_a_fill_there_is_nothing_to_remove() -> None:
    room = at_heat()
    room.command("undo")
    say(room, "fill removed to 12")
    assert room.refused == "not_done_yet"


def test_a_second_level_takes_the_place_of_the_first_and_a_correction_puts_it_right() -> None:
    room = filled()
    say(room, "fill removed to 12")
    room.command("confirm")
    room.press()
    room.mm(1.0)
    say(room, "fill removed to 13")
    room.command("confirm")
    assert room.values("removed_to_mm") == [13.0]
    assert top(room) == 13.0
    say(room, "undo that")
    assert room.refused == "nothing_to_undo"
    say(room, "correction 12.5")
    assert top(room) == 12.5


def test_without_a_level_all_of_it_is_out_and_the_level_with_it() -> None:
    room = filled()
    say(room, "fill removed to 12")
    room.command("confirm")
    say(room, "fill removed")
    room.command("confirm")
    assert room.at == ("single", "cone_size")
    assert top(room) is None


def test_nobody_is_asked_for_it_nor_tells_it_as_a_value() -> None:
    room = at_heat()
    room.command("undo")
    assert room.at == ("single", "sear")
    room.do(it.Given(kind="mm", value=12.0, quantity="removed_to_mm"))
    assert room.refused == "not_this_step"


def test_a_technique_without_a_level_says_so() -> None:
    protocol = load_yaml(protocol_path("cold-lateral"), Protocol)
    assert all(step.role != "removed_to" for step in protocol.canal)
