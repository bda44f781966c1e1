"""The door: every mode, every kind of request, and what can be said.

The table is written a second time here, for one state of each mode; then states reached
by anything said in any order are tried with everything that can be meant.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.procedure.decide import decide
from assistant.procedure.modes import DOOR, Mode, mode_of, rows_of
from assistant.procedure.offers import offers
from assistant.procedure.requests import QUERIES, Request, request_of
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState
from assistant.prompt.wording import respond
from assistant.protocol.moment import Moment
from procedure.test_procedure_random import (
    ACTIONS,
    CHANGES,
    FINDINGS,
    OPTIONS,
    PROTOCOLS,
    WORDING,
    Watched,
    cooperative,
    road,
)

OF_VALUES = {"out_of_range", "not_an_option", "canal_named_twice"}
"""Refusals of a value in itself, which the door does not judge."""

VALUES: dict[it.ValueKind, it.Scalar] = {
    "mm": 12.0,
    "s": 3.0,
    "size": 30,
    "taper": 0.06,
    "tooth": 24,
    "canals": ("buccal", "palatal"),
}


def reason(state: CaseState, intent: it.AnyIntent) -> str | None:
    """Why the door refuses an intent, by what ``decide`` makes of it."""
    now = Moment(wall=state.opened.wall, mono_s=1e4)
    refused = [e for e in decide(state, intent, now).events if isinstance(e, ev.Refused)]
    why = refused[0].rejected.reason if refused else None
    of_value = isinstance(intent, it.Given | it.Correction) and why in OF_VALUES
    return None if of_value or why == "addendum_empty" else why


# -- the table, a second time ----------------------------------------------------------

WARN, SIGNED, PAUSED, TIMER = "answer_warning_first", "signed", "paused", "timer_running"
REST = "visit_over"
CLOSED = (SIGNED, REST, PAUSED, TIMER)
EXPECTED: dict[Request, tuple[str | None, ...]] = {
    #   signed, resting, paused, timing, pressing, questioned, warned, asked, finished
    Request.VALUE: (*CLOSED, None, None, WARN, None, "nothing_asked"),
    Request.CORRECTION: (*CLOSED, None, None, None, None, None),
    Request.OPTION: (
        *CLOSED,
        TIMER,
        "say_confirm_or_no",
        WARN,
        "not_an_option",
        "nothing_asked",
    ),
    Request.PLANNED: (
        *CLOSED,
        None,
        "say_confirm_or_no",
        WARN,
        "read_off",
        "nothing_asked",
    ),
    Request.NEXT: (*CLOSED, TIMER, "say_confirm_or_no", WARN, "needs_answer", "nothing_asked"),
    Request.CONFIRM: (*CLOSED, TIMER, None, WARN, *["nothing_to_confirm"] * 2),
    Request.KEEP: (*CLOSED, *["nothing_to_keep"] * 2, None, *["nothing_to_keep"] * 2),
    Request.START: (*CLOSED, TIMER, *["nothing_to_start"] * 4),
    Request.STOP: (SIGNED, REST, PAUSED, None, None, *["nothing_to_stop"] * 4),
    Request.BACK: (*CLOSED, TIMER, None, WARN, None, None),
    Request.UNDO: (*CLOSED, TIMER, None, None, None, None),
    Request.SKIP: (*CLOSED, TIMER, None, WARN, None, "nothing_asked"),
    Request.SWITCH: (*CLOSED, TIMER, None, None, None, None),
    Request.SPEAKER: (*CLOSED, TIMER, None, None, None, None),
    Request.PAUSE: (*CLOSED, TIMER, None, None, None, None),
    Request.RESUME: (SIGNED, None, None, TIMER, TIMER, *["not_paused"] * 4),
    Request.SIGN: (*CLOSED, TIMER, *["not_at_the_end"] * 4),
    Request.ADDENDUM: (None, *["not_signed"] * 8),
    Request.PREPARE: (*CLOSED, TIMER, *["begun_already"] * 4),
    Request.VISIT: (*CLOSED, TIMER, None, WARN, None, None),
    Request.BESIDE: (SIGNED, *[None] * 8),
    Request.QUERY: (None,) * 9,
}
CLOSE = it.CloseVisit(dressing="temporary filling", plan="go on")
SAID = "say_confirm_or_no"
WHILE_PROPOSED = dict.fromkeys(
    (*(Request.CONFIRM, Request.CHANGE, Request.SPEAKER), *(Request.PAUSE, Request.QUERY))
) | {Request.ADDENDUM: "not_signed"}
WHILE_PROPOSED |= {Request.FINDING: None, Request.BESIDE: None}
EXPECTED[Request.FINDING] = (SIGNED, REST, PAUSED, *[None] * 6)
EXPECTED[Request.CHANGE] = (*CLOSED, TIMER, None, WARN, None, None)
EXPECTED = {
    request: (*row[:5], WHILE_PROPOSED.get(request, SAID), *row[5:])
    for request, row in EXPECTED.items()
}
"""With the column of a change that waits for its "confirm"."""

NOT_THERE = it.Change(what="absent", canal="palatal", reason="calcified")
ONE_OF_EACH: dict[Request, it.AnyIntent] = {
    Request.VALUE: it.Given(kind="mm", value=12.0),
    Request.CORRECTION: it.Correction(kind="mm", value=12.0),
    Request.OPTION: it.Chosen(option="contact_high"),
    Request.PLANNED: it.AsPlanned(),
    Request.SKIP: it.Skip(reason="not needed"),
    Request.SWITCH: it.SwitchCanal(canal="buccal"),
    Request.CHANGE: NOT_THERE,
    Request.FINDING: it.Finding(finding="void"),
    Request.SPEAKER: it.WhoSpeaks(who="chairside"),
    Request.ADDENDUM: it.Append(text="More.", by="Operator A"),
    Request.PREPARE: it.Prepare(values=()),
    Request.VISIT: CLOSE,
    Request.BESIDE: it.Remark(text="Seen again next month."),
    Request.QUERY: it.Command(verb="where"),
}
ACTS = {"press", "heat_on"}
"""Verbs of one timed act each; "start" is that of whichever is asked for."""

ONE_OF_EACH |= {
    Request(verb): it.Command(verb=verb)
    for verb in get_args(it.Verb)
    if verb not in QUERIES | ACTS
}


def one_state_of_each() -> dict[Mode, CaseState]:
    """A canal at a plugger's depth in every mode that it can be in there."""
    stops = road("warm-vertical")
    asked = next(s for s in stops if s.state.here.step == "plugger_middle")
    heat = next(s for s in stops if s.state.here.step == "heat")
    press = next(s for s in stops if s.state.here.step == "press")
    done = next(s for s in stops if s.state.canals and s.state.track("buccal").finished)
    doubtful = it.Heard(text="twelve", doubt="Not heard clearly.")
    return {
        Mode.SIGNED: stops[-1].state,
        Mode.RESTING: after(asked, CLOSE, it.Command(verb="confirm")),
        Mode.PAUSED: after(asked, it.Command(verb="pause")),
        Mode.TIMING: after(heat, it.Command(verb="start")),
        Mode.PRESSING: after(press, it.Command(verb="start")),
        Mode.PROPOSED: after(asked, NOT_THERE),
        Mode.QUESTIONED: after(asked, it.Given(kind="mm", value=12.0, heard=doubtful)),
        # Beyond the new limit is then a plugger of an earlier step.
        Mode.WARNED: after(
            asked,
            it.Correction(kind="mm", value=12.0, quantity="working_length_mm"),
            it.Command(verb="confirm"),
        ),
        Mode.ASKED: asked.state,
        Mode.FINISHED: after(done, it.SwitchCanal(canal="buccal")),
    }


