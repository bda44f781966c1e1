"""decide(state, intent, now) -> events and state: what follows from what was said.

The door (:mod:`.modes`) refuses what the case does not take now; this file carries the
rest out. It is the road of a dictated value: is it in range, was it heard surely, is it
believable; then onto the record, warnings first, and on to the next step. Commands are in
``commands.py``, timed acts in ``timing.py``. No I/O, no clock; replaying the events gives
the same state.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from assistant.procedure import commands, timing
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft
from assistant.procedure.intents import Scalar
from assistant.procedure.modes import QUERIES, refusal
from assistant.procedure.reach import offered, questioned, to_correct, wanted
from assistant.procedure.rules import fired_by_value
from assistant.procedure.state import Addendum, CaseState, Entry, Origin, Pending
from assistant.procedure.values import problem_with
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment


class Decided(NamedTuple):
    """What follows from one intent: the events, and the state they lead to."""

    events: tuple[ev.AnyEvent, ...]
    state: CaseState


def decide(state: CaseState, intent: it.AnyIntent, now: Moment) -> Decided:
    """What follows from one intent. Never raises for anything said.

    The state is that of ``state`` with every event applied, so that nobody need do it
    again.
    """
    draft = Draft(state, now)
    if (refused := refusal(state, intent)) is not None:
        draft.refuse(intent, refused.reason, **refused.detail)
    else:
        _carry_out(draft, intent)
    return Decided(tuple(draft.events), draft.state)


def _carry_out(draft: Draft, intent: it.AnyIntent) -> None:
    """What the door has let through is taken; nothing below asks whether it may be."""
    state, now = draft.state, draft.now
    match intent:
        case it.Tick():
            timing.tick(draft)
        case it.ReadOut(seq=seq):
            if any(e.seq == seq and not e.read_back for e in state.entries):
                draft.add(ev.EntryReadBack(seq=seq, at=now))
        case it.Trouble(text=text):
            draft.add(ev.TroubleMet(text=text, at=now))
        case it.Reopen():
            timing.reopen(draft, intent)
        case it.Unclear():
            rejected = draft.rejected(intent.heard.text, intent.reason)
            draft.add(
                ev.NotUnderstood(
                    rejected=rejected,
                    confidence=intent.heard.confidence,
                    readings=intent.readings,
                )
            )
        case it.Command(verb=verb) if verb in QUERIES:
            draft.add(ev.Queried(what=verb, heard=intent.heard, at=now))
        case it.Append(text=text, by=by):
            addendum = Addendum(text=text.strip(), by=by.strip(), at=now)
            draft.add(ev.AddendumMade(addendum=addendum))
        case it.Given():
            _given(draft, intent)
        case it.Correction():
            _correction(draft, intent)
        case it.Chosen():
            _chosen(draft, intent)
        case it.Command(verb="confirm"):
            _confirm(draft, intent)
        case it.Command(verb="next"):
            _done(draft, intent)
        case _:
            commands.obey(draft, intent)


def _given(draft: Draft, intent: it.Given) -> None:
    """A value for the present step, or for the question about an earlier one."""
    asked = wanted(draft.state, intent)
    assert asked is not None
    draft.drop_pending("said again")
    return _take(draft, intent, asked.step, corrects=asked.old)


def _take(
    draft: Draft,
    intent: it.Given | it.Correction,
    step: Step,
    *,
    corrects: Entry | None = None,
    origin: Origin = "said",
) -> None:
    """Range, doubt, rules, record: the same road for a first value and a correction."""
    problem = problem_with(step, intent.value)
    if problem is not None:
        reason, detail = problem
        return draft.refuse(intent, reason, **detail)
    track = corrects.track if corrects else draft.state.active
    why = _doubt(draft, track, step, intent.value, intent.heard.doubt, corrects)
    if why is not None:
        return _ask(draft, intent, step, why, corrects, origin)
    confirmed = origin == "computed"
    draft.enter(
        track,
        step,
        intent.value,
        intent.heard,
        corrects=corrects,
        origin=origin,
        confirmed=confirmed,
    )
    return _go_on(draft, step)


def _go_on(draft: Draft, step: Step) -> None:
    if step.expect.kind == "tooth":
        commands.check_canals_again(draft)
    draft.go_on()


def _doubt(
    draft: Draft, track: str, step: Step, value: Scalar, heard: str | None, old: Entry | None
) -> str | None:
    """Why this value must be confirmed before it counts, or None."""
    for fired in fired_by_value(draft.state, draft.candidate(track, step, value, old)):
        if fired.rule.severity == "confirm":
            return fired.text
    return heard


def _ask(
    draft: Draft,
    intent: it.Given | it.Correction | it.Chosen,
    step: Step,
    why: str,
    corrects: Entry | None = None,
    origin: Origin = "said",
) -> None:
    """Question a doubtful value; a depth past its limit is warned about at once."""
    value: Any = intent.option if isinstance(intent, it.Chosen) else intent.value
    kind: Any = "option" if isinstance(intent, it.Chosen) else intent.kind
    track = corrects.track if corrects else draft.state.active
    candidate = draft.candidate(track, step, value, corrects)
    pending = Pending(
        kind=kind,
        quantity=step.expect.quantity,
        value=value,
        corrects=corrects.seq if corrects else None,
        heard=intent.heard,
        why=why,
        warned=tuple(
            fired.text
            for fired in fired_by_value(draft.state, candidate)
            if fired.rule.severity == "urgent"
        ),
        origin=origin,
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def _confirm(draft: Draft, intent: it.Command) -> None:
    """ "Confirm": the doubtful value, or the value the program offers."""
    state, step, pending = draft.state, draft.state.step, draft.state.pending
    asked = questioned(state)
    if pending is not None and asked is not None:
        if pending.quantity == "signature":
            return commands.sign(draft, asked.step, pending.heard)
        draft.enter(
            asked.old.track if asked.old else state.active,
            asked.step,
            pending.value,
            pending.heard,
            origin=pending.origin,
            confirmed=True,
            corrects=asked.old,
        )
        return _go_on(draft, asked.step)
    value = offered(state)
    assert step is not None
    assert value is not None
    computed = it.Given(kind="mm", value=value, heard=intent.heard)
    return _take(draft, computed, step, origin="computed")


def _correction(draft: Draft, intent: it.Correction) -> None:
    """Replace the value in question."""
    found = to_correct(draft.state, intent)
    assert found is not None
    draft.drop_pending("corrected")
    return _take(draft, intent, found.step, corrects=found.old)


def _chosen(draft: Draft, intent: it.Chosen) -> None:
    """One of the step's options, or yes and no where they answer a question."""
    state, step = draft.state, draft.state.step
    if state.pending is not None:
        return draft.drop_pending("not confirmed")
    assert step is not None
    if step.expect.kind == "done" and intent.option == "yes":
        return _done(draft, intent)
    why = _doubt(draft, state.active, step, intent.option, intent.heard.doubt, None)
    if why is not None:
        return _ask(draft, intent, step, why)
    draft.enter(state.active, step, intent.option, intent.heard)
    return draft.go_on()


def _done(draft: Draft, intent: it.Command | it.Chosen) -> None:
    """ "Done", "next": an acknowledgement; never a value."""
    step, doubt = draft.state.step, intent.heard.doubt
    assert step is not None
    if doubt is not None:
        return _ask(draft, it.Chosen(option="done", heard=intent.heard), step, doubt)
    draft.enter(draft.state.active, step, "done", intent.heard)
    return draft.go_on()
