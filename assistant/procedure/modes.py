"""What the case is doing, and what it takes while it does: the one door for requests.

A case is always in one named :class:`Mode`, read off its state. :data:`DOOR` tells for
every kind of request in which modes it is refused, why, and what lifts the refusal; a
``transitions`` machine made of it once leads from the mode, by the request, to ``taken``
or to the reason. What passes is carried out (:mod:`.decide`) without being asked again;
only a value can still be wrong in itself (:mod:`assistant.progress.values`). What can be said
(:mod:`.offers`) is what the same door lets through.
"""

from __future__ import annotations

from enum import Enum
from functools import cache, partial
from typing import NamedTuple, get_args

from transitions import Machine

from assistant.procedure import changeable, correctable, lifts, reach
from assistant.procedure.lifts import Lifts
from assistant.procedure.requests import Request, request_of
from assistant.progress import beside
from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState
from assistant.protocol.coherence import ONCE
from assistant.protocol.machine import Place
from assistant.protocol.model import AT_CANALS


class Mode(Enum):
    """What the case is doing; of several that hold, the first."""

    SIGNED = "the note is signed"
    RESTING = "the case is closed for today"
    PAUSED = "nothing is taken until it is resumed"
    TIMING = "a heat activation runs"
    PRESSING = "a press runs, and the lengths of its round can be given"
    PROPOSED = "a change of the case, or a part done again, waits for its confirm"
    QUESTIONED = "a value, or the signature, waits for its confirm, or one of two for a choice"
    WARNED = "an urgent warning of the active canal waits for its answer"
    ASKED = "a step of the active canal, or of the case, is asked"
    FINISHED = "nothing is asked here: the canal is finished, or the case is at its canals"


def mode_of(state: CaseState) -> Mode:
    """The mode that a state is in."""
    if state.signed is not None:
        return Mode.SIGNED
    if state.resting:
        return Mode.RESTING
    if state.paused:
        return Mode.PAUSED
    if state.timer is not None:
        return Mode.TIMING if state.timer.mode == "until_off" else Mode.PRESSING
    if state.proposed is not None:
        return Mode.PROPOSED
    if state.pending is not None:
        return Mode.QUESTIONED
    if state.open_warnings(state.active):
        return Mode.WARNED
    return Mode.ASKED if state.step is not None else Mode.FINISHED


# -- the table --------------------------------------------------------------------


class Row(NamedTuple):
    """A reason (a key of the wording's refusals), and the modes in which it stands
    unless something lifts it."""

    reason: str
    modes: frozenset[Mode]
    unless: Lifts | None = None


CLOSED: dict[Mode, tuple[str, Request]] = {
    Mode.SIGNED: ("signed", Request.ADDENDUM),
    Mode.RESTING: ("visit_over", Request.RESUME),
    Mode.PAUSED: ("paused", Request.RESUME),
    Mode.TIMING: ("timer_running", Request.STOP),
}
"""Modes that take one request alone, beside queries: why others are refused, and the one."""

_PROPOSED = frozenset({Mode.PROPOSED})
_TIMING = frozenset({Mode.TIMING})
_PRESSING, _QUESTIONED, _WARNED, _ASKED, _FINISHED = (
    frozenset({m})
    for m in (Mode.PRESSING, Mode.QUESTIONED, Mode.WARNED, Mode.ASKED, Mode.FINISHED)
)
_OPEN = _QUESTIONED | _WARNED | _ASKED | _FINISHED
_WARNING = "answer_warning_first"
_WARNING_FIRST = Row(_WARNING, _QUESTIONED | _WARNED, lifts.quiet)

