"""What can be said now: one of everything that can be meant, asked at the door.

So what is offered is what would be taken, and nothing that would be taken is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, get_args

from assistant.procedure import reach
from assistant.procedure.correctable import corrections
from assistant.procedure.modes import CLOSED, Mode, mode_of, refusal
from assistant.procedure.requests import QUERIES, Request, request_of
from assistant.progress import intents as it
from assistant.progress.state import KIND_OF, CaseState

ANSWERS: dict[Mode, tuple[Request, ...]] = {
    **{mode: (request,) for mode, (_, request) in CLOSED.items()},
    Mode.PRESSING: (
        Request.STOP,
        Request.VALUE,
        Request.PLANNED,
        Request.CONFIRM,
        Request.OPTION,
        Request.KEEP,
    ),
    Mode.PROPOSED: (Request.CONFIRM, Request.OPTION),
    Mode.QUESTIONED: (Request.CONFIRM, Request.OPTION),
    Mode.WARNED: (Request.KEEP, Request.START, Request.CORRECTION),
    Mode.ASKED: (
        Request.START,
        Request.NEXT,
        Request.SIGN,
        Request.CONFIRM,
        Request.VALUE,
        Request.PLANNED,
        Request.OPTION,
    ),
    Mode.FINISHED: (Request.SWITCH,),
}
"""The requests that answer what the case waits for in each mode."""


class Offer(NamedTuple):
    """A request that would be taken now, as an intent that stands for it (a value in it
    for any value), and whether it answers what is waited for."""

    request: Request
    intent: it.AnyIntent
    answers: bool


def offers(state: CaseState) -> tuple[Offer, ...]:
    """Everything that could be said now and would be taken, what answers first; queries
    aside, which always are, and changes of the case, which nobody plans."""
    mode = mode_of(state)
    answers = ANSWERS[mode]
    if mode is Mode.QUESTIONED and reach.either(state):
        answers = (Request.VALUE, Request.OPTION)
    found = [
        Offer(request, intent, request in answers)
        for intent in _sayable(state)
        if (request := request_of(state, intent)) and refusal(state, intent) is None
    ]
    order = [*answers, *Request]
    return tuple(sorted(found, key=lambda offer: order.index(offer.request)))


def _sayable(state: CaseState) -> Iterator[it.AnyIntent]:
    """One of everything that can be meant: each option, canal and kind of value; and
    each of two values that a question offers."""
    pending = state.pending
    if pending is not None and pending.kind != "option":
        yield from (it.Given(kind=pending.kind, value=value) for value in pending.offers)
    if pending is not None and pending.revises is not None:
        yield from (it.Chosen(option=option) for option in ("corrected", "again"))
    asked = reach.questioned(state)
    options = state.step.options if state.step else ()
    yield from (it.Chosen(option=option.id) for option in options)
    if "no" not in {option.id for option in options}:
        yield it.Chosen(option="no")
    steps = {step.id: step for step in (state.step, asked.step if asked else None) if step}
    for step in reach.early(state):
        steps[step.id] = step
    for kind in dict.fromkeys(KIND_OF.get(step.expect.kind) for step in steps.values()):
        if kind is not None:
            yield it.Given(kind=kind, value=0)
    yield it.AsPlanned()
    correct = corrections(state)
    for kind in correct.kinds:
        yield it.Correction(kind=kind, value=0)
    for _, answers in correct.answers[:1]:
        yield it.Correction(kind="option", value=answers[0])
    for verb in get_args(it.Verb):
        if verb not in QUERIES and verb != "start":  # it is one of the two acts
            yield it.Command(verb=verb)
    yield it.Skip(reason="not needed")
    yield from (it.Finding(finding=finding.id) for finding in state.protocol.findings)
    yield from (it.SwitchCanal(canal=t.name) for t in state.tracks if t.name != state.active)
    yield it.WhoSpeaks(who="chairside" if state.who == "operator" else "operator")
