""" "As planned" takes what the program has planned or offers, and nothing else."""

from __future__ import annotations

import pytest
from typical_case import Driver

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import Entry
from assistant.prompt.wording import respond
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.recognised import Recognised
from assistant.words.sayings import load_wording
from assistant.words.understand import Trust, understand, understand_typed

WORDS = assembly.language()
WORDING = load_wording(WORDS.folder, WORDS.phrases)


def at_final_length() -> Driver:
    case = Driver(read_out=False).set_up(11, "single")
    case.canal_to_pluggers(21.0)
    case.choose("dry")
    case.mm(21.0, 21.0, 21.0)
    return case


def at_heat() -> Driver:
    case = Driver(read_out=False).set_up(11, "single")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    return case


def at_backfill() -> Driver:
    case = at_heat()
    case.downpack(21.0)
    return case


def typed(case: Driver, line: str) -> list[str]:
    before = len(case.events)
    case.do(understand_typed(line, grammar_of(WORDS, wanted_now(case.state))))
    return [prompt.text for prompt in respond(case.events[before:], case.state, WORDING)]


def newest(case: Driver) -> Entry:
    return case.state.entries[-1]


def refused(case: Driver) -> list[str]:
    return [e.rejected.reason for e in case.events if isinstance(e, ev.Refused)]


def test_a_suggested_value_is_taken_and_read_back_with_its_number() -> None:
    case = at_final_length()
    assert "Final length 21." in typed(case, "as planned")
    assert "Cut back 0.5." in typed(case, "as planned")
    assert [(e.value, e.origin, e.confirmed) for e in case.state.entries[-2:]] == [
        (21.0, "computed", True),
        (0.5, "computed", True),
    ]


def test_the_planned_carrier_depth_is_taken_before_during_and_after_the_press() -> None:
    for before_s, after in ((None, False), (2.0, False), (None, True)):
        case = at_heat()
        typed(case, "heat on")
        case.command("stop", after_s=2.0)
        if after:
            case.press()
        elif before_s is not None:
            case.command("press")
        assert "Carrier 13.1." in typed(case, "carrier as planned"), (before_s, after)
        assert newest(case).quantity == "heat_depth_mm"
        assert (case.state.timer is not None) == (before_s is not None)


def test_the_planned_increment_is_taken_once() -> None:
    case = at_backfill()
    case.command("press")
    assert "Increment 3." in typed(case, "as planned")
    # What stands is no longer the plan: the next increment's would be another value.
    typed(case, "as planned")
    assert refused(case)[-1] == "no_plan"
    assert sum(e.quantity == "increment_mm" for e in case.state.entries) == 1


def test_the_carrier_is_not_told_by_the_plan_of_the_next_cycle() -> None:
    case = at_heat()
    case.heat(2.0)
    case.command("press")
    typed(case, "plugger 13")
    typed(case, "carrier as planned")
    assert refused(case) == ["no_plan"]


@pytest.mark.parametrize(
    ("reach", "line", "reason"),
    [
        (at_heat, "as planned", "no_plan"),
        (lambda: Driver(read_out=False).set_up(11, "single"), "as planned", "read_off"),
    ],
)
def test_without_a_plan_it_is_refused_with_the_reason(
    reach: type[Driver], line: str, reason: str
) -> None:
    case = reach()
    entries = case.state.entries
    (said,) = typed(case, line)
    assert said.startswith("No plan")
    assert refused(case) == [reason]
    assert case.state.entries == entries


def test_how_deep_the_plugger_went_is_read_off_never_planned() -> None:
    case = at_heat()
    case.heat(2.0)
    case.command("press")
    said = typed(case, "carrier as planned, plugger as planned")
    assert "No plan; read off: Plugger depth." in said
    assert "Carrier 13.1." in said


def test_while_a_question_or_a_warning_waits_it_answers_nothing() -> None:
    case = at_final_length()
    case.say("mm", 30.0)  # unusual for this tooth: asked about
    typed(case, "as planned")
    assert refused(case)[-1] == "say_confirm_or_no"
    case = at_heat()
    case.heat(2.0)
    case.press()
    case.mm(17.0)
    typed(case, "as planned")
    assert refused(case)[-1] == "answer_warning_first"


def test_heard_in_doubt_it_is_asked_about_with_its_number() -> None:
    case = at_final_length()
    heard = Recognised("as planned", 0.7)
    trust = Trust(accept=0.95, command=0.6, reject=0.2)
    meant = understand(heard, grammar_of(WORDS, wanted_now(case.state)), trust)
    assert isinstance(meant, it.AsPlanned)
    case.do(meant)
    assert case.state.pending is not None
    assert case.state.pending.value == 21.0
    case.command("confirm")
    assert newest(case).value == 21.0
    assert newest(case).origin == "computed"
