"""What is said beside a patient and what stands on the screen: never more than decides."""

from __future__ import annotations

import re

import pytest
from typical_case import Driver

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.screen.view import Seen, view
from assistant.sitting import assembly
from assistant.words.sayings import load_wording

WORDS = assembly.language()
WORDING = load_wording(WORDS.folder, WORDS.phrases)


def told(case: Driver, intent: it.AnyIntent) -> list[Prompt]:
    before = len(case.events)
    case.do(intent)
    return respond(case.events[before:], case.state, WORDING)


def mm(value: float, times: int = 1) -> it.AnyIntent:
    one = it.Given(kind="mm", value=value)
    return one if times == 1 else it.Several(parts=(one,) * times)


def said(prompt: Prompt) -> str:
    return prompt.text if prompt.spoken is None else prompt.spoken


def of(prompts: list[Prompt], urgency: Urgency) -> list[Prompt]:
    return [prompt for prompt in prompts if prompt.urgency is urgency]


def at_dry() -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.choose("dry")
    return case


def at_heat() -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    return case


def test_an_interval_that_decides_nothing_is_shown_not_said() -> None:
    case = at_dry()
    case.mm(21.0, 21.2)
    (asks,) = of(told(case, mm(21.1)), Urgency.STEP)
    assert re.search(r"Between 20\.\d and 21\.\d", asks.text)
    assert said(asks) == "Final length twenty one point one: confirm?"


def test_how_many_cycles_are_left_is_shown_and_the_depth_is_said() -> None:
    case = at_heat()
    case.command("undo")
    (asks,) = of(told(case, mm(10.0)), Urgency.STEP)
    assert "2 to go." in asks.text
    assert "Carrier to thirteen point one." in said(asks)
    assert "to go" not in said(asks)


@pytest.mark.parametrize(
    ("shown", "alarming", "kept"),
    [
        ("a void can stay behind", "void", "First increment three point one"),
        ("a softened cone can travel", "travel", "zero five: check the apical fit."),
        ("Not ready: Dry canal, bleeding.", "bleeding", "Not ready: Dry canal."),
    ],
)
def test_what_alarms_is_shown_and_the_check_is_said(
    shown: str, alarming: str, kept: str
) -> None:
    case = {"void": at_heat, "bleeding": at_dry}.get(alarming, Driver)()
    meant: it.AnyIntent = mm(3.1)
    if alarming == "void":
        case.downpack(21.0)
        case.press()
    elif alarming == "bleeding":
        case.command("undo")
        meant = it.Chosen(option="bleeding")
    else:
        case.set_up(11, "single")
        case.mm(22.0)
        case.choose("incisal_edge", "no_reading")
        case.say("size", 30)
        meant = it.Given(kind="taper", value=0.05)
    warned = next(prompt for prompt in told(case, meant) if shown in prompt.text)
    assert kept in said(warned)
    assert alarming not in said(warned)
    # The record and the note have the whole of it.
    assert any(shown in one.text for one in case.state.warnings)
    # Asked about again, it is as calm.
    again = told(case, it.Given(kind="mm", value=2.0))
    assert all(alarming not in said(prompt) for prompt in again)


def test_the_warning_that_is_shown_waits_for_its_answer_in_the_words_that_were_said() -> None:
    case = at_heat()
    case.downpack(21.0)
    case.press()
    case.mm(3.1)
    (refused,) = told(case, it.Command(verb="next"))
    assert refused.text == "First the warning. First increment 3.1, planned 3 at most."


def test_the_screen_has_what_is_not_said() -> None:
    case = at_dry()
    case.mm(21.0, 21.2, 21.1)
    shown = view(Seen(case.state), WORDING, case.now())
    assert any("Between" in hint for hint in shown.hints)


def test_a_name_is_not_said_twice_in_one_breath_the_number_always_is() -> None:
    case = at_dry()
    read = of(told(case, mm(21.5, 3)), Urgency.READ_BACK)
    assert [said(one) for one in read] == [
        "Paper point twenty one point five.",
        "twenty one point five.",
        "twenty one point five.",
    ]
    assert {one.text for one in read} == {"Paper point 21.5."}
    assert [one.entry for one in read] == [e.seq for e in case.state.entries[-3:]]


def test_what_was_offered_is_read_back_by_its_number_what_was_held_is_shown() -> None:
    case = at_dry()
    case.mm(21.0, 21.0, 21.0)
    (read,) = of(told(case, it.Command(verb="confirm")), Urgency.READ_BACK)
    assert (read.text, said(read)) == ("Final length 21.", "twenty one.")
    case = at_heat()
    case.heat(2.0)
    case.command("press")
    case.elapsed_s += 5.0
    prompts = told(case, it.Tick())
    (read,) = of(prompts, Urgency.READ_BACK)
    # What the clock measured is shown, with a chime, and owed to nobody aloud.
    assert (read.text, said(read), read.entry) == ("Held 5.", "", None)
    held = case.state.entries[-1]
    assert (held.in_time, held.unheard) == (True, False)
    # Cut short, it is named.
    case = at_heat()
    case.heat(2.0)
    case.command("press")
    case.elapsed_s += 2.0
    (read,) = of(told(case, it.Command(verb="stop")), Urgency.READ_BACK)[-1:]
    assert said(read) == "Held three."
    assert case.state.entries[-1].unheard


def test_the_second_canal_is_asked_briefly_with_its_limit() -> None:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.canal(21.0, 2.5, 3.0)
    case.canal_to_pluggers(20.5)
    case.command("back", "back", "back")
    (asks,) = of(told(case, it.Command(verb="back")), Urgency.STEP)
    assert asks.text == "Pluggers? Limit 15.5."
    # Asked for, it is said in full.
    (again,) = told(case, it.Command(verb="repeat"))
    assert again.text == "Three pluggers, no wall contact? Limit 15.5."


def test_a_warning_keeps_both_sentences_in_the_journal() -> None:
    case = at_heat()
    case.downpack(21.0)
    case.press()
    case.mm(3.1)
    (warned,) = (e.warning for e in case.events[-6:] if isinstance(e, ev.Warned))
    assert warned.text.endswith("a void can stay behind.")
    assert warned.spoken == "First increment 3.1, planned 3 at most."
