"""decide(state, intent, now) -> events and state: what follows from what was said.

The door (:mod:`.modes`) refuses what the case does not take now; this file carries the
rest out. It is the road of a dictated value: is it in range, was it heard surely, is it
believable (:mod:`.doubts`); then onto the record, warnings first, and on to the next step
(:mod:`.moving`). Commands are in ``commands.py``, timed acts in ``timing.py``. No I/O, no
clock; replaying the events gives the same state.
"""

from __future__ import annotations

from typing import NamedTuple

from assistant.procedure import changes, commands, doubts, findings, moving, timing, visits
from assistant.procedure.correctable import changes_way, to_correct
from assistant.procedure.draft import Draft
from assistant.procedure.keep_beside import keep, note
from assistant.procedure.known import known
from assistant.procedure.lifts import WHICH
from assistant.procedure.modes import refusal
from assistant.procedure.reach import (
    Questioned,
    fits,
    offered,
    planned,
    planned_for,
    questioned,
    wanted,
)
from assistant.procedure.requests import QUERIES
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import Addendum, Entry, Origin
from assistant.progress.facts import option_of, text_of
from assistant.progress.state import CASE, VISIT, CaseState, Pending
from assistant.progress.values import problem_with
from assistant.protocol.model import AT_CANALS, Step
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
    if isinstance(intent, it.Several):
        _in_order(draft, intent.parts)
    else:
        _let_in(draft, intent)
    if draft.events:
        _take_known(draft)
    return Decided(tuple(draft.events), draft.state)


def _let_in(draft: Draft, intent: it.AnyIntent) -> None:
    if (refused := refusal(draft.state, intent)) is not None:
        draft.refuse(intent, refused.reason, **refused.detail)
    else:
        _carry_out(draft, intent)
        if any(isinstance(event, ev.ConfirmDropped) for event in draft.events):
            moving.go_on(draft)  # a question may have held the step up


def _take_known(draft: Draft) -> None:
    """Answer the steps that need not be asked, until one must be."""
    while (answer := known(draft.state)) is not None:
        _let_in(draft, answer)


def _in_order(draft: Draft, parts: tuple[it.Part, ...], *, confirmed: bool = False) -> None:
    """The answers of one sentence, each by the road of one said alone.

    Those behind one that is questioned wait with it; those behind one that is refused, or
    that an urgent warning stops, would answer another step than was meant, and are named.
    """
    for done, part in enumerate(parts, 1):
        draft.rest = parts[done - 1 :]
        while refusal(draft.state, part) and (skipped := known(draft.state)) is not None:
            _let_in(draft, skipped)  # the sentence goes past what need not be asked
        before, draft.rest = draft.state, parts[done:]
        heard = part.heard.model_copy(update={"doubt": None}) if confirmed else part.heard
        _let_in(draft, part.model_copy(update={"heard": heard}))
        state = draft.state
        asked = state.pending is not None and state.pending is not before.pending
        if asked or not draft.rest:
            return None
        taken = len(state.entries) > len(before.entries)
        fresh = set(state.open_warnings(state.active)) - set(before.open_warnings(state.active))
        if not taken or fresh:
            return _leave(draft, draft.rest)
    return None


def _leave(draft: Draft, rest: tuple[it.Part, ...]) -> None:
    """Say what of a sentence is not taken, so that it can be said again in its turn."""
    said = ", ".join(part.heard.text for part in rest)
    heard = rest[0].heard.model_copy(update={"text": said})
    draft.refuse(it.Several(parts=rest, heard=heard), "rest_not_taken", value=said)


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
        case it.Prepare(values=values, conditions=conditions):
            draft.add(ev.CasePrepared(at=draft.now, values=values))
            for condition, text in conditions:
                note(draft, condition, text, intent.heard)
        case it.Remark() | it.CorrectRemark() | it.DropRemark() | it.Note():
            keep(draft, intent)
        case it.CloseVisit():
            visits.ask_to_close(draft, intent)
        case it.Given():
            _given(draft, intent)
        case it.Correction():
            _correction(draft, intent)
        case it.Finding():
            _found(draft, intent)
        case it.Change():
            changes.ask(draft, intent)
        case it.Chosen() if draft.state.proposed is not None:
            changes.drop(draft, "not confirmed")
        case it.Chosen():
            _chosen(draft, intent)
        case it.AsPlanned():
            _as_planned(draft, intent)
        case it.Command(verb="confirm") if draft.state.proposed is not None:
            changes.carry_out(draft)
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
    _said_for(draft, intent, asked, "said again")


