"""decide(state, intent, now) -> events: what follows from what was said.

This file is the road of a dictated value: is it what this step asks for, is it
in range, was it heard surely, is it believable; then onto the record, warnings
first, and on to the next step. Commands are in ``commands.py``, timed acts in
``timing.py``. No I/O, no clock; replaying the events gives the same state.
"""

from __future__ import annotations

from typing import Any

from assistant.procedure import commands, timing
from assistant.procedure import events as ev
from assistant.procedure import intents as it
from assistant.procedure.draft import Draft
from assistant.procedure.facts import option_of, suggestion, text_of
from assistant.procedure.moment import Moment
from assistant.procedure.protocol import Step
from assistant.procedure.rules import Candidate, fired_by_value
from assistant.procedure.state import CaseState, Entry, Pending

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


def decide(state: CaseState, intent: it.AnyIntent, now: Moment) -> tuple[ev.AnyEvent, ...]:
    """The events that follow from one intent. Never raises for anything said."""
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
    return tuple(draft.events)


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
    """A value for the present step."""
    step = draft.state.step
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if not _fits(step, intent):
        wanted = intent.quantity or intent.kind
        return draft.refuse(intent, "not_this_step", value=wanted, step=step.title)
    _drop_pending(draft, "said again")
    return _take(draft, intent, step, replaces=None)


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
    replaces: Entry | None,
) -> None:
    """Range, doubt, rules, record: the same road for a first value and a correction."""
    track = replaces.track if replaces else draft.state.active
    problem = _out_of_range(step, intent)
    if problem:
        return draft.refuse(intent, "out_of_range", **problem)
    if step.expect.kind == "canals" and (twice := commands.named_twice(intent)):
        return draft.refuse(intent, "canal_named_twice", value=twice)
    why = _doubt(draft, intent, step, track, replaces)
    if why is not None:
        return _ask(draft, intent, step, why, replaces)
    draft.enter(track, step, intent.value, intent.heard, replaces=replaces)
    return _go_on(draft, step, replaces)


def _go_on(draft: Draft, step: Step, replaces: Entry | None) -> None:
    """Advance if the value is the present step's; an older correction moves nothing."""
    state = draft.state
    here = state.step
    if replaces is None or (here is not None and here.id == step.id):
        draft.advance()


def _out_of_range(step: Step, intent: it.Given | it.Correction) -> dict[str, str] | None:
    expect, value = step.expect, intent.value
    if expect.kind in {"measure", "readings"} and isinstance(value, int | float):
        low, high = getattr(expect, "min_mm", 0.0), getattr(expect, "max_mm", 0.0)
        if not low <= value <= high:
            return {"value": text_of(value), "low": text_of(low), "high": text_of(high)}
    return None


def _doubt(
    draft: Draft,
    intent: it.Given | it.Correction,
    step: Step,
    track: str,
    replaces: Entry | None,
) -> str | None:
    """Why this value must be confirmed before it counts, or None."""
    quantity = step.expect.quantity
    round_ = replaces.round if replaces else draft.round_for(track, step)
    candidate = Candidate(track, step, quantity, intent.value, round_)
    for fired in fired_by_value(draft.state, candidate):
        if fired.rule.severity == "confirm":
            return fired.text
    if step.expect.kind == "canals" and (odd := commands.unusual_canal(draft, intent)):
        return f"{odd.capitalize()} canal is unusual for this tooth."
    return intent.heard.doubt


def _ask(
    draft: Draft,
    intent: it.Given | it.Correction | it.Chosen,
    step: Step,
    why: str,
    replaces: Entry | None = None,
) -> None:
    """Question a doubtful value; a depth past its limit is warned about at once."""
    value: Any = intent.option if isinstance(intent, it.Chosen) else intent.value
    kind: Any = "option" if isinstance(intent, it.Chosen) else intent.kind
    state = draft.state
    track = replaces.track if replaces else state.active
    round_ = replaces.round if replaces else draft.round_for(track, step)
    for fired in fired_by_value(
        state, Candidate(track, step, step.expect.quantity, value, round_)
    ):
        if fired.rule.severity == "urgent":
            why = f"{fired.text} {why}"
    pending = Pending(
        kind=kind,
        quantity=step.expect.quantity,
        value=value,
        corrects=replaces.seq if replaces else None,
        heard=intent.heard,
        why=why,
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def _drop_pending(draft: Draft, reason: str) -> None:
    pending = draft.state.pending
    if pending is not None:
        rejected = draft.rejected(pending.heard.text, reason)
        draft.add(ev.ConfirmDropped(rejected=rejected))


def _confirm(draft: Draft, intent: it.Command) -> None:
    """ "Confirm": the doubtful value, or the value the program offers."""
    state = draft.state
    pending, step = state.pending, state.step
    if pending is not None:
        old = next((e for e in state.entries if e.seq == pending.corrects), None)
        if old is not None:
            step = state.protocol.step(old.step)
        if step is None:
            return draft.refuse(intent, "nothing_to_confirm")
        if pending.quantity == "signature":
            return commands.sign(draft, pending.heard)
        track = old.track if old else state.active
        draft.enter(track, step, pending.value, pending.heard, confirmed=True, replaces=old)
        return _go_on(draft, step, old)
    offered = getattr(step.expect, "suggest", None) if step else None
    value = suggestion(state, state.active, offered) if offered else None
    if step is None or value is None or state.open_warnings(state.active):
        return draft.refuse(intent, "nothing_to_confirm")
    draft.enter(state.active, step, value, intent.heard, origin="computed", confirmed=True)
    return draft.advance()


def _correction(draft: Draft, intent: it.Correction) -> None:
    """Replace the last value of its kind, or of the named quantity."""
    state = draft.state
    candidates = [
        e
        for e in state.standing(state.active)
        if e.origin != "timed" and _fits(state.protocol.step(e.step), intent)
    ]
    if not candidates:
        return draft.refuse(intent, "nothing_to_correct")
    old = candidates[-1]
    if old.quantity == "paper_point_mm" and state.newest(old.track, "final_working_length_mm"):
        return draft.refuse(intent, "correct_final_instead")
    if old.quantity in {"tooth", "canals"} and commands.canal_work_begun(state):
        return draft.refuse(intent, "canals_begun")
    _drop_pending(draft, "corrected")
    return _take(draft, intent, state.protocol.step(old.step), replaces=old)


def _chosen(draft: Draft, intent: it.Chosen) -> None:
    """One of the step's options, or yes and no where they answer a question."""
    state, step = draft.state, draft.state.step
    if state.pending is not None:
        if intent.option == "no":
            return _drop_pending(draft, "not confirmed")
        return draft.refuse(intent, "say_confirm_or_no")
    if step is None:
        return draft.refuse(intent, "nothing_asked")
    if step.expect.kind == "done" and intent.option == "yes":
        return _next(draft, intent)
    if option_of(step, intent.option) is None:
        return draft.refuse(
            intent, "not_an_option", value=intent.option.replace("_", " "), step=step.title
        )
    if state.open_warnings(state.active):
        return draft.refuse(intent, "answer_warning_first")
    if intent.heard.doubt is not None:
        return _ask(draft, intent, step, intent.heard.doubt)
    if step.expect.kind == "timed":
        commands.warn_leaving(draft, step)
    draft.enter(state.active, step, intent.option, intent.heard)
    return draft.advance()


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
    draft.enter(state.active, step, "done", intent.heard)
    return draft.advance()
