"""One sentence that answers several steps: each answer by the door and rules of one alone."""

from __future__ import annotations

import pytest
from typical_case import Driver

from assistant.procedure.reach import MOST_AHEAD, ahead
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.prompt.prompts import Urgency
from assistant.prompt.wording import respond
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.sayings import load_wording
from assistant.words.understand import understand_typed

WORDS = assembly.language()
WORDING = load_wording(WORDS.folder, WORDS.phrases)


def mm(value: float, doubt: str | None = None, name: str | None = None) -> it.Given:
    heard = it.Heard(text=f"{value:g}", confidence=0.9, doubt=doubt, channel="voice")
    return it.Given(kind="mm", value=value, quantity=name, heard=heard)


def sentence(*parts: it.Part) -> it.Several:
    said = it.Heard(text=" ".join(part.heard.text for part in parts), channel="voice")
    return it.Several(parts=parts, heard=said)


def at_pluggers(wl: float = 21.0) -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    case.mm(wl)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.06)
    case.choose("no")
    case.mm(10.0)
    case.choose("yes")
    case.cone(wl + 0.5)
    case.choose("yes", "accepted")
    return case


def said_after(case: Driver, intent: it.AnyIntent) -> list[tuple[Urgency, str]]:
    before = len(case.events)
    case.do(intent)
    prompts = respond(case.events[before:], case.state, WORDING)
    return [(prompt.urgency, prompt.text) for prompt in prompts]


def values(case: Driver) -> list[object]:
    """What stands of the pluggers, the carrier and the paper points."""
    return [
        entry.value
        for entry in case.state.standing("buccal")
        if "plugger" in entry.quantity
        or entry.quantity in {"heat_carrier_fit_mm", "paper_point_mm"}
    ]


def test_each_answer_is_an_event_of_its_own_and_is_read_back() -> None:
    case = at_pluggers()
    said = said_after(case, sentence(mm(9), mm(12.5), mm(16)))
    assert values(case) == [9, 12.5, 16]
    assert [text for _, text in said[:3]] == [
        "Coronal plugger 9.",
        "Middle plugger 12.5.",
        "Apical plugger 16.",
    ]
    assert case.state.here.step == "heat_tip_fit"
    assert [e.heard.text for e in case.state.entries[-3:]] == ["9", "12.5", "16"]


def test_it_is_what_the_same_answers_give_one_by_one() -> None:
    together, alone = at_pluggers(), at_pluggers()
    together.do(sentence(mm(9), mm(12.5), mm(16), mm(16)), 3.0)
    for value in (9.0, 12.5, 16.0, 16.0):
        alone.do(mm(value), 0.75)
    timeless = [
        [e.model_copy(update={"at": None}) for e in case.state.entries]
        for case in (together, alone)
    ]
    assert [e.value for e in timeless[0]] == [e.value for e in timeless[1]]
    assert together.state.here == alone.state.here


@pytest.mark.parametrize(("depth", "warned"), [(16.0, False), (16.1, True)])
def test_a_warning_comes_before_the_read_backs_and_stops_the_rest(
    depth: float, warned: bool
) -> None:
    case = at_pluggers()
    said = said_after(case, sentence(mm(9), mm(depth), mm(16)))
    assert bool(case.state.open_warnings("buccal")) is warned
    if warned:
        assert said[0] == (Urgency.WARNING, "Depth check: limit 16, heard 16.1.")
        assert values(case) == [9, 16.1], "16 must not take the place of the warned depth"
        assert (Urgency.QUESTION, "Not taken yet: 16.") in said
    else:
        assert values(case) == [9, 16, 16]


def test_what_cannot_be_is_refused_and_the_rest_named() -> None:
    case = at_pluggers()
    said = said_after(case, sentence(mm(9), mm(36), mm(15)))
    assert values(case) == [9]
    assert case.state.here.step == "plugger_middle"
    assert [text for urgency, text in said if urgency is Urgency.QUESTION] == [
        "36 is outside 2 to 35. Say it again.",
        "Not taken yet: 15.",
    ]
    refused = [e for e in case.events if isinstance(e, ev.Refused)]
    assert [e.rejected.reason for e in refused] == ["out_of_range", "rest_not_taken"]


def test_only_the_doubtful_number_is_questioned_with_what_follows_it() -> None:
    case = at_pluggers()
    said = said_after(case, sentence(mm(9), mm(12.5, "Not heard clearly."), mm(16)))
    assert values(case) == [9], "the sure one stands, the doubtful one does not"
    question = "Not heard clearly. 12.5, 16? Say confirm, or no."
    assert (Urgency.QUESTION, question) in said
    case.command("confirm")
    assert values(case) == [9, 12.5, 16]
    assert case.state.pending is None


def test_no_drops_the_questioned_value_and_what_followed() -> None:
    case = at_pluggers()
    case.do(sentence(mm(9), mm(12.5, "Not heard clearly."), mm(16)))
    case.choose("no")
    assert values(case) == [9]
    assert case.state.rejected[-1].text == "12.5, 16", "what was dropped is in the log"
    assert case.state.here.step == "plugger_middle"