def _as_planned(draft: Draft, intent: it.AsPlanned) -> None:
    """The planned value, as if it had been said; it is read back with its number."""
    step = planned_for(draft.state, intent)
    assert step is not None
    value = planned(draft.state, step)
    assert value is not None
    meant = it.Given(kind="mm", value=value, quantity=intent.quantity, heard=intent.heard)
    _said_for(draft, meant, Questioned(step, None), "said again", origin="computed")


def _take(
    draft: Draft,
    intent: it.Given | it.Correction,
    step: Step,
    *,
    corrects: Entry | None = None,
    origin: Origin = "said",
    answers: Pending | None = None,
    which: str | None = None,
) -> None:
    """Range, doubt, rules, record: the same road for a first value and a correction.

    ``which`` tells what it is taken for where it might be for another value too. ``answers`` is
    the question that offered this value beside another. An answer that is in doubt itself is
    asked about alone: to offer the same two again would lead nowhere.
    """
    problem = None if intent.kind == "option" else problem_with(step, intent.value)
    if problem is not None:
        reason, detail = problem
        return draft.refuse(intent, reason, **detail)
    track = corrects.track if corrects else draft.state.active
    judged = draft.judge(track, step, intent.value, corrects)
    why, revises = doubts.doubt(judged, intent.heard), doubts.revised(draft, judged, corrects)
    if answers is not None and intent.heard.doubt is None and intent.value == answers.value:
        why = None  # what the rules ask of this one was said with the question
    if which is not None and why != which:
        why = f"{which} {why}"
    if why is not None or revises is not None:
        alone = answers is None and not draft.rest and which is None
        rival = doubts.rival_of(step, intent) if alone else None
        revises = None if rival is not None else revises  # one question after the other
        return doubts.ask(
            *(draft, judged, intent.heard, why or "", intent.kind, corrects, origin, rival),
            revises=revises,
        )
    correction = corrects is not None
    if corrects is not None:
        _lead_back(draft, Questioned(step, corrects), intent.value)
    confirmed = origin == "computed" or answers is not None
    draft.enter(judged, intent.heard, correction=correction, origin=origin, confirmed=confirmed)
    return _go_on(draft, step)


def _lead_back(draft: Draft, to: Questioned, value: it.Scalar) -> None:
    """An answer that leads elsewhere than the one it corrects leads on from its own step."""
    if to.old is not None and changes_way(draft.state, to, value):
        if to.old.track != draft.state.active:
            draft.add(ev.TrackSelected(track=to.old.track, at=draft.now))
        commands.ask_again(draft, to.old)


def _go_on(draft: Draft, step: Step) -> None:
    if step.expect.kind == "tooth":
        commands.check_canals_again(draft)
    moving.go_on(draft)


def _confirm(draft: Draft, intent: it.Command) -> None:
    """ "Confirm": the doubtful value, or the value the program offers."""
    state, step, pending = draft.state, draft.state.step, draft.state.pending
    asked = questioned(state)
    if pending is not None and pending.quantity == VISIT:
        return visits.close(draft, pending)
    if pending is not None and asked is not None:
        if pending.quantity == "signature":
            return commands.sign(draft, asked.step, pending)
        track = asked.old.track if asked.old else state.active
        _lead_back(draft, asked, pending.value)
        draft.enter(
            draft.judge(track, asked.step, pending.value, asked.old),
            pending.heard,
            origin=pending.origin,
            confirmed=True,
            correction=asked.old is not None,
        )
        _go_on(draft, asked.step)
        return _go_on_with(draft, pending.rest, confirmed=True)
    value = offered(state)
    assert step is not None
    assert value is not None
    computed = it.Given(kind="mm", value=value, heard=intent.heard)
    return _take(draft, computed, step, origin="computed")


def _go_on_with(
    draft: Draft, rest: tuple[it.Part, ...], *, taken: bool = True, confirmed: bool = False
) -> None:
    """What waited with a questioned value; a warning about that comes first."""
    if rest and (not taken or draft.state.open_warnings(draft.state.active)):
        _leave(draft, rest)
    elif rest:
        _in_order(draft, rest, confirmed=confirmed)