DOOR: dict[Request, tuple[Row, ...]] = {
    Request.VALUE: (
        Row(_WARNING, _QUESTIONED | _WARNED, lifts.answers_what_waits),
        Row("nothing_asked", _FINISHED),
        Row(
            "not_this_step", _OPEN, lambda state, given: reach.wanted(state, given) is not None
        ),
    ),
    Request.CORRECTION: (
        Row(
            "nothing_to_correct",
            _OPEN | _PRESSING,
            lambda *said: correctable.to_correct(*said) is not None,
        ),
        Row("correct_final_instead", _OPEN | _PRESSING, lifts.no_final_length),
        Row("canals_begun", _OPEN | _PRESSING, lifts.no_canal_begun),
    ),
    Request.OPTION: (
        Row(
            "say_which",
            _QUESTIONED,
            lambda state, chosen: chosen.option == "no" or lifts.one_offered(state, chosen),
        ),
        Row("say_corrected_or_again", _QUESTIONED, lifts.says_which),
        Row(
            "say_confirm_or_no",
            _QUESTIONED,
            lambda state, chosen: chosen.option == "no" or not lifts.not_which(state, chosen),
        ),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("not_an_option", _ASKED, lifts.is_option),
    ),
    Request.PLANNED: (
        Row("say_which", _QUESTIONED, lifts.one_offered),
        Row("say_confirm_or_no", _QUESTIONED),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("read_off", _ASKED | _PRESSING, lifts.no_reading),
        Row("no_plan", _ASKED | _PRESSING, lifts.is_planned),
    ),
    Request.NEXT: (
        Row("say_which", _QUESTIONED, lifts.one_offered),
        Row("say_corrected_or_again", _QUESTIONED, lifts.not_which),
        Row("say_confirm_or_no", _QUESTIONED),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("needs_answer", _ASKED, lambda state, _: lifts.expects(state, "done")),
    ),
    Request.CONFIRM: (
        Row("say_which", _QUESTIONED | _PRESSING, lifts.one_offered),
        Row("say_corrected_or_again", _QUESTIONED, lifts.not_which),
        Row("operator_signs", _QUESTIONED, lifts.may_confirm),
        Row(_WARNING, _WARNED),
        Row("nothing_to_confirm", _ASKED | _FINISHED, lifts.suggests),
    ),
    Request.KEEP: (
        Row("nothing_to_keep", _ASKED | _FINISHED),
        Row("nothing_to_keep", _PRESSING | _QUESTIONED, lambda *said: not lifts.quiet(*said)),
    ),
    Request.START: (
        Row("nothing_to_start", _OPEN, lifts.timed_in_turn),
        Row("another_act", _OPEN, lifts.is_that_act),
        Row(_WARNING, _QUESTIONED | _WARNED, lifts.mass_cools),
    ),
    Request.STOP: (Row("nothing_to_stop", _OPEN),),
    Request.BACK: (
        _WARNING_FIRST,
        Row("at_the_start", _OPEN, lambda state, _: reach.way_back(state) is not None),
    ),
    Request.UNDO: (
        Row("nothing_to_undo", _OPEN, lambda state, _: correctable.to_undo(state) is not None),
    ),
    Request.SKIP: (
        _WARNING_FIRST,
        Row("nothing_asked", _OPEN, lifts.asked),
        Row("cannot_skip", _OPEN, lambda state, _: not lifts.expects(state, *ONCE)),
        Row("skip_needs_reason", _OPEN, lambda _, skip: bool((skip.reason or "").strip())),
    ),
    Request.SWITCH: (
        Row("finish_setup_first", _OPEN, lifts.is_set_up),
        Row(
            "canals_left",
            _OPEN,
            lambda state, to: to.canal != CASE or state.track(CASE).step != AT_CANALS,
        ),
        Row(
            "canal_not_there",
            _OPEN,
            lambda state, to: all(t.name != to.canal or t.closed is None for t in state.tracks),
        ),
        Row(
            "no_such_canal",
            _OPEN,
            lambda state, to: to.canal in {track.name for track in state.tracks},
        ),
    ),
    Request.CHANGE: (
        _WARNING_FIRST,
        Row("finish_setup_first", _OPEN | _PROPOSED, lifts.is_set_up),
        *(
            Row(why, _OPEN | _PROPOSED, partial(lifts.is_no, why))
            for why in get_args(changeable.ChangeProblem)
        ),
    ),
    Request.FINDING: (
        Row("no_such_finding", _OPEN | _PROPOSED | _PRESSING | _TIMING, lifts.is_finding),
        Row("which_canal_first", _OPEN | _PROPOSED, lifts.is_found_in_one),
    ),
    Request.SPEAKER: (Row("nobody_named", _OPEN, lifts.names_somebody),),
    Request.PAUSE: (),
    Request.RESUME: (Row("not_paused", _OPEN),),
    Request.SIGN: (
        Row("not_at_the_end", _OPEN, lifts.at_the_end),
        Row(_WARNING, _OPEN, lambda state, _: not any(w.open for w in state.warnings)),
        Row("operator_signs", _OPEN, lifts.is_operator),
        Row("nobody_named", _OPEN, lifts.names_somebody),
    ),
    Request.ADDENDUM: (
        Row("not_signed", frozenset(Mode) - {Mode.SIGNED}),
        Row("addendum_empty", frozenset({Mode.SIGNED}), lifts.says_something),
    ),
    Request.PREPARE: (Row("begun_already", _OPEN, lambda state, _: not state.entries),),
    Request.VISIT: (
        _WARNING_FIRST,
        Row("operator_signs", _OPEN, lifts.is_operator),
        Row("visit_needs", _OPEN, lifts.has_plan),
    ),
    Request.BESIDE: tuple(
        Row(why, frozenset(Mode) - {Mode.SIGNED}, partial(lifts.is_no_beside, why))
        for why in beside.PROBLEMS
    ),
    Request.QUERY: (),
}
"""Every refusal in the modes that are not closed, but those of a value in itself; of a
request's rows, the first that stands in the mode and is not lifted."""

