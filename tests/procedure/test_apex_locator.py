"""The apex locator's reading beside the paper points, and canals odd for a tooth.

Limit of 0.5 mm between the two: common practice, see the protocols.
"""

from __future__ import annotations

import pytest
from room import WL, Room, front_tooth
from typical_case import HEAD, PROTOCOL, Driver

from assistant.errors import InputFileError
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.progress.state import CASE
from assistant.protocol.model import Protocol
from assistant.report.record import as_record
from assistant.report.rows import canal_rows
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of, load_language
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core

WORDS = load_language(data_folder("grammars") / "en")


def at_apex_locator() -> Room:
    """An upper incisor whose length and reference point are told; the canal is wet."""
    room = front_tooth()
    room.mm(WL)
    room.choose("incisal_edge")
    assert room.at[1] == "apex_locator"
    return room


def at_paper_points(answer: str | float) -> Room:
    """The apex locator told; the canal is dry, and the paper points are asked for."""
    room = at_apex_locator()
    room.choose(answer) if isinstance(answer, str) else room.mm(answer)
    room.say("size", 30)
    room.say("taper", 0.06)
    room.choose("no")
    room.mm(10.0)
    room.choose("yes")
    room.cone(WL)
    room.choose("yes", "accepted")
    room.mm(10.0, 13.0, WL - 5, WL - 5)
    room.choose("dry")
    assert room.at[1] == "paper_point"
    return room


def located(room: Room) -> list[it.Scalar]:
    return room.values("apex_locator_mm")


def read(room: Room) -> list[it.Scalar]:
    return room.values("paper_point_mm")


def test_it_is_asked_with_the_lengths_in_a_wet_canal() -> None:
    room = at_apex_locator()
    assert room.said.endswith("Wet canal. Apex locator, or no reading?")
    room.mm(21.5)
    assert "Apex locator 21.5." in room.said
    assert room.at[1] == "apical_size"


def test_an_implanted_device_is_told_of_before_it_is_used() -> None:
    room = Room()
    room.say("tooth", 11)
    room.say("canals", ("single",))
    room.choose("yes", "yes", "yes", "cardiac_device")
    room.mm(WL)
    room.choose("incisal_edge")
    assert "Cardiac device noted: only if it was cleared." in room.said


@pytest.mark.parametrize("value", [20.5, 21.0, 21.5])
def test_paper_points_within_half_a_millimetre_of_it_are_taken(value: float) -> None:
    room = at_paper_points(value)
    room.mm(21.0, 21.2, 21.0)
    assert located(room) == [value]
    assert room.at[1] == "final_length"
    assert not room.warned


@pytest.mark.parametrize("value", [20.4, 21.6])
def test_paper_points_further_from_it_are_questioned_once_they_are_all_there(
    value: float,
) -> None:
    room = at_paper_points(value)
    room.mm(21.0, 21.2)
    assert read(room) == [21.0, 21.2]  # the question waits for what they come to
    room.mm(21.0)
    assert room.said == (
        f"Apex locator {value:g}, paper points 21, 21.2, 21. 21? Say confirm, or no."
    )
    assert read(room) == [21.0, 21.2]
    room.command("confirm")
    assert read(room) == [21.0, 21.2, 21.0]
    assert list(room.on_record("paper_point_mm"))[-1].confirmed
    assert not room.warned  # what was confirmed is not said again
    assert room.at[1] == "final_length"


def test_no_drops_the_reading_and_another_is_asked_for() -> None:
    room = at_paper_points(21.6)
    room.mm(21.0, 21.2, 21.0)
    room.choose("no")
    assert read(room) == [21.0, 21.2]
    assert "Paper point?" in room.said
    room.mm(21.3)
    assert read(room) == [21.0, 21.2, 21.3]
    assert room.at[1] == "final_length"


def test_points_that_do_not_agree_are_compared_once_they_do() -> None:
    room = at_paper_points(22.5)
    room.mm(20.0, 21.0, 20.5)
    assert room.warned == ["readings-spread"]
    room.mm(20.9)
    assert room.said.startswith("Apex locator 22.5, paper points 21, 20.5, 20.9. 20.9? ")