def test_the_doubtful_one_is_said_again_and_the_rest_goes_on() -> None:
    case = at_pluggers()
    case.do(sentence(mm(9), mm(12.5, "Not heard clearly."), mm(16)))
    case.do(mm(13.5))
    assert values(case) == [9, 13.5, 16]


def test_confirmed_values_behind_it_still_meet_their_rules() -> None:
    case = at_pluggers()
    case.do(sentence(mm(9, "Not heard clearly."), mm(16.5, "Not heard clearly."), mm(15)))
    case.command("confirm")
    assert [w.rule for w in case.state.open_warnings("buccal")] == ["depth-limit"]
    assert values(case) == [9, 16.5]


def test_a_warning_about_the_confirmed_value_stops_the_rest() -> None:
    case = at_pluggers()
    case.do(sentence(mm(17, "Not heard clearly."), mm(12)))
    said = said_after(case, it.Command(verb="confirm"))
    assert values(case) == [17]
    assert (Urgency.QUESTION, "Not taken yet: 12.") in said


def test_one_of_them_is_corrected_alone() -> None:
    case = at_pluggers()
    case.do(sentence(mm(9), mm(12.5), mm(16)))
    case.correct("mm", 12.0, "middle_plugger_mm")
    assert values(case) == [9, 16, 12]
    assert case.state.here.step == "heat_tip_fit"


def test_while_a_timer_runs_nothing_of_it_is_taken() -> None:
    case = at_pluggers()
    case.mm(9, 12, 16, 16)
    case.canal_to_sear(21.0)
    case.command("start")
    said = said_after(case, sentence(mm(13.5), mm(13)))
    assert case.state.timer is not None
    assert [text for _, text in said] == ["The timer runs.", "Not taken yet: 13."]


def test_a_sentence_goes_no_further_than_the_answers_decide() -> None:
    case = at_pluggers()
    steps = [step.id for step in ahead(case.state)]
    assert steps[:4] == ["plugger_coronal", "plugger_middle", "plugger_apical", "heat_tip_fit"]
    assert len(steps) == MOST_AHEAD
    case.mm(9, 12, 16, 16)
    case.choose("dry")
    case.mm(21)
    steps = [step.id for step in ahead(case.state)]
    assert steps == ["paper_point", "paper_point", "final_length", "cut_back", "tugback_again"]
    case.mm(21, 21)
    case.command("confirm", "confirm")
    case.choose("yes", "yes")
    case.command("next")
    assert [step.id for step in ahead(case.state)] == ["sear"], "heat is timed"


def test_questioned_with_its_rest_the_case_is_replayed_the_same() -> None:
    case = at_pluggers()
    case.do(sentence(mm(9, "Not heard clearly."), mm(12)))
    event = case.events[-1]
    assert isinstance(event, ev.ConfirmAsked)
    written = ev.EVENTS.dump_python(event, mode="json")
    assert ev.EVENTS.validate_python(written) == event


# -- beside a press -------------------------------------------------------------


def pressing() -> Driver:
    """The first cycle's press runs, its depths are not told."""
    case = at_pluggers()
    case.mm(9.0, 12.5, 16.0, 16.0)
    case.canal_to_sear(21.0)
    case.heat(2.0)
    case.command("press")
    assert case.state.timer is not None
    return case


def typed(case: Driver, line: str) -> None:
    case.do(understand_typed(line, grammar_of(WORDS, wanted_now(case.state))))


def depths(case: Driver) -> list[object]:
    return [e.value for e in case.state.standing("buccal") if e.step in DEPTHS]


DEPTHS = {"heat_depth", "plugger_depth"}


def test_both_depths_are_told_in_one_sentence_while_the_press_runs() -> None:
    case = pressing()
    typed(case, "carrier thirteen, plugger twelve and a half")
    assert depths(case) == [13, 12.5]
    assert case.state.timer is not None
    case.do(it.Tick(), 4.0)
    assert (case.state.here.step, case.state.here.round("cycle")) == ("heat", 2)


def test_of_a_sentence_only_what_is_untold_is_taken_beside_the_press() -> None:
    case = pressing()
    typed(case, "carrier thirteen")
    typed(case, "plugger twelve and a half")
    assert depths(case) == [13, 12.5]


@pytest.mark.parametrize("ends", ["complete", "reopened"])
def test_a_depth_past_its_limit_beside_a_press_waits_for_an_answer_when_it_ends(
    ends: str,
) -> None:
    case = pressing()
    typed(case, "carrier sixteen plugger seventeen")
    said = said_after(case, it.Tick() if ends == "complete" else it.Reopen(note="Again."))
    assert not said or ends == "reopened"
    case.do(it.Tick(), 5.0)
    deep = [w for w in case.state.warnings if w.rule == "depth-limit"]
    assert [w.open for w in deep] == [True]
    case.correct("mm", 16.0)
    assert depths(case) == [16, 16]
    assert not case.state.open_warnings("buccal")
