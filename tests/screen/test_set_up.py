"""The set-up form of the page: checked as a set-up file is, told to the case once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from typical_case import PROTOCOL, Driver

from assistant.case.casefile import CaseFile
from assistant.case.prepared import parse_set_up
from assistant.clock import SampleClock
from assistant.progress import intents as it
from assistant.progress.state import CASE
from assistant.prompt.set_up import read_back
from assistant.screen.messages import MESSAGE_BYTES, MESSAGES, FilledIn
from assistant.screen.set_up import Checked, check, form
from assistant.screen.view import Seen, view
from assistant.screen.web import WebScreen
from assistant.sitting import assembly
from assistant.sound.player import SilentPlayer
from assistant.words.sayings import load_wording

LANGUAGE = assembly.language()
WORDS = load_wording(LANGUAGE.folder, LANGUAGE.phrases)

FILLED: dict[str, Any] = {
    "tooth": 24,
    "case": {"allergy_or_device": "none_known"},
    "every_canal": {
        "apex_locator_mm": "no_reading",
        "apical_size": 35,
        "taper": 0.06,
        "post_planned": "no",
        "coronal_level_mm": 10,
    },
    "canals": {
        "buccal": {"working_length_mm": 21, "reference_point": "cusp_tip", "apical_size": 30},
        "palatal": {
            "working_length_mm": 20.5,
            "reference_point": "cusp_tip",
            "apical_size": 35,
        },
    },
    "sealer": "invented sealer",
    "heat_setting": "200 C",
}


def changed(field: str, value: object) -> dict[str, Any]:
    filled: dict[str, Any] = json.loads(json.dumps(FILLED))
    *parts, name = field.split(".")
    at = filled
    for part in parts:
        at = at[part]
    at[name] = value
    return filled


def new() -> Driver:
    return Driver(read_out=False)


def test_what_is_filled_in_is_what_a_file_would_tell_and_read_back_alike() -> None:
    answer, told = check(FILLED, new().state, WORDS)
    same = parse_set_up(json.dumps(FILLED), PROTOCOL, "set-up")
    assert told == same.intent(PROTOCOL)
    assert list(answer.lines) == read_back(same, PROTOCOL, None, WORDS)
    assert answer.lines[1].startswith(
        "Buccal: Length 21. Reference cusp tip. Apex locator no reading."
    )
    assert (answer.field, answer.problem, answer.taken) == ("", "", False)


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("tooth", 19, "19 is no answer to: Tooth"),
        ("tooth", "x", "Input should be a valid integer"),
        ("canals.buccal.working_length_mm", 35.1, "35.1 is outside 8 to 35"),
        ("canals.buccal.working_length_mm", 7.9, "7.9 is outside 8 to 35"),
        ("canals.buccal.apical_size", 33, "33 is no answer to"),
        ("canals.palatal.reference_point", "nose", "nose is no answer to"),
        ("every_canal.taper", 6, "6 is no answer to"),
        ("every_canal.taper", float("nan"), "That number is no answer to"),
        ("every_canal.colour", "red", "cannot be prepared"),
        ("canals.third", {}, "no canal is called so"),
        ("canals", {}, "Dictionary should have at least 1 item"),
        ("case.allergy_or_device", "bees", "bees is no answer to"),
        ("sealer", "", "String should have at least 1 character"),
        ("pluggers", "example", "The set of pluggers is given when the program is begun"),
    ],
)
def test_a_value_that_cannot_be_is_told_at_its_field(
    field: str, value: object, said: str
) -> None:
    answer, told = check(changed(field, value), new().state, WORDS)
    assert told is None
    assert answer.field.startswith(field)
    assert answer.problem.startswith(said)
    assert answer.problem.count(". ") == 0 and answer.problem.endswith(".")


@pytest.mark.parametrize("length", [8, 35])
def test_a_length_at_the_end_of_its_range_is_taken(length: float) -> None:
    answer, told = check(changed("canals.buccal.working_length_mm", length), new().state, WORDS)
    assert told is not None
    # What rules say of it is told beforehand, as `prepare` does.
    assert f"{length:g} is unusual for this tooth." in " ".join(answer.lines)


def test_the_form_is_there_until_the_case_has_begun() -> None:
    case = new()
    shown = form(case.state)
    assert shown is not None
    assert shown == view(Seen(state=case.state), WORDS, case.now()).form
    fields = {field.name for field in (*shown.case, *shown.canal, *shown.texts)}
    wanted = {"working_length_mm", "reference_point", "apical_size", "taper"}
    assert fields >= wanted | {"sealer", "heat_setting", "allergy_or_device"}
    _, told = check(FILLED, case.state, WORDS)
    assert told is not None
    case.do(told)
    assert form(case.state) is None
    answer, told = check(FILLED, case.state, WORDS)
    assert (answer.problem, told) == (WORDS.refusals["begun_already"], None)
    spoken = new()
    spoken.say("tooth", 24)
    assert form(spoken.state) is None


def test_only_a_form_that_fits_and_is_to_begin_reaches_the_session() -> None:
    screen = WebScreen("127.0.0.1", 0, SampleClock(new().now().wall), LANGUAGE, print)
    screen.show_step(new().state)
    asks = [(FILLED, False), (changed("tooth", 19), True), (FILLED, True)]
    answers = [
        Checked.model_validate_json(
            screen._filled_in(FilledIn(kind="set_up", set_up=told, begin=begin))
        )
        for told, begin in asks
    ]
    assert [one.taken for one in answers] == [False, False, True]
    assert isinstance(screen._typed.get_nowait(), it.Prepare)
    assert screen._typed.empty()


def test_a_session_takes_it_and_does_not_ask_again(tmp_path: Path) -> None:
    clock = SampleClock(new().now().wall)
    case = CaseFile.create(
        tmp_path / "case", PROTOCOL, clock.now(), case_code="D-1", operator="Operator A"
    )
    sitting = assembly.session(case, clock, SilentPlayer(), print, LANGUAGE, None, [])
    sitting.greet()
    _, told = check(FILLED, case.state, WORDS)
    assert told is not None
    for line in (told, "all yes", "shaped", None):
        sitting.typed.put(line)
    sitting.run(None)
    state = case.state
    assert [entry.value for entry in state.standing(CASE)][:2] == [24, ("buccal", "palatal")]
    assert state.here.step == "cone_size"
    assert [e.heard.channel for e in state.standing("buccal")].count("prepared") == 7
    case.close()


def test_its_message_is_one_of_the_closed_set_and_fits_into_one() -> None:
    whole = json.dumps({"kind": "set_up", "set_up": FILLED, "begin": True})
    assert isinstance(MESSAGES.validate_json(whole), FilledIn)
    assert len(whole) < MESSAGE_BYTES
    bad: tuple[dict[str, Any], ...] = ({"begin": 1}, {"set_up": []}, {"more": ""})
    for one in (*bad, {"set_up": {"a": "\ud800"}}):
        whole = json.dumps({"kind": "set_up", "set_up": {}, "begin": True} | one)
        with pytest.raises(ValidationError):
            MESSAGES.validate_json(whole)
