"""Which kind of request an intent is: what the table of the door (:mod:`.modes`) is about."""

from __future__ import annotations

from enum import StrEnum

from assistant.procedure import lifts
from assistant.progress import intents as it
from assistant.progress.state import CaseState

QUERIES = frozenset(
    {"repeat", "where", "read_back", "what_is_left", "more", "how_long", "what_can_i_say"}
    | {"remark"}
    | {"say_all", "say_less", "say_warnings", "pair"}
)
"""Commands that change nothing in the case and are answered at any time."""


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
            if verb in lifts.STARTS:
                return Request.START
            return Request.QUERY if verb in QUERIES else Request(verb)
        case it.Chosen(option="yes") if lifts.expects(state, "done"):
            return Request.NEXT
    return _REQUESTS.get(type(intent))


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
