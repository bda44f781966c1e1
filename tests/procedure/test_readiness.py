"""What is asked of the patient before the work, and what is said where the dam is missing."""

from __future__ import annotations

import pytest
from room import WORDING, Room, at_press, premolar
from typed_case import TypedCase
from typical_case import HEAD, PROTOCOL

from assistant.case.prepared import parse_set_up
from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.fields import fill_if_known
from assistant.progress.state import CASE
from assistant.protocol.model import Protocol
from assistant.protocol.roles import Role
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of, load_language
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core


def at_readiness() -> Room:
    room = Room()
    room.say("tooth", 24)
    room.say("canals", ("buccal",))
    return room


def at_risks() -> Room:
    room = at_readiness()
    room.choose("yes", "yes", "yes")
    return room


def test_a_missing_dam_waits_for_an_answer_and_can_be_skipped_with_a_reason() -> None:
    room = at_readiness()
    room.choose("no")
    assert "the airway is open" in room.said
    assert WORDING.questions["warned_keep"] in room.said
    room.choose("yes")
    assert room.refused == "answer_warning_first"
    room.command("keep")
    assert room.at == (CASE, "dam")
    room.do(it.Skip(reason="crown margin too deep"))
    assert room.at == (CASE, "quiet_tooth")
    text = " ".join(as_text(note(room.state, HEAD)).split())
    assert "URGENT" in text and "Skipped: Rubber dam: crown margin too deep" in text


@pytest.mark.parametrize("answer", ["none_known", "no"])
def test_none_in_a_word(answer: str) -> None:
    room = at_risks()
    assert "cardiac device?" in room.said
    room.choose(answer)
    assert room.at == ("buccal", "working_length")
    assert not room.state.warnings


def test_yes_does_not_say_which() -> None:
    room = at_risks()
    room.choose("yes")
    assert room.refused == "not_an_option"


@pytest.mark.parametrize(
    ("answer", "rules"),
    [
        ("latex_allergy", ["allergy"]),
        ("cardiac_device", ["cardiac-device"]),
        ("allergy_and_device", ["allergy", "cardiac-device"]),
    ],
)
def test_what_there_is_is_cautioned_and_the_device_again_before_the_locator(
    answer: str, rules: list[str]
) -> None:
    room = at_risks()
    room.choose(answer)
    assert [w.rule for w in room.state.warnings] == rules
    (hint,) = PROTOCOL.by_id["apex_locator"].hints
    told = fill_if_known(hint, room.state, room.state.here)
    assert told.startswith("Cardiac device noted") is ("cardiac-device" in rules)


def test_it_can_be_prepared() -> None:
    text = "tooth: 24\ncase: {allergy_or_device: cardiac device}\ncanals: {buccal: {}}\n"
    room = Room()
    room.do(parse_set_up(text, PROTOCOL, "set-up").intent(PROTOCOL))
    room.choose("yes", "yes", "yes")
    assert room.at == ("buccal", "working_length")
    assert [w.rule for w in room.state.warnings] == ["cardiac-device"]


@pytest.mark.parametrize(
    ("said", "option", "rules"),
    [
        ("correction allergies latex and sealer", "latex_and_sealer", ["allergy"]),
        ("correction cardiac device pacemaker", "cardiac_device", ["cardiac-device"]),
        ("correction allergies none known", "none_known", []),
    ],
)
def test_it_is_corrected_by_its_name_in_any_canal(
    said: str, option: str, rules: list[str]
) -> None:
    room = at_risks()
    room.choose("sealer_allergy")
    assert room.at == ("buccal", "working_length")
    room.mm(21.0)
    words = load_language(data_folder("grammars") / "en")
    room.do(understand_typed(said, grammar_of(words, wanted_now(room.state))))
    told = room.state.newest(CASE, Role.PATIENT_RISKS)
    assert told is not None
    assert told.value == option
    assert told.correction
    assert room.warned == rules
    assert room.at == ("buccal", "reference_point")


@pytest.mark.parametrize(
    ("said", "quantity", "rules"),
    [
        ("correction quiet tooth no", "tooth_quiet", ["not-ready"]),
        ("correction radiograph available no", "radiograph_available", ["not-ready"]),
    ],
)
def test_what_is_not_ready_after_all_is_cautioned_and_the_work_goes_on(
    said: str, quantity: str, rules: list[str]
) -> None:
    room = in_the_palatal_canal()
    spoken(room, said)
    assert room.values(quantity, CASE) == ["no"]
    assert room.warned == rules
    assert room.at == ("palatal", "reference_point")
    spoken(room, said.removesuffix("no") + "yes")
    assert room.values(quantity, CASE) == ["yes"]
    assert room.at == ("palatal", "reference_point")


@pytest.mark.parametrize("answer", ["keep it", "correction rubber dam yes", "undo that"])
def test_no_dam_after_all_waits_for_its_answer_and_the_canal_at_work_goes_on(
    answer: str,
) -> None:
    room = in_the_palatal_canal()
    spoken(room, "correction rubber dam no")
    assert room.warned == ["no-dam"]
    assert room.open() == ["no-dam"]
    assert room.at[0] == CASE
    spoken(room, answer)
    assert not room.open()
    kept = answer == "keep it"
    assert room.values("rubber_dam", CASE) == ["no" if kept else "yes"]
    assert room.at == ("palatal", "reference_point")


def test_while_a_press_runs_nothing_moves_and_it_is_answered_before_the_signature() -> None:
    room = at_press()
    room.command("start")
    spoken(room, "correction rubber dam no")
    assert room.warned == ["no-dam"]
    assert room.at == ("single", "press")
    room.wait_out()
    room.mm(13.5, 13.5)
    assert room.at == ("single", "heat")
    assert room.open() == ["no-dam"]


@pytest.mark.parametrize("protocol", ["to-post-level", "cold-lateral"])
@pytest.mark.parametrize("called", ["ready", "all ready"])
def test_where_readiness_is_one_question_it_is_corrected_by_its_name(
    protocol: str, called: str
) -> None:
    words = load_language(data_folder("grammars") / "en")
    case = TypedCase(load_yaml(protocol_path(protocol), Protocol), words, WORDING)
    case.type(["tooth 11", "single", "yes", "none", "22.5"])
    at = case.state.here.step

    def ready() -> list[it.Scalar]:
        return [e.value for e in case.state.in_sequence(CASE) if e.quantity == "ready"]

    case.type([f"correction {called} no"])
    assert ready() == ["no"]
    assert [w.rule for w in case.state.warnings] == ["not-ready"]
    assert (case.state.active, case.state.here.step) == ("single", at)
    case.type([f"correction {called} was yes"])
    assert ready() == ["yes"]
    assert (case.state.active, case.state.here.step) == ("single", at)


def in_the_palatal_canal() -> Room:
    room = premolar()
    room.switch("palatal")
    room.mm(21.0)
    return room


def spoken(room: Room, line: str) -> None:
    words = load_language(data_folder("grammars") / "en")
    room.do(understand_typed(line, grammar_of(words, wanted_now(room.state))))


def test_without_its_name_a_correction_reaches_nothing_of_the_patient() -> None:
    room = at_risks()
    room.choose("none_known")
    room.do(it.Correction(kind="option", value="latex_allergy"))
    assert room.refused == "nothing_to_correct"