def after(case: Watched, *intents: it.AnyIntent) -> CaseState:
    copy = case.copy()
    for intent in intents:
        copy.give(intent)
    return copy.state


@pytest.mark.parametrize("mode", Mode)
def test_every_mode_takes_or_refuses_every_request_as_the_table_says(mode: Mode) -> None:
    state = one_state_of_each()[mode]
    assert mode_of(state) is mode
    assert set(EXPECTED) == set(ONE_OF_EACH) == set(DOOR) == set(Request)
    column = list(Mode).index(mode)
    wanted = {request: row[column] for request, row in EXPECTED.items()}
    assert {r: reason(state, intent) for r, intent in ONE_OF_EACH.items()} == wanted


# -- whatever is reached ---------------------------------------------------------------


def everything(state: CaseState) -> Iterator[it.AnyIntent]:
    """All that can be meant by anybody, whether it makes sense or not."""
    yield from (it.Command(verb=verb) for verb in get_args(it.Verb))
    yield from (it.Chosen(option=option) for option in OPTIONS)
    for kind, value in VALUES.items():
        yield it.Given(kind=kind, value=value)
        yield it.Correction(kind=kind, value=value)
    yield from (it.Correction(kind="option", value=option) for option in OPTIONS)
    for canal in {*(t.name for t in state.tracks), "mesial", CASE}:
        yield it.SwitchCanal(canal=canal)
    yield from (it.WhoSpeaks(who=who) for who in ("operator", "chairside"))
    yield from (it.Skip(reason=why) for why in (None, " ", "not needed"))
    yield it.AsPlanned()
    yield it.Append(text="More.", by="Operator A")
    yield from (it.Remark(text=text) for text in ("12.5 mm said", " ", "x" * 300, "x" * 301))
    yield it.CorrectRemark(text="otherwise")
    yield from (CLOSE, it.CloseVisit(), it.CloseVisit(dressing="none", plan=" "))
    yield from (it.DropRemark(number=number) for number in (None, 1))
    yield from CHANGES
    yield from (it.Finding(finding=finding) for finding in FINDINGS)


