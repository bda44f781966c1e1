"""What nobody asks is told by its name: at any step outside the rounds, by the same road."""

from __future__ import annotations

import pytest
from room import Room, at_heat, front_tooth
from typical_case import PROTOCOL

from assistant.files.shipped import data_folder
from assistant.procedure.reach import unasked
from assistant.progress import heat_reckoning, reckoning
from assistant.progress import intents as it
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of, load_language
from assistant.words.understand import understand_typed

WORDS = load_language(data_folder("grammars") / "en")


def say(room: Room, line: str) -> None:
    room.do(understand_typed(line, grammar_of(WORDS, wanted_now(room.state))))


def at_level() -> Room:
    """Asked for the coronal level, a length from 0 on."""
    room = front_tooth()
    for line in ("22", "incisal edge", "no reading", "size 40", "taper oh six", "no"):
        say(room, line)
    assert room.at == ("single", "coronal_level")
    return room


@pytest.mark.parametrize(
    ("line", "quantity", "value", "read_back"),
    [
        ("root wall one point two millimetres", "root_wall_mm", 1.2, "Root wall 1.2."),
        ("curve from twelve", "curve_begins_mm", 12.0, "Curve from 12."),
        ("curve radius is eight and a half", "curve_radius_mm", 8.5, "Curve radius 8.5."),
        ("apical part four", "apical_part_mm", 4.0, "Apical part 4."),
        ("apical taper oh eight", "apical_taper", 0.08, "Apical taper .08."),
        ("apical taper point one oh", "apical_taper", 0.10, "Apical taper .10."),
    ],
)
def test_each_is_stored_and_read_back_and_the_step_stays(
    line: str, quantity: str, value: float, read_back: str
) -> None:
    room = at_level()
    say(room, line)
    assert room.values(quantity) == [value]
    assert room.said.startswith(read_back)
    assert room.at == ("single", "coronal_level") and not room.state.here.answered


def test_at_every_step_outside_the_rounds_and_in_none_of_them() -> None:
    room = front_tooth()
    assert unasked(room.state) == tuple(step for step in PROTOCOL.canal if step.told)
    say(room, "root wall one")  # where a length from 8 on is asked
    room.canal_to_pluggers(21.0)
    assert room.at[1] == "dry"
    say(room, "curve from eleven")  # where a choice is asked
    assert room.values("root_wall_mm") == [1.0] and room.values("curve_begins_mm") == [11.0]
    heat = at_heat()
    assert unasked(heat.state) == ()
    heat.do(it.Given(kind="mm", value=1.0, quantity="root_wall_mm"))
    assert heat.refused == "not_this_step"
    case = Room()
    assert unasked(case.state) == ()


def test_said_again_it_replaces_and_a_correction_and_an_undo_find_it() -> None:
    room = at_level()
    say(room, "root wall one")
    say(room, "root wall two")
    assert room.values("root_wall_mm") == [2.0]
    say(room, "correction root wall one point five")
    assert room.values("root_wall_mm") == [1.5]
    say(room, "undo that")
    assert room.values("root_wall_mm") == [2.0]
    assert room.at == ("single", "coronal_level")


@pytest.mark.parametrize(
    ("wall", "taken"), [(0.2, False), (0.3, True), (5.0, True), (5.1, False)]
)
def test_what_cannot_be_is_refused(wall: float, taken: bool) -> None:
    room = at_level()
    room.do(it.Given(kind="mm", value=wall, quantity="root_wall_mm"))
    assert (room.values("root_wall_mm") == [wall]) is taken
    assert (room.refused is None) is taken


def test_a_bare_number_answers_the_step_and_one_in_doubt_is_asked_about() -> None:
    room = at_level()
    say(room, "ten")
    assert room.values("coronal_level_mm") == [10.0] and not room.values("root_wall_mm")
    doubted = it.Heard(text="root wall one", confidence=0.4, doubt="Not heard clearly.")
    room.do(it.Given(kind="mm", value=1.0, quantity="root_wall_mm", heard=doubted))
    assert not room.values("root_wall_mm")
    assert unasked(room.state) == ()  # one question at a time
    room.command("confirm")
    assert room.values("root_wall_mm") == [1.0]


def test_the_case_is_reckoned_with_what_was_told() -> None:
    def heated(*told: str) -> Room:
        room = at_level()
        for line in told:
            say(room, line)
        room.mm(10.0)
        room.choose("yes")
        room.cone(22.0)
        room.choose("yes", "accepted")
        room.mm(10.0, 13.0, 17.0, 17.0)
        room.canal_to_sear(22.0)
        room.heat(3.0)
        room.press()
        room.mm(13.5, 13.5)
        return room

    thin, usual = (
        heated("root wall zero point five", "curve from twelve", "curve radius 8"),
        heated(),
    )
    rises = [heat_reckoning.heat(one.state, "single") for one in (thin, usual)]
    assert rises[0] is not None and rises[1] is not None
    assert rises[0].surface_rise_c.high > rises[1].surface_rise_c.high
    shape = reckoning.shape(thin.state, "single")
    assert shape is not None
    assert (shape.curve_begins_mm, shape.curve_radius_mm) == (12.0, 8.0)