WHILE_PRESSING: dict[Request, Lifts] = {
    Request.STOP: lambda *_: True,
    Request.BESIDE: lambda *_: True,
    Request.QUERY: lambda *_: True,
    Request.VALUE: lifts.given_early,
    Request.CORRECTION: lambda *said: not lifts.leads_elsewhere(*said),
    Request.PLANNED: lambda *_: True,
    Request.KEEP: lambda *_: True,
    Request.CONFIRM: lifts.is_questioned,
    Request.OPTION: lifts.says_no,
    Request.FINDING: lambda *_: True,
}
"""What is taken while a press runs, beside what rows of its own refuse; all else waits
until the timer has ended."""

WHILE_PROPOSED: dict[Request, Lifts] = {
    Request.CONFIRM: lambda *_: True,
    Request.OPTION: lambda _, chosen: chosen.option == "no",
    Request.CHANGE: lambda *_: True,
    Request.FINDING: lambda *_: True,
    Request.BESIDE: lambda *_: True,
    Request.SPEAKER: lambda *_: True,
    Request.PAUSE: lambda *_: True,
    Request.QUERY: lambda *_: True,
}
"""What is taken while a change waits for its "confirm"."""

TAKEN = "taken"


def rows_of(request: Request) -> tuple[Row, ...]:
    """The rows of a request, with those of the closed modes."""
    closed = (
        Row(reason, frozenset({mode}))
        for mode, (reason, one) in CLOSED.items()
        if request not in {one, Request.QUERY}
        and (request is not Request.BESIDE or mode is Mode.SIGNED)
        and (request, mode) != (Request.FINDING, Mode.TIMING)
    )
    pressing = Row("timer_running", _PRESSING, WHILE_PRESSING.get(request))
    proposed = Row("say_confirm_or_no", _PROPOSED, WHILE_PROPOSED.get(request))
    return (*DOOR[request], *closed, pressing, proposed)


@cache
def _door() -> Machine:
    rows = {request: (*rows_of(request), Row(TAKEN, frozenset(Mode))) for request in Request}
    return Machine(
        model=None,
        states=[*Mode, *sorted({row.reason for found in rows.values() for row in found})],
        transitions=[
            {"trigger": request, "source": mode, "dest": row.reason, "unless": row.unless}
            for request, found in rows.items()
            for row in found
            for mode in row.modes
        ],
        initial=Mode.ASKED,
        auto_transitions=False,
    )


class Refusal(NamedTuple):
    """Why a request is not taken, and the fields of the sentence that says so."""

    reason: str
    detail: dict[str, str]


def refusal(state: CaseState, intent: it.AnyIntent) -> Refusal | None:
    """Why an intent is refused, None if it is taken (as far as :data:`DOOR` tells)."""
    request = request_of(state, intent)
    if request is None:
        return None
    place = Place(mode_of(state))
    _door().events[request].trigger(place, state, intent)
    if place.state == TAKEN:
        return None
    asked = state.step or (found.step if (found := reach.questioned(state)) else None)
    if isinstance(intent, it.AsPlanned):
        asked = reach.planned_for(state, intent) or asked
    detail = {"value": _what(intent, str(place.state)), "step": asked.title if asked else None}
    known = {name: text for name, text in detail.items() if text is not None}
    return Refusal(str(place.state), known)


def _what(intent: it.AnyIntent, reason: str) -> str | None:
    match intent:
        case it.Given(quantity=quantity, kind=kind):
            return quantity or kind
        case it.Chosen(option=option):
            return option.replace("_", " ")
        case it.SwitchCanal(canal=canal):
            return canal
        case it.Finding(finding=finding):
            return finding.replace("_", " ")
        case it.Change(what="renamed") if reason == "canal_there":
            return intent.to
        case it.Change(what="joins") if reason in {"no_such_canal", "joins_itself"}:
            return intent.to or "that"
        case it.Change():
            return intent.canal or intent.to or "that"
    return None