def by_the_table(state: CaseState, intent: it.AnyIntent) -> str | None:
    """The first row that stands, read without the machine."""
    request, mode = request_of(state, intent), mode_of(state)
    assert request is not None
    for row in rows_of(request):
        if mode in row.modes and not (row.unless and row.unless(state, intent)):
            return row.reason
    return None


def name_of(state: CaseState, intent: it.AnyIntent) -> tuple[str, ...]:
    """What tells one request from another; a value is as good as any."""
    said = intent.model_dump(exclude={"heard", "value", "reason"})
    return (str(request_of(state, intent)), *map(str, said.values()))


def check_door(state: CaseState) -> None:
    taken = set()
    for intent in everything(state):
        why = reason(state, intent)
        assert why == by_the_table(state, intent), (mode_of(state), intent)
        if why is None:
            taken.add(name_of(state, intent))
    here = it.SwitchCanal(canal=state.active), it.WhoSpeaks(who=state.who)
    unsaid = {name_of(state, intent) for intent in here}  # would change nothing
    aside = {Request.QUERY, Request.ADDENDUM, Request.BESIDE, Request.VISIT, Request.CHANGE}
    unsaid |= {name for name in taken if name[0] in aside}
    done = name_of(state, it.Chosen(option="yes"))
    unsaid.add(name_of(state, it.Command(verb="start")))  # each act has its own
    unsaid |= {done} if done[0] == Request.NEXT else set()  # another way to say "done"
    assert {name_of(state, o.intent) for o in offers(state)} == taken - unsaid


@pytest.mark.parametrize("name", sorted(PROTOCOLS))
def test_what_is_offered_is_what_is_taken_all_along_a_case(name: str) -> None:
    for stop in road(name):
        check_door(stop.state)


@given(name=st.sampled_from(sorted(PROTOCOLS)), start=st.floats(0, 1), actions=ACTIONS)
@settings(max_examples=40)
def test_what_is_offered_is_what_is_taken_wherever_a_case_gets(
    name: str, start: float, actions: list[tuple[it.AnyIntent | str, float]]
) -> None:
    stops = road(name)
    case = stops[round(start * (len(stops) - 1))].copy()
    for action, wait_s in actions:
        intent, after_s = (
            cooperative(case.state) if isinstance(action, str) else (action, wait_s)
        )
        case.give(intent, after_s)
    check_door(case.state)


def test_what_answers_comes_first() -> None:
    for mode, state in one_state_of_each().items():
        answers = [offer.answers for offer in offers(state)]
        assert answers == sorted(answers, reverse=True)
        assert any(answers) or mode is Mode.SIGNED


def test_a_canal_without_a_name_is_refused_in_words() -> None:
    state = one_state_of_each()[Mode.ASKED]
    events, after = decide(state, it.SwitchCanal(canal=""), state.opened)
    assert [event.rejected.reason for event in events if isinstance(event, ev.Refused)] == [
        "no_such_canal"
    ]
    assert respond(events, after, WORDING)
