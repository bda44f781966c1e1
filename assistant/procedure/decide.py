"""decide(state, intent, now) -> events and state: what follows from what was said.

This file is the road of a dictated value: is it what this step asks for, is it
in range, was it heard surely, is it believable; then onto the record, warnings
first, and on to the next step. Commands are in ``commands.py``, timed acts in
``timing.py``. No I/O, no clock; replaying the events gives the same state.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from assistant.procedure import commands, timing
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft
from assistant.procedure.facts import option_of, stays, suggestion
from assistant.procedure.intents import Scalar
from assistant.procedure.rules import fired_by_value
from assistant.procedure.state import Addendum, CaseState, Entry, Origin, Pending
from assistant.procedure.values import problem_with
from assistant.protocol.model import Step
from assistant.protocol.moment import Moment

KIND_OF = {
    "measure": "mm",
    "readings": "mm",
    "size": "size",
    "taper": "taper",
    "timed": "s",
    "tooth": "tooth",
    "canals": "canals",
}
"""Which kind of value each expectation takes; others take none."""

QUERIES = frozenset(
    {"repeat", "where", "read_back", "what_is_left", "how_long", "what_can_i_say"}
    | {"say_all", "say_less", "say_warnings"}
)
"""Commands that change nothing in the case and are answered at any time."""


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
        case it.Append():
            _append(draft, intent)
        case _ if (closed := _closed(state, intent)) is not None:
            draft.refuse(intent, closed)
        case it.Given():
            _given(draft, intent)
        case it.Correction():
            _correction(draft, intent)
        case it.Chosen():
            _chosen(draft, intent)
        case it.Command(verb="confirm"):
            _confirm(draft, intent)
        case it.Command(verb="next"):
            _next(draft, intent)
        case _:
            commands.obey(draft, intent)
    return Decided(tuple(draft.events), draft.state)


def _append(draft: Draft, intent: it.Append) -> None:
    """An addendum; before the signature the record itself can still be put right."""
    if draft.state.signed is None:
        return draft.refuse(intent, "not_signed")
    if not intent.text.strip() or not intent.by.strip():
        return draft.refuse(intent, "addendum_empty")
    addendum = Addendum(text=intent.text.strip(), by=intent.by.strip(), at=draft.now)
    return draft.add(ev.AddendumMade(addendum=addendum))


def _closed(state: CaseState, intent: it.AnyIntent) -> str | None:
    """Why nothing but a query or a stop is taken now, or None."""
    verb = intent.verb if isinstance(intent, it.Command) else None
    if state.signed is not None:
        return "signed"
    if state.paused and verb != "resume":
        return "paused"
    if state.timer is not None and verb != "stop":
        return "timer_running"
    return None


def _given(draft: Draft, intent: it.Given) -> None:
    """A value for the present step, or for the question about an earlier one."""
    state, step = draft.state, draft.state.step
    asked = _questioned(state)
    if asked is not None and asked.old is not None and _fits(asked.step, intent):
        draft.drop_pending("said again")
        return _take(draft, intent, asked.step, corrects=asked.old)
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if not _fits(step, intent):
        wanted = intent.quantity or intent.kind
        return draft.refuse(intent, "not_this_step", value=wanted, step=step.title)
    if state.open_warnings(state.active) and not draft.open_here():
        return draft.refuse(intent, "answer_warning_first")
    draft.drop_pending("said again")
    return _take(draft, intent, step)


class _Questioned(NamedTuple):
    """What a pending question is about: a step, and the entry it would correct."""

    step: Step
    old: Entry | None


def _questioned(state: CaseState) -> _Questioned | None:
    pending = state.pending
    if pending is None:
        return None
    if pending.corrects is not None:
        old = state.entries[pending.corrects - 1]
        return _Questioned(state.protocol.step(old.step), old)
    return None if state.step is None else _Questioned(state.step, None)


def _fits(step: Step, intent: it.Given | it.Correction) -> bool:
    expect = step.expect
    if KIND_OF.get(expect.kind) != intent.kind:
        return False
    return intent.quantity is None or _same_quantity(intent.quantity, expect.quantity)


def _same_quantity(named: str, expected: str) -> bool:
    """Whether a quantity named aloud is the step's: "plugger" may be any plugger."""
    return (
        named == expected
        or expected.endswith(f"_{named}")
        or named in _FAMILY.get(expected, ())
    )


