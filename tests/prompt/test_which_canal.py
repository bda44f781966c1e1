"""Always certain which canal: a change is spoken first, read-backs name it, doubt asks."""

from __future__ import annotations

import pytest
from room import WORDING
from typical_case import Driver

from assistant.progress import intents as it
from assistant.prompt.wording import respond
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.recognised import Recognised
from assistant.words.understand import understand

WORDS = assembly.language()
TRUST = assembly.TRUST["own"]


def molar() -> Driver:
    case = Driver(read_out=False)
    return case.set_up(16, "mesiobuccal", "distobuccal", "palatal")


def said_after(case: Driver, intent: it.AnyIntent) -> list[str]:
    before = len(case.events)
    case.do(intent)
    return [prompt.text for prompt in respond(case.events[before:], case.state, WORDING)]


def mm(value: float) -> it.Given:
    return it.Given(kind="mm", value=value, heard=it.Heard(text=f"{value}"))


def test_a_change_of_canal_is_spoken_before_what_is_asked_there() -> None:
    said = said_after(molar(), it.SwitchCanal(canal="palatal"))
    assert said == ["Palatal.", "Provisional working length?"]


def test_the_canal_that_the_program_goes_to_is_spoken_too() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    for length in (2.5, 3.0):
        case.press()
        case.mm(length)
    said = said_after(case, it.Chosen(option="yes"))
    assert said == [
        "Buccal finished.",
        "Palatal.",
        "Buccal: yes.",
        "Length?",
    ]


def test_a_warning_that_waits_in_the_canal_comes_after_its_name() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.correct("mm", 17.0, "apical_plugger_mm")
    case.do(it.SwitchCanal(canal="palatal"))
    said = said_after(case, it.SwitchCanal(canal="buccal"))
    assert said[:2] == ["Buccal.", "Depth check: limit 16, heard 17."]


def test_read_backs_name_the_canal_once_two_are_begun() -> None:
    case = molar()
    assert "Length 21." in said_after(case, mm(21.0))
    case.do(it.SwitchCanal(canal="palatal"))
    assert "Palatal: length 22." in said_after(case, mm(22.0))
    case.do(it.SwitchCanal(canal="mesiobuccal"))
    again = it.Correction(kind="mm", value=20.5, heard=it.Heard(text="correction"))
    assert "Corrected. Mesiobuccal: length 20.5." in said_after(case, again)


@pytest.mark.parametrize("sure", [0.94, 0.95])
def test_a_canal_nearly_heard_as_another_is_asked_about(sure: float) -> None:
    grammar = grammar_of(WORDS, wanted_now(molar().state))
    heard = Recognised("canal mesiobuccal", sure, alternatives=("canal distobuccal",))
    meant = understand(heard, grammar, TRUST)
    if sure >= TRUST.accept:
        assert isinstance(meant, it.SwitchCanal)
        assert meant.canal == "mesiobuccal"
    else:
        assert isinstance(meant, it.Unclear)
        assert meant.readings == ("canal mesiobuccal", "canal distobuccal")
    alone = understand(Recognised("canal palatal", 0.9), grammar, TRUST)
    assert isinstance(alone, it.SwitchCanal)


def finished_canal() -> Driver:
    """The buccal canal ends at 16.0 under a post; the palatal one is next, with no entry."""
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0, post="yes")
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    case.choose("finish_at_post_level")
    case.mm(16.0)
    assert case.state.active == "palatal"
    return case


def correction(value: float) -> it.Correction:
    return it.Correction(kind="mm", value=value, heard=it.Heard(text="correction"))


def test_a_correction_right_after_a_canal_is_finished_finds_its_value() -> None:
    case = finished_canal()
    assert "mm" in wanted_now(case.state).corrections
    said = said_after(case, correction(16.1))  # a seal of 5 mm
    assert "Corrected. Buccal: post level 16.1." in said
    assert case.state.active == "palatal"


def test_a_warning_of_such_a_correction_is_answered_in_its_canal() -> None:
    case = finished_canal()
    said = said_after(case, correction(17.5))
    assert said[0] == "Buccal."
    assert case.state.open_warnings("buccal")
    assert case.state.active == "buccal"


def test_where_values_of_two_canals_fit_the_correction_is_asked_about() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.do(it.SwitchCanal(canal="palatal"))
    case.mm(20.5)
    case.do(it.SwitchCanal(canal="buccal"))
    case.canal_to_pluggers(21.0, post="yes")
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    case.choose("finish_at_post_level")
    case.mm(16.0)
    said = said_after(case, correction(20.0))
    assert said == ["Palatal, Provisional working length. 20? Say confirm, or no."]
    case.do(it.SwitchCanal(canal="buccal"))
    assert "Corrected. Post level 16.5." in said_after(case, correction(16.5))


def test_undo_says_what_goes_and_what_stands_again() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.mm(21.0)
    case.correct("mm", 20.5)
    undo = it.Command(verb="undo", heard=it.Heard(text="undo that"))
    assert "Taken back: Length 20.5. Now: Length 21." in said_after(case, undo)


def test_undo_right_after_a_canal_is_finished_takes_its_last_value() -> None:
    case = finished_canal()
    undo = it.Command(verb="undo", heard=it.Heard(text="undo that"))
    said = said_after(case, undo)
    assert said[:2] == ["Buccal.", "Taken back: Post level 16."]
    assert (case.state.active, case.state.here.step) == ("buccal", "post_level")