def _correction(draft: Draft, intent: it.Correction) -> None:
    """Replace the value in question."""
    found = to_correct(draft.state, intent)
    assert found is not None
    old = found.old
    which = None if old is None else doubts.which_of_two(draft.state, intent, found.step, old)
    if which is not None:
        doubted = intent.heard.model_copy(update={"doubt": which})
        intent = intent.model_copy(update={"heard": doubted})
    _said_for(draft, intent, found, "corrected", which=which)
    there = old.track if old is not None else draft.state.active
    waits = there != draft.state.active and draft.state.open_warnings(there)
    if waits and draft.state.pending is None and draft.state.timer is None:
        draft.add(ev.TrackSelected(track=there, at=draft.now))  # to be answered there
    elif draft.state.here.step == AT_CANALS and not draft.state.open_warnings(CASE):
        moving.after_part(draft)  # it was


def _said_for(
    draft: Draft,
    intent: it.Given | it.Correction,
    to: Questioned,
    why: str,
    *,
    origin: Origin = "said",
    which: str | None = None,
) -> None:
    """A value for a step or an entry, in the place of one that waits. One of the two that
    the question offered is thereby confirmed; what waited behind the question goes on."""
    waiting = draft.state.pending
    here = waiting is not None and to == questioned(draft.state)
    answers = waiting if waiting and here and intent.value in waiting.offers else None
    draft.drop_pending(why)
    rest = waiting.rest if waiting and not draft.rest else ()
    draft.rest = draft.rest or rest
    before = draft.state
    _take(draft, intent, to.step, corrects=to.old, answers=answers, origin=origin, which=which)
    if rest and draft.state.pending is None:
        _go_on_with(draft, rest, taken=len(draft.state.entries) > len(before.entries))


def _chosen(draft: Draft, intent: it.Chosen) -> None:
    """One of the step's options, or what answers a question."""
    state, step = draft.state, draft.state.step
    if state.pending is not None:
        if intent.option in WHICH:
            return _corrected_or_again(draft, state.pending, intent.option)
        return draft.drop_pending("not confirmed")
    assert step is not None
    if step.expect.kind == "done" and intent.option == "yes":
        return _done(draft, intent)
    judged = draft.judge(state.active, step, intent.option)
    why = doubts.doubt(judged, intent.heard)
    option = option_of(step, intent.option)
    leads = option is not None and option.to is not None
    which = None if leads else doubts.revised(draft, judged, None)
    if why is not None or which is not None:
        return doubts.ask(draft, judged, intent.heard, why or "", revises=which)
    draft.enter(judged, intent.heard)
    moving.go_on(draft)
    if option is not None and option.change is not None:
        said = it.Change(
            what=option.change,
            to=option.part,
            reason=findings.reason_here(state),
            heard=intent.heard,
        )
        _let_in(draft, said)
    return None


def _found(draft: Draft, intent: it.Finding) -> None:
    """A finding, and the length that was told along, by the road of one said alone."""
    draft.drop_pending("a finding was said")
    changes.drop(draft, "a finding was said")
    findings.note_down(draft, intent)
    if intent.mm is None:
        return
    step, told = draft.state.step, it.Given(kind="mm", value=intent.mm, heard=intent.heard)
    if draft.state.aside is not None and step is not None and fits(step, told):
        _take(draft, told, step)
    else:
        draft.refuse(intent, "rest_not_taken", value=text_of(intent.mm))


def _corrected_or_again(draft: Draft, pending: Pending, answer: str) -> None:
    """The value waited for whether it corrects the one that stands, or is of what was done
    again; then what rests on that one counts no more."""
    old, asked = draft.state.entries[(pending.revises or 0) - 1], questioned(draft.state)
    assert asked is not None
    corrects = old if answer == "corrected" else None
    if corrects is None:
        changes.from_here(draft, old, pending)
    judged = draft.judge(old.track, asked.step, pending.value, corrects)
    new = [one.text for one in judged.fired if one.rule.severity == "confirm"]
    if unsaid := [text for text in new if text not in pending.why]:
        draft.drop_pending("asked about anew")
        kind = pending.kind
        return doubts.ask(
            draft, judged, pending.heard, unsaid[0], kind, corrects, pending.origin
        )
    draft.enter(
        judged,
        pending.heard,
        origin=pending.origin,
        confirmed=True,
        correction=corrects is not None,
    )
    _go_on(draft, asked.step)
    return _go_on_with(draft, pending.rest, confirmed=True)


def _done(draft: Draft, intent: it.Command | it.Chosen) -> None:
    """ "Done", "next": an acknowledgement; never a value."""
    step, heard = draft.state.step, intent.heard
    assert step is not None
    judged = draft.judge(draft.state.active, step, "done")
    if heard.doubt is not None:
        return doubts.ask(draft, judged, heard, heard.doubt)
    draft.enter(judged, heard)
    return moving.go_on(draft)