_FAMILY: dict[str, tuple[str, ...]] = {
    "coronal_plugger_mm": ("plugger_mm",),
    "middle_plugger_mm": ("plugger_mm",),
    "apical_plugger_mm": ("plugger_mm",),
    "plugger_depth_mm": ("plugger_mm",),
    "heat_carrier_fit_mm": ("heat_carrier_mm",),
    "heat_depth_mm": ("heat_carrier_mm",),
    "final_working_length_mm": ("working_length_mm",),
    "cone_length_mm": ("cone_mm",),
}
"""General names that stand for the particular quantity of a step."""


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
    asked = _questioned(state)
    if pending is not None and asked is not None:
        if pending.quantity == "signature":
            return commands.sign(draft, intent, asked.step, pending.heard)
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
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    offered = getattr(step.expect, "suggest", None) if step else None
    value = suggestion(state, state.active, offered) if offered else None
    if step is None or value is None:
        return draft.refuse(intent, "nothing_to_confirm")
    computed = it.Given(kind="mm", value=value, heard=intent.heard)
    return _take(draft, computed, step, origin="computed")


def _correction(draft: Draft, intent: it.Correction) -> None:
    """Replace the value in question: one that waits for its "confirm", else one
    that was warned about, else the last of its kind (or of the named quantity)."""
    state = draft.state
    asked = _questioned(state)
    if asked is not None and _fits(asked.step, intent):
        draft.drop_pending("corrected")
        return _take(draft, intent, asked.step, corrects=asked.old)
    candidates = [e for e in state.standing(state.active) if _correctable(state, e, intent)]
    if not candidates:
        return draft.refuse(intent, "nothing_to_correct")
    warned = {warning.entry for warning in state.open_warnings(state.active)}
    old = ([e for e in candidates if e.seq in warned] or candidates)[-1]
    if old.quantity == "paper_point_mm" and state.newest(old.track, "final_working_length_mm"):
        return draft.refuse(intent, "correct_final_instead")
    if old.quantity in {"tooth", "canals"} and commands.canal_work_begun(state):
        return draft.refuse(intent, "canals_begun")
    draft.drop_pending("corrected")
    return _take(draft, intent, state.protocol.step(old.step), corrects=old)


def _correctable(state: CaseState, entry: Entry, intent: it.Correction) -> bool:
    """A value of that kind; not a time that was measured, nor an answer that led
    elsewhere ("level reached" is no length)."""
    step = state.protocol.step(entry.step)
    if entry.origin == "timed" or not _fits(step, intent):
        return False
    option = option_of(step, entry.value) if isinstance(entry.value, str) else None
    return option is None or option.to is None or stays(step, option.id)


def _chosen(draft: Draft, intent: it.Chosen) -> None:
    """One of the step's options, or yes and no where they answer a question."""
    state, step = draft.state, draft.state.step
    if state.pending is not None:
        if intent.option == "no":
            return draft.drop_pending("not confirmed")
        return draft.refuse(intent, "say_confirm_or_no")
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if step.expect.kind == "done" and intent.option == "yes":
        if intent.heard.doubt is None or state.open_warnings(state.active):
            return _next(draft, intent)
        done = intent.model_copy(update={"option": "done"})
        return _ask(draft, done, step, intent.heard.doubt)
    if option_of(step, intent.option) is None:
        return draft.refuse(
            intent, "not_an_option", value=intent.option.replace("_", " "), step=step.title
        )
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    doubt = intent.heard.doubt
    why = _doubt(draft, state.active, step, intent.option, doubt, None)
    if why is not None:
        return _ask(draft, intent, step, why)
    draft.enter(state.active, step, intent.option, intent.heard)
    return draft.go_on()


def _next(draft: Draft, intent: it.Command | it.Chosen) -> None:
    """ "Done", "next": an acknowledgement; never a value."""
    state, step = draft.state, draft.state.step
    if state.pending is not None:
        return draft.refuse(intent, "say_confirm_or_no")
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if step.expect.kind != "done":
        return draft.refuse(intent, "needs_answer", step=step.title)
    if intent.heard.doubt is not None:
        done = it.Chosen(option="done", heard=intent.heard)
        return _ask(draft, done, step, intent.heard.doubt)
    draft.enter(state.active, step, "done", intent.heard)
    return draft.go_on()
