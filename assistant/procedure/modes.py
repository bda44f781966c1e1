"""What the case is doing, and what it takes while it does: the one door for requests.

A case is always in one named :class:`Mode`, read off its state. :data:`DOOR` tells for
every kind of request in which modes it is refused, why, and what lifts the refusal; a
``transitions`` machine made of it once leads from the mode, by the request, to ``taken``
or to the reason. What passes is carried out (:mod:`.decide`) without being asked again;
only a value can still be wrong in itself (:mod:`assistant.progress.values`). What can be said
(:mod:`.offers`) is what the same door lets through.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum, StrEnum
from functools import cache, partial
from typing import Any, NamedTuple, get_args

from transitions import Machine

from assistant.procedure import changeable, reach
from assistant.progress import beside
from assistant.progress import intents as it
from assistant.progress.facts import option_of
from assistant.progress.people import is_name
from assistant.progress.state import CASE, VISIT, CaseState
from assistant.protocol.coherence import ONCE
from assistant.protocol.machine import Place
from assistant.protocol.model import AT_CANALS, Step
from assistant.protocol.roles import Role

QUERIES = frozenset(
    {"repeat", "where", "read_back", "what_is_left", "more", "how_long", "what_can_i_say"}
    | {"remark"}
    | {"say_all", "say_less", "say_warnings", "pair"}
)
"""Commands that change nothing in the case and are answered at any time."""


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
    holds = {
        Mode.SIGNED: state.signed is not None,
        Mode.RESTING: state.resting,
        Mode.PAUSED: state.paused,
        Mode.TIMING: state.timer is not None and state.timer.mode == "until_off",
        Mode.PRESSING: state.timer is not None,
        Mode.PROPOSED: state.proposed is not None,
        Mode.QUESTIONED: state.pending is not None,
        Mode.WARNED: bool(state.open_warnings(state.active)),
        Mode.ASKED: state.step is not None,
    }
    return next((mode for mode, it_does in holds.items() if it_does), Mode.FINISHED)


class Request(StrEnum):
    """A kind of request. What only reports (time, failures, what was not understood)
    is none and is taken at any time."""

    VALUE = "value"
    CORRECTION = "correction"
    OPTION = "option"
    PLANNED = "planned"
    NEXT = "next"
    CONFIRM = "confirm"
    KEEP = "keep"
    START = "start"
    STOP = "stop"
    BACK = "back"
    UNDO = "undo"
    SKIP = "skip"
    SWITCH = "switch"
    CHANGE = "change"
    FINDING = "finding"
    SPEAKER = "speaker"
    PAUSE = "pause"
    RESUME = "resume"
    SIGN = "sign"
    ADDENDUM = "addendum"
    PREPARE = "prepare"
    VISIT = "visit"
    BESIDE = "beside"
    QUERY = "query"


def request_of(state: CaseState, intent: it.AnyIntent) -> Request | None:
    """Which kind of request an intent is, None if it asks for nothing.

    "Yes" to a step that asks for something to be done says that it is.
    """
    match intent:
        case it.Command(verb=verb):
            if verb in _STARTS:
                return Request.START
            return Request.QUERY if verb in QUERIES else Request(verb)
        case it.Chosen(option="yes") if _expects(state, "done"):
            return Request.NEXT
    return _REQUESTS.get(type(intent))


_STARTS = {"start": None, "press": "hold", "heat_on": "until_off"}
"""What begins a timed act, and the mode of the act that it means; None for either."""

_REQUESTS: dict[type[it.Intent], Request] = {
    it.Given: Request.VALUE,
    it.Correction: Request.CORRECTION,
    it.Chosen: Request.OPTION,
    it.AsPlanned: Request.PLANNED,
    it.Skip: Request.SKIP,
    it.SwitchCanal: Request.SWITCH,
    it.Change: Request.CHANGE,
    it.Finding: Request.FINDING,
    it.WhoSpeaks: Request.SPEAKER,
    it.TakeOver: Request.SPEAKER,
    it.SignAs: Request.SIGN,
    it.CloseVisit: Request.VISIT,
    it.Remark: Request.BESIDE,
    it.CorrectRemark: Request.BESIDE,
    it.DropRemark: Request.BESIDE,
    it.Note: Request.BESIDE,
    it.Append: Request.ADDENDUM,
    it.Prepare: Request.PREPARE,
}


# -- what lifts a refusal ---------------------------------------------------------

Lifts = Callable[[CaseState, Any], bool]
"""Told the state and the intent, whether the refusal does not apply after all."""


def _expects(state: CaseState, *kinds: str) -> bool:
    return state.step is not None and state.step.expect.kind in kinds


def _quiet(state: CaseState, _: it.Intent) -> bool:
    return not state.open_warnings(state.active)


def _answers_what_waits(state: CaseState, given: it.Given) -> bool:
    """Said again, for the question or in the place of what was warned about."""
    asked = reach.wanted(state, given)
    again = asked is not None and (asked.old is not None or _warned(state, asked.step))
    early = asked is not None and reach.press_waits(state) and asked.step != state.step
    return again or early or _quiet(state, given) or bool(reach.open_here(state))


def _warned(state: CaseState, step: Step) -> bool:
    """Whether the value that a step of the present round has waits for an answer."""
    given = reach.in_place(state, state.active, step, state.here.round(step.loop))
    return given is not None and given.seq in {
        w.entry for w in state.open_warnings(state.active)
    }


def _mass_cools(state: CaseState, start: it.Command) -> bool:
    """A press is never held up: what warns about the heat waits until it is over. Any
    other act is done again where every warning is about it."""
    here = reach.open_here(state)
    again = set(here) == set(state.open_warnings(state.active))
    press = state.in_turn is not None and not reach.heats(state.in_turn)
    return again or (press and (bool(here) or not state.here.answered))


def _is_that_act(state: CaseState, start: it.Command) -> bool:
    expect = state.in_turn.expect if state.in_turn else None
    return _STARTS[start.verb] in {None, getattr(expect, "mode", None)}


def _timed_in_turn(state: CaseState, _: it.Intent) -> bool:
    """A question about a finding holds up no press."""
    return state.in_turn is not None and state.in_turn.expect.kind == "timed"


def _is_finding(state: CaseState, said: it.Finding) -> bool:
    return said.finding in {finding.id for finding in state.protocol.findings}


def _is_found_in_one(state: CaseState, said: it.Finding) -> bool:
    return reach.found_in(state, said) is not None


def _given_early(state: CaseState, given: it.Given) -> bool:
    """A length for another step than the press that runs."""
    found = reach.wanted(state, given)
    return found is not None and found.step != state.step


def _is_questioned(state: CaseState, _: it.Intent) -> bool:
    return state.pending is not None


def _says_no(state: CaseState, chosen: it.Chosen) -> bool:
    return state.pending is not None and chosen.option == "no"


def _asked(state: CaseState, _: it.Intent) -> bool:
    return state.step is not None


def _is_operator(state: CaseState, _: it.Intent) -> bool:
    return state.who == "operator"


def _no_final_length(state: CaseState, correction: it.Correction) -> bool:
    found = reach.to_correct(state, correction)
    old = found.old if found else None
    if old is None or state.role(old) is not Role.PAPER_POINT:
        return True
    return state.newest(old.track, Role.FINAL_LENGTH) is None


def _leads_elsewhere(state: CaseState, correction: it.Correction) -> bool:
    found = reach.to_correct(state, correction)
    return found is not None and reach.changes_way(state, found, correction.value)


def _no_canal_begun(state: CaseState, correction: it.Correction) -> bool:
    found = reach.to_correct(state, correction)
    late = found is not None and found.old is not None and found.step.expect.kind in ONCE
    return not late or not reach.canal_work_begun(state)


def _may_confirm(state: CaseState, confirm: it.Command) -> bool:
    pending = state.pending
    signing = pending is not None and pending.quantity in {"signature", VISIT}
    return not signing or _is_operator(state, confirm)


WHICH = frozenset({"corrected", "again"})
"""What answers whether a value corrects one or was taken again."""


def _not_which(state: CaseState, _: it.Intent) -> bool:
    return state.pending is None or state.pending.revises is None


def _says_which(state: CaseState, chosen: it.Chosen) -> bool:
    surely = chosen.option in WHICH and chosen.heard.doubt is None
    return _not_which(state, chosen) or surely or chosen.option == "no"


def _one_offered(state: CaseState, _: it.Intent) -> bool:
    return not reach.either(state)


def _suggests(state: CaseState, _: it.Intent) -> bool:
    return reach.offered(state) is not None


def _no_reading(state: CaseState, intent: it.AsPlanned) -> bool:
    """Not a length that can be known only by reading it off."""
    step = reach.planned_for(state, intent)
    if step is None or step.role in reach.PLANNED:
        return True
    suggests = getattr(step.expect, "suggest", None) is not None
    return suggests or step.expect.kind not in {"measure", "readings"}


def _is_planned(state: CaseState, intent: it.AsPlanned) -> bool:
    step = reach.planned_for(state, intent)
    return step is not None and reach.planned(state, step) is not None


def _is_option(state: CaseState, chosen: it.Chosen) -> bool:
    return state.step is not None and option_of(state.step, chosen.option) is not None


def _is_set_up(state: CaseState, _: it.Intent) -> bool:
    return state.track(CASE).step not in {step.id for step in state.protocol.opening}


def _at_the_end(state: CaseState, _: it.Intent) -> bool:
    """Every canal is finished, too: one may have gone back from the closing steps."""
    return _expects(state, "sign") and all(canal.finished for canal in state.canals)


def _has_plan(_: CaseState, visit: it.CloseVisit) -> bool:
    return all((text or "").strip() for text in (visit.dressing, visit.plan))


def _is_no_beside(problem: str, state: CaseState, intent: it.Beside) -> bool:
    return beside.problem(state, intent) != problem


def _names_somebody(_: CaseState, intent: it.Intent) -> bool:
    return not isinstance(intent, it.TakeOver | it.SignAs) or is_name(intent.name)


def _is_no(problem: str, state: CaseState, change: it.Change) -> bool:
    return changeable.change_problem(state, change) != problem


def _says_something(_: CaseState, addendum: it.Append) -> bool:
    return bool(addendum.text.strip() and addendum.by.strip())


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
_WARNING_FIRST = Row(_WARNING, _QUESTIONED | _WARNED, _quiet)

DOOR: dict[Request, tuple[Row, ...]] = {
    Request.VALUE: (
        Row(_WARNING, _QUESTIONED | _WARNED, _answers_what_waits),
        Row("nothing_asked", _FINISHED),
        Row(
            "not_this_step", _OPEN, lambda state, given: reach.wanted(state, given) is not None
        ),
    ),
    Request.CORRECTION: (
        Row(
            "nothing_to_correct",
            _OPEN | _PRESSING,
            lambda *said: reach.to_correct(*said) is not None,
        ),
        Row("correct_final_instead", _OPEN | _PRESSING, _no_final_length),
        Row("canals_begun", _OPEN | _PRESSING, _no_canal_begun),
    ),
    Request.OPTION: (
        Row(
            "say_which",
            _QUESTIONED,
            lambda state, chosen: chosen.option == "no" or _one_offered(state, chosen),
        ),
        Row("say_corrected_or_again", _QUESTIONED, _says_which),
        Row(
            "say_confirm_or_no",
            _QUESTIONED,
            lambda state, chosen: chosen.option == "no" or not _not_which(state, chosen),
        ),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("not_an_option", _ASKED, _is_option),
    ),
    Request.PLANNED: (
        Row("say_which", _QUESTIONED, _one_offered),
        Row("say_confirm_or_no", _QUESTIONED),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("read_off", _ASKED | _PRESSING, _no_reading),
        Row("no_plan", _ASKED | _PRESSING, _is_planned),
    ),
    Request.NEXT: (
        Row("say_which", _QUESTIONED, _one_offered),
        Row("say_corrected_or_again", _QUESTIONED, _not_which),
        Row("say_confirm_or_no", _QUESTIONED),
        Row(_WARNING, _WARNED),
        Row("nothing_asked", _FINISHED),
        Row("needs_answer", _ASKED, lambda state, _: _expects(state, "done")),
    ),
    Request.CONFIRM: (
        Row("say_which", _QUESTIONED | _PRESSING, _one_offered),
        Row("say_corrected_or_again", _QUESTIONED, _not_which),
        Row("operator_signs", _QUESTIONED, _may_confirm),
        Row(_WARNING, _WARNED),
        Row("nothing_to_confirm", _ASKED | _FINISHED, _suggests),
    ),
    Request.KEEP: (
        Row("nothing_to_keep", _ASKED | _FINISHED),
        Row("nothing_to_keep", _PRESSING, lambda *said: not _quiet(*said)),
        Row("nothing_to_keep", _QUESTIONED, lambda *said: not _quiet(*said)),
    ),
    Request.START: (
        Row("nothing_to_start", _OPEN, _timed_in_turn),
        Row("another_act", _OPEN, _is_that_act),
        Row(_WARNING, _QUESTIONED | _WARNED, _mass_cools),
    ),
    Request.STOP: (Row("nothing_to_stop", _OPEN),),
    Request.BACK: (
        _WARNING_FIRST,
        Row("at_the_start", _OPEN, lambda state, _: reach.way_back(state) is not None),
    ),
    Request.UNDO: (
        Row("nothing_to_undo", _OPEN, lambda state, _: reach.to_undo(state) is not None),
    ),
    Request.SKIP: (
        _WARNING_FIRST,
        Row("nothing_asked", _OPEN, _asked),
        Row("cannot_skip", _OPEN, lambda state, _: not _expects(state, *ONCE)),
        Row("skip_needs_reason", _OPEN, lambda _, skip: bool((skip.reason or "").strip())),
    ),
    Request.SWITCH: (
        Row("finish_setup_first", _OPEN, _is_set_up),
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
        Row("finish_setup_first", _OPEN | _PROPOSED, _is_set_up),
        *(
            Row(why, _OPEN | _PROPOSED, partial(_is_no, why))
            for why in get_args(changeable.ChangeProblem)
        ),
    ),
    Request.FINDING: (
        Row("no_such_finding", _OPEN | _PROPOSED | _PRESSING | _TIMING, _is_finding),
        Row("which_canal_first", _OPEN | _PROPOSED, _is_found_in_one),
    ),
    Request.SPEAKER: (Row("nobody_named", _OPEN, _names_somebody),),
    Request.PAUSE: (),
    Request.RESUME: (Row("not_paused", _OPEN),),
    Request.SIGN: (
        Row("not_at_the_end", _OPEN, _at_the_end),
        Row(_WARNING, _OPEN, lambda state, _: not any(w.open for w in state.warnings)),
        Row("operator_signs", _OPEN, _is_operator),
        Row("nobody_named", _OPEN, _names_somebody),
    ),
    Request.ADDENDUM: (
        Row("not_signed", frozenset(Mode) - {Mode.SIGNED}),
        Row("addendum_empty", frozenset({Mode.SIGNED}), _says_something),
    ),
    Request.PREPARE: (Row("begun_already", _OPEN, lambda state, _: not state.entries),),
    Request.VISIT: (
        _WARNING_FIRST,
        Row("operator_signs", _OPEN, _is_operator),
        Row("visit_needs", _OPEN, _has_plan),
    ),
    Request.BESIDE: tuple(
        Row(why, frozenset(Mode) - {Mode.SIGNED}, partial(_is_no_beside, why))
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
    Request.VALUE: _given_early,
    Request.CORRECTION: lambda *said: not _leads_elsewhere(*said),
    Request.PLANNED: lambda *_: True,
    Request.KEEP: lambda *_: True,
    Request.CONFIRM: _is_questioned,
    Request.OPTION: _says_no,
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