def test_fewer_points_are_compared_where_no_more_can_be_read() -> None:
    room = at_paper_points(22.5)
    room.mm(21.0)
    room.choose("no_reading")
    assert room.said.startswith("Apex locator 22.5, paper points 21. ")
    room.command("confirm")
    assert room.at[1] == "final_length"


def test_no_reading_is_an_answer() -> None:
    room = at_apex_locator()
    room.choose("no_reading")
    assert located(room) == ["no_reading"]
    assert "Apex locator no reading." in room.said
    assert room.at[1] == "apical_size"


def test_without_it_there_is_nothing_to_compare() -> None:
    room = at_paper_points("no_reading")
    room.mm(19.0, 19.0, 19.0)
    assert read(room) == [19.0] * 3
    assert room.at[1] == "final_length"


def test_a_correction_of_it_after_the_points_is_judged_too() -> None:
    room = at_paper_points(21.0)
    room.mm(21.0, 21.2, 21.0)
    room.correct_named("apex_locator_mm", 21.3)
    assert "Corrected. Apex locator 21.3." in room.said
    room.correct_named("apex_locator_mm", 22.0)
    assert room.said.startswith("Apex locator 22, paper points 21, 21.2, 21. 22? ")
    assert located(room) == [21.3]
    room.command("confirm")
    assert located(room) == [22.0]
    assert room.at[1] == "final_length"


def test_a_corrected_paper_point_that_makes_them_differ_is_questioned() -> None:
    room = at_paper_points(21.6)
    room.mm(21.0, 21.4, 21.4)
    room.correct_named("paper_point_mm", 21.2)  # median 21.2: within the limit
    assert read(room) == [21.0, 21.4, 21.2]
    room.correct_named("paper_point_mm", 21.0)  # median 21.0: not
    assert room.said.startswith("Apex locator 21.6, paper points 21, 21.4, 21. 21? ")
    assert read(room) == [21.0, 21.4, 21.2]
    room.command("confirm")
    assert read(room) == [21.0, 21.4, 21.0]
    assert room.at[1] == "final_length"


def test_undo_asks_for_it_again() -> None:
    room = at_apex_locator()
    room.mm(21.0)
    room.command("undo")
    assert room.at[1] == "apex_locator"
    assert not located(room)


def test_the_cone_done_again_leaves_it() -> None:
    room = at_paper_points(21.0)
    room.do(it.Change(what="replaced"))
    room.command("confirm")
    assert located(room) == [21.0]


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("apex locator twenty one", 21.0),
        ("twenty one point two", 21.2),
        ("no reading", "no_reading"),
        ("apex locator no reading", "no_reading"),
    ],
)
def test_how_it_is_said(line: str, value: it.Scalar) -> None:
    room = at_apex_locator()
    room.do(understand_typed(line, grammar_of(WORDS, wanted_now(room.state))))
    assert located(room) == [value]


# -- the note and the protocol -------------------------------------------------


def drawn(answer: str | float) -> dict[str, str]:
    case = Driver().set_up(11, "single")
    case.mm(WL)
    case.choose("incisal_edge")
    case.choose(answer) if isinstance(answer, str) else case.mm(answer)
    return {row.label: row.text for row in canal_rows(case.state, "single")}


def test_the_note_tells_the_reading() -> None:
    assert drawn(21.2)["Apex locator"].startswith("21.2 mm")
    assert drawn("no_reading")["Apex locator"].startswith("no reading")


def old_protocol() -> dict[str, object]:
    """As a journal from before the step has it: no limit, no step, no rule."""
    plain = PROTOCOL.model_dump(mode="json")
    del plain["limits"]["apex_locator_agree_mm"]
    plain["canal"] = [s for s in plain["canal"] if s["id"] != "apex_locator"]
    points = next(s for s in plain["canal"] if s["id"] == "paper_point")
    points["options"] = []  # no more than the step had then
    plain["rules"] = [r for r in plain["rules"] if r["id"] != "lengths-disagree"]
    return plain


