"""What is said: numbers as words, the count of a timer, answers to questions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import ceil
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typical_case import PROTOCOL, Driver, two_canals

from assistant.files.shipped import data_folder
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CASE, Timer
from assistant.prompt import answers
from assistant.prompt.countdown import cues
from assistant.prompt.prompts import Urgency
from assistant.prompt.wording import respond
from assistant.protocol.moment import Moment
from assistant.words.expected import wanted_now
from assistant.words.grammar import Wanted, grammar_of, load_language
from assistant.words.numbers import number_words
from assistant.words.phrases import plain_phrase
from assistant.words.sayable import sayable
from assistant.words.sayings import load_wording, said_value, spoken
from assistant.words.understand import understand_typed

pytestmark = pytest.mark.core

WORDING = load_wording(data_folder("grammars") / "en")
START = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)


# -- numbers ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Plugger 16.", "Plugger sixteen."),
        ("Plugger 16.5.", "Plugger sixteen point five."),
        ("Depth check: limit 16, heard 17.", "Depth check: limit sixteen, heard seventeen."),
        ("Taper .06.", "Taper point zero six."),
        ("New tip 0.33 millimetres.", "New tip zero point three three millimetres."),
        (
            "Readings 21, 21.2, 20.9.",
            "Readings twenty one, twenty one point two, twenty point nine.",
        ),
        ("Tooth 24, upper left first premolar.", "Tooth two four, upper left first premolar."),
        (
            "Tooth 11, upper right central incisor.",
            "Tooth one one, upper right central incisor.",
        ),
        ("Size 30.", "Size thirty."),
        ("Cut back 0.", "Cut back zero."),
        ("Increment 3: how many?", "Increment three: how many?"),
        ("No number here.", "No number here."),
        ("Version 1.2.3 of file4.", "Version 1.2.3 of file4."),
        ("5", "five"),
    ],
)
def test_numbers_are_said_as_words(text: str, said: str) -> None:
    assert spoken(text, "en") == said


@given(st.integers(0, 350))
def test_every_length_is_said_as_the_grammar_hears_it(tenths: int) -> None:
    value = tenths / 10
    text = spoken(f"Plugger {value:g}.", "en")
    assert text == f"Plugger {number_words(value if tenths % 10 else tenths // 10, 'en')}."
    assert not any(character.isdigit() for character in text)


@given(st.text(max_size=60))
def test_anything_can_be_said(text: str) -> None:
    assert isinstance(spoken(text, "en"), str)


@pytest.mark.parametrize("digits", [7, 400])
def test_a_very_long_number_does_not_break_the_voice(digits: int) -> None:
    assert spoken("Disk error " + "9" * digits + ".", "en").startswith("Disk error ")


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        ("tooth", 24, "24, upper left first premolar"),
        ("taper", 0.06, ".06"),
        ("taper", 0.1, ".10"),
        ("size", 30, "30"),
        ("mm", 16.0, "16"),
        ("mm", 16.5, "16.5"),
        ("canals", ("buccal", "palatal"), "buccal and palatal"),
        (None, "buccal_cusp", "buccal cusp"),
    ],
)
def test_values_in_words(kind: str | None, value: it.Scalar, text: str) -> None:
    assert said_value(kind, value) == text


# -- the count of a timer -----------------------------------------------------


def at(mono_s: float) -> Moment:
    return Moment(wall=START + timedelta(seconds=mono_s), mono_s=mono_s)


def counted(mode: str, target_s: float, *ticks_s: float) -> list[tuple[float, str]]:
    """(when, number) of every cue while the clock goes through ``ticks_s``."""
    timer = Timer.model_validate(
        {"track": "single", "step": "press", "mode": mode, "started": at(100.0)}
        | {"target_s": target_s}
    )
    found = []
    since = at(99.9)
    for tick_s in ticks_s:
        found += [(tick_s, cue.text) for cue in cues(timer, since, at(100.0 + tick_s))]
        since = at(100.0 + tick_s)
    return found


FRAMES = [round(0.03 * n, 2) for n in range(400)]


def test_a_hold_counts_down_to_one_a_second_apart() -> None:
    said = counted("hold", 5.0, *FRAMES)
    assert [number for _, number in said] == ["5", "4", "3", "2", "1"]
    for second, (when, _) in enumerate(said):
        assert second <= when < second + 0.03


def test_heat_counts_up_to_its_limit() -> None:
    assert [number for _, number in counted("until_off", 4.0, *FRAMES)] == ["1", "2", "3"]


def test_nothing_is_counted_twice_or_left_out_when_frames_come_late() -> None:
    said = counted("hold", 5.0, 0.0, 0.9, 2.4, 2.4, 3.9, 7.0)
    assert [number for _, number in said] == ["5", "4", "3", "2", "1"]


def test_nothing_is_counted_when_the_clock_goes_back() -> None:
    assert counted("hold", 5.0, -50.0) == []


@given(
    mode=st.sampled_from(["hold", "until_off"]),
    target_s=st.floats(0.1, 30),
    ticks=st.lists(st.floats(0, 5), max_size=20),
)
def test_the_count_is_steady(mode: str, target_s: float, ticks: list[float]) -> None:
    elapsed, times = 0.0, []
    for tick in ticks:
        elapsed += tick
        times.append(elapsed)
    numbers = [int(number) for _, number in counted(mode, target_s, *times)]
    step = -1 if mode == "hold" else 1
    assert all(b - a == step for a, b in pairwise(numbers))
    assert all(1 <= number <= target_s + 1 for number in numbers)


# -- the last entry, told later ------------------------------------------------


def premolar() -> Driver:
    return Driver(read_out=False).set_up(24, "buccal", "palatal")


def seated() -> Driver:
    case = premolar()
    case.canal_to_pluggers(21.0)
    case.choose("dry")
    case.mm(21.0, 21.2, 21.1, 21.0)
    case.command("confirm", "confirm")
    case.choose("yes", "yes")
    case.command("next")
    return case


def switched() -> Driver:
    case = premolar()
    case.mm(21.0)
    case.do(it.SwitchCanal(canal="palatal"))
    return case


def corrected() -> Driver:
    case = premolar()
    case.mm(21.0)
    case.choose("buccal_cusp")
    case.correct("mm", 20.5)
    return case


@pytest.mark.parametrize(
    ("case", "last"),
    [
        (lambda: Driver(read_out=False), "none."),
        (premolar, "Allergy to latex or sealer, cardiac device: none known."),
        (seated, "Cone seated."),
        (switched, "Buccal: Length 21."),
        (corrected, "Length 20.5."),
    ],
)
def test_a_reopened_case_tells_its_last_entry(case: Any, last: str) -> None:
    state = case().state
    prompts = respond((ev.CaseReopened(at=case().now(), note=""),), state, WORDING)
    assert prompts[0].text.startswith(f"Case reopened. Last entry: {last} "), prompts[0].text


def test_what_is_taken_back_is_named_even_if_it_was_done_without_a_value() -> None:
    case = seated()
    case.command("undo")
    (undone,) = [e for e in case.events[-3:] if isinstance(e, ev.EntryUndone)]
    assert respond((undone,), case.state, WORDING)[0].text == "Taken back: Cone seated."


# -- answers ------------------------------------------------------------------


def asked(case: Driver, verb: it.Verb) -> str:
    queried = ev.Queried(what=verb, heard=it.Heard(), at=case.now())
    (prompt,) = respond((queried,), case.state, WORDING)
    assert prompt.urgency is Urgency.READ_BACK
    return prompt.text


def test_where() -> None:
    case = premolar()
    assert asked(case, "where") == "Buccal: Provisional working length."
    case.canal(21.0, 2.5, 3.0)
    assert asked(case, "where") == "Palatal: Provisional working length."
    case.do(it.SwitchCanal(canal="buccal"))
    assert asked(case, "where") == "Buccal finished."


def test_what_is_left_is_one_short_sentence() -> None:
    case = premolar()
    assert asked(case, "what_is_left") == "Buccal, from Set-up on; then Palatal."
    case.canal(21.0, 2.5, 3.0)
    assert asked(case, "what_is_left") == "Palatal, from Set-up on."
    case.do(it.SwitchCanal(canal="buccal"))
    assert asked(case, "what_is_left") == "Palatal, from Set-up on."
    case.do(it.SwitchCanal(canal="palatal"))
    case.canal(20.5, 2.5, 3.0)
    assert asked(case, "what_is_left") == "Case, from Finish on."
    assert asked(case.finish(), "what_is_left") == "Case finished."


def test_more_of_it_names_every_canal_and_the_phases_ahead() -> None:
    case = premolar()
    before = asked(case, "more")
    assert before.startswith("Buccal: steps left ")
    assert "Palatal: steps left " in before
    assert before.index("Set-up") < before.index("Downpack") < before.index("Backfill")
    case.canal(21.0, 2.5, 3.0)
    assert asked(case, "more").startswith("Buccal finished. Palatal: steps left ")


def test_more_of_it_at_the_end_is_the_case() -> None:
    case = premolar()
    case.canal(21.0, 2.5, 3.0)
    case.canal(20.5, 2.5, 3.0)
    assert case.state.active == CASE
    assert asked(case, "more") == (
        "Case: steps left 4, in Finish. Buccal finished. Palatal finished."
    )


def test_how_long_falls_as_the_work_goes_on() -> None:
    case = premolar()
    seconds = [answers.seconds_left(case.state)]
    case.canal_to_pluggers(21.0)
    seconds.append(answers.seconds_left(case.state))
    case.canal_to_sear(21.0)
    case.downpack(21.1)
    case.backfill(3.0, 3.0)
    seconds.append(answers.seconds_left(case.state))
    assert case.state.active == "palatal"
    case.canal(20.5, 2.5, 3.0)
    seconds.append(answers.seconds_left(case.state))
    assert seconds == sorted(seconds, reverse=True)
    assert len(set(seconds)) == 4
    assert asked(case, "how_long") == f"Minutes left: about {ceil(seconds[-1] / 60)}."


def test_how_long_of_the_protocol_is_the_sum_of_its_steps() -> None:
    case = Driver(read_out=False)
    protocol = case.state.protocol
    every = (*protocol.opening, *protocol.canal, *protocol.closing)
    asked_for = [step.typical_s for step in every if step.asked]
    assert answers.seconds_left(case.state) == sum(asked_for)


def test_read_back_is_what_was_measured() -> None:
    case = premolar()
    assert asked(case, "read_back") == "Nothing recorded here yet."
    case.mm(21.0)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    assert asked(case, "read_back") == "Length 21. Size 30."


def test_what_can_be_said_is_what_answers_the_step() -> None:
    case = premolar()
    assert "a length" in asked(case, "what_can_i_say")
    case.mm(21.0)
    assert "buccal cusp" in asked(case, "what_can_i_say")


@pytest.mark.parametrize("verb", ["repeat", "what_can_i_say"])
def test_nothing_said_while_heat_is_on_could_turn_it_off(verb: it.Verb) -> None:
    case = premolar()
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    assert "heat on" in asked(case, verb)
    assert "heat off" not in asked(case, verb)  # it would not be taken yet
    case.command("start")
    assert asked(case, verb) == WORDING.refusals["timer_running"]


def test_verbosity_is_acknowledged() -> None:
    assert asked(premolar(), "say_less") == "Understood."


def test_brief_questions() -> None:
    case = premolar()
    queried = ev.Queried(what="repeat", heard=it.Heard(), at=case.now())
    (prompt,) = respond((queried,), case.state, WORDING, brief=True)
    assert prompt.text == "Buccal. Length?"


# -- what is said about what happened -----------------------------------------


def test_starting_a_timer_is_a_chime_without_words() -> None:
    timer = Timer(track="a", step="heat", mode="until_off", started=at(0.0), target_s=4.0)
    state = premolar().state
    (prompt,) = respond((ev.TimerStarted(timer=timer),), state, WORDING)
    assert prompt.text == "Timer on."
    assert prompt.spoken == ""


def test_a_measurement_is_read_back_with_the_number_of_its_entry() -> None:
    case = premolar()
    before = len(case.events)
    case.mm(21.0)
    read_back, question = respond(case.events[before:], case.state, WORDING)
    assert (read_back.text, read_back.entry) == ("Length 21.", case.state.entries[-1].seq)
    assert read_back.spoken == "Length twenty one."
    assert (question.text, question.urgency) == ("Reference point?", Urgency.STEP)


def test_nothing_is_asked_once_the_note_is_signed() -> None:
    case = two_canals()
    assert asked(case, "repeat") == WORDING.refusals["signed"]
    assert asked(case, "how_long") == "Minutes left: about 0."


def test_two_values_are_offered_by_voice_page_and_line() -> None:
    case = premolar()
    heard = it.Heard(text="fifteen", confidence=0.6, doubt="Not sure: perhaps 16.5.")
    case.do(it.Given(kind="mm", value=15.0, rival=16.5, heard=heard))
    (prompt,) = respond(case.events[-1:], case.state, WORDING)
    assert prompt.text.endswith("15 or 16.5?")
    assert (prompt.spoken or "").endswith("fifteen or sixteen point five?")
    offered = [one.line for one in sayable(case.state, WORDING) if one.answers][:4]
    assert [line for line in offered if line] == ["fifteen", "sixteen point five", "neither"]
    language = load_language(data_folder("grammars") / "en")
    intent = understand_typed("16.5", grammar_of(language, wanted_now(case.state)))
    case.do(intent)
    assert case.state.entries[-1].value == 16.5
    assert case.state.entries[-1].confirmed


def test_what_can_be_said_is_named_as_it_is_understood() -> None:
    language = load_language(data_folder("grammars") / "en")
    asides = (step for finding in PROTOCOL.findings for step in finding.steps)
    for step in (*PROTOCOL.opening, *PROTOCOL.canal, *PROTOCOL.closing, *asides):
        for each in step.options:
            said = plain_phrase(language.phrases.options[each.id][0])
            intent = understand_typed(said, grammar_of(language, Wanted(options=(each.id,))))
            assert isinstance(intent, it.Chosen), said
            assert intent.option == each.id
