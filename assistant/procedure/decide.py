"""decide(state, intent, now) -> events and state: what follows from what was said.

The door (:mod:`.modes`) refuses what the case does not take now; this file carries the
rest out. It is the road of a dictated value: is it in range, was it heard surely, is it
believable; then onto the record, warnings first, and on to the next step. Commands are in
``commands.py``, timed acts in ``timing.py``. No I/O, no clock; replaying the events gives
the same state.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from assistant.procedure import commands, timing
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft, Judged
from assistant.procedure.modes import QUERIES, refusal
from assistant.procedure.reach import offered, questioned, to_correct, wanted
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
    judged = draft.judge(track, step, intent.value, corrects)
    why = _doubt(judged, intent.heard)
    if why is not None:
        return _ask(draft, judged, intent.heard, why, intent.kind, corrects, origin)
    correction, confirmed = corrects is not None, origin == "computed"
    draft.enter(judged, intent.heard, correction=correction, origin=origin, confirmed=confirmed)
    return _go_on(draft, step)


def _go_on(draft: Draft, step: Step) -> None:
    if step.expect.kind == "tooth":
        commands.check_canals_again(draft)
    draft.go_on()


def _doubt(judged: Judged, heard: it.Heard) -> str | None:
    """Why this value must be confirmed before it counts, or None."""
    asked = (one.text for one in judged.fired if one.rule.severity == "confirm")
    return next(asked, heard.doubt)


def _ask(
    draft: Draft,
    judged: Judged,
    heard: it.Heard,
    why: str,
    kind: it.ValueKind | Literal["option"] = "option",
    corrects: Entry | None = None,
    origin: Origin = "said",
) -> None:
    """Question a doubtful value; a depth past its limit is warned about at once."""
    pending = Pending(
        kind=kind,
        quantity=judged.candidate.quantity,
        value=judged.candidate.value,
        corrects=corrects.seq if corrects else None,
        heard=heard,
        why=why,
        warned=tuple(one.text for one in judged.fired if one.rule.severity == "urgent"),
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
        track = asked.old.track if asked.old else state.active
        draft.enter(
            draft.judge(track, asked.step, pending.value, asked.old),
            pending.heard,
            origin=pending.origin,
            confirmed=True,
            correction=asked.old is not None,
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
    judged = draft.judge(state.active, step, intent.option)
    why = _doubt(judged, intent.heard)
    if why is not None:
        return _ask(draft, judged, intent.heard, why)
    draft.enter(judged, intent.heard)
    return draft.go_on()


def _done(draft: Draft, intent: it.Command | it.Chosen) -> None:
    """ "Done", "next": an acknowledgement; never a value."""
    step, heard = draft.state.step, intent.heard
    assert step is not None
    judged = draft.judge(draft.state.active, step, "done")
    if heard.doubt is not None:
        return _ask(draft, judged, heard, heard.doubt)
    draft.enter(judged, heard)
    return draft.go_on()