def test_a_case_from_before_the_step_is_still_read() -> None:
    case = Driver(protocol=Protocol.model_validate(old_protocol()))
    case.set_up(11, "single")
    lines = [ev.EVENTS.dump_json(one) for one in case.events]
    assert replay(ev.EVENTS.validate_json(line) for line in lines) == case.state
    assert all(row.label != "Apex locator" for row in canal_rows(case.state, "single"))
    assert "apex_locator_agree_mm" not in str(as_record(case.state, HEAD))


def test_a_rule_needs_its_limit(tmp_path_factory: pytest.TempPathFactory) -> None:
    text = (data_folder("protocols") / "warm-vertical.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if "apex_locator_agree_mm: {" not in line]
    path = tmp_path_factory.mktemp("practice") / "practice.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(
        InputFileError, match="'lengths-disagree' needs 'apex_locator_agree_mm'"
    ):
        load_yaml(path, Protocol)


# -- canals --------------------------------------------------------------------


def named(tooth: int, *canals: str) -> Room:
    room = Room()
    room.say("tooth", tooth)
    room.say("canals", canals)
    return room


@pytest.mark.parametrize(
    ("tooth", "canals"),
    [
        (11, ("single",)),
        (24, ("buccal", "palatal")),
        (24, ("palatal",)),  # the other may be filled already
        (16, ("palatal", "mesiobuccal", "second mesiobuccal", "distobuccal")),
        (41, ("lingual", "buccal")),
        (36, ("mesiobuccal", "middle mesial", "mesiolingual", "distal")),
    ],
)
def test_usual_canals_are_taken(tooth: int, canals: tuple[str, ...]) -> None:
    room = named(tooth, *canals)
    assert room.values("canals", CASE) == [canals]
    assert room.at == (CASE, "dam")


@pytest.mark.parametrize(
    ("tooth", "canals", "odd"),
    [
        (41, ("distobuccal",), "Distobuccal canal"),
        (11, ("buccal", "palatal", "distal"), "Buccal canal"),
        (31, ("single", "buccal", "lingual"), "Single and buccal and lingual together"),
        (36, ("mesial", "mesiobuccal", "distal"), "Mesial and mesiobuccal together"),
    ],
)
def test_odd_canals_are_questioned_first(tooth: int, canals: tuple[str, ...], odd: str) -> None:
    room = named(tooth, *canals)
    assert room.said == (
        f"{odd} is unusual for this tooth. {' and '.join(canals)}? Say confirm, or no."
    )
    assert not room.state.canals
    room.command("confirm")
    assert room.values("canals", CASE) == [canals]
    assert not room.warned


def test_an_odd_canal_can_be_said_and_is_not_bent_into_another() -> None:
    room = Room()
    room.say("tooth", 41)
    room.do(understand_typed("distobuccal", grammar_of(WORDS, wanted_now(room.state))))
    assert room.kinds == ["confirm_asked"]
    room.say("canals", ("single",))
    line = "correction mesial and distal"
    room.do(understand_typed(line, grammar_of(WORDS, wanted_now(room.state))))
    assert room.kinds == ["confirm_asked"]
    assert room.state.pending is not None
    assert room.state.pending.value == ("mesial", "distal")


def test_odd_canals_refused_are_not_on_record() -> None:
    room = named(41, "distobuccal")
    room.choose("no")
    assert not list(room.on_record("canals"))
    room.say("canals", ("single",))
    assert room.at == (CASE, "dam")


@pytest.mark.parametrize("canals", [("single",), ("buccal", "lingual")])
def test_a_correction_of_the_canals_is_judged_too(canals: tuple[str, ...]) -> None:
    room = named(41, *canals)
    room.correct("canals", ("mesial", "distal"))
    assert room.kinds == ["confirm_asked"]
    assert room.values("canals", CASE) == [canals]
