"""Why a value is asked about before it counts, and the question."""

from __future__ import annotations

from typing import Literal

from assistant.procedure.changeable import rests_on
from assistant.procedure.correctable import also_fits, elsewhere_to_correct, numbered, prepared
from assistant.procedure.draft import Draft, Judged
from assistant.procedure.reach import gone_back
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import Entry, Origin
from assistant.progress.state import CASE, CaseState, Pending
from assistant.progress.values import problem_with
from assistant.protocol.model import Step


def doubt(judged: Judged, heard: it.Heard) -> str | None:
    """Why this value must be confirmed before it counts, or None."""
    asked = (one.text for one in judged.fired if one.rule.severity == "confirm")
    return next(asked, heard.doubt)


def revised(draft: Draft, judged: Judged, corrects: Entry | None) -> Entry | None:
    """The value of a step gone back to that later ones rest on, and that is not said to be
    corrected: it may be put right, or what it is about was done again."""
    old, state = judged.old, draft.state
    if old is None or corrects is not None or old.track == CASE or old.origin == "timed":
        return None
    if not gone_back(state):
        return None
    waits = {warning.entry for warning in state.open_warnings(old.track)}
    return old if old.seq not in waits and rests_on(state, old) else None


def rival_of(step: Step, intent: it.Given | it.Correction) -> it.Scalar | None:
    """The other value to offer: one that the step takes and that one word can answer."""
    rival = intent.rival
    if rival is None or rival == intent.value or intent.kind not in _OFFERED:
        return None
    return rival if problem_with(step, rival) is None else None


_OFFERED = frozenset({"mm", "size", "taper", "tooth"})


def which_of_two(state: CaseState, intent: it.Correction, step: Step, old: Entry) -> str | None:
    """What is asked about where two values fit a correction: the one that it is taken for,
    as its step is called. It is confirmed, or the other is named."""
    if state.pending is not None:
        return None
    elsewhere = elsewhere_to_correct(state, intent)
    if elsewhere is not None and (elsewhere.seq > old.seq or prepared(old)):
        return f"{old.track.capitalize()}, {step.title}."
    doubtful = intent.number is not None and intent.heard.doubt is not None
    if not doubtful and also_fits(state, intent, old) is None:
        return None
    number = f" {old.round}" if numbered(step) else ""
    return f"{step.title.partition(',')[0]}{number}."


def ask(
    draft: Draft,
    judged: Judged,
    heard: it.Heard,
    why: str,
    kind: it.ValueKind | Literal["option"] = "option",
    corrects: Entry | None = None,
    origin: Origin = "said",
    rival: it.Scalar | None = None,
    revises: Entry | None = None,
) -> None:
    """Question a doubtful value; a depth past its limit is warned about at once."""
    asks = judged.candidate.step == draft.state.step
    pending = Pending(
        kind=kind,
        quantity=judged.candidate.quantity,
        value=judged.candidate.value,
        corrects=corrects.seq if corrects else None,
        heard=heard,
        why=why,
        warned=tuple(one.text for one in judged.fired if one.rule.severity == "urgent"),
        origin=origin,
        rest=draft.rest,
        rival=rival,
        step=None if corrects or asks else judged.candidate.step.id,
        revises=revises.seq if revises else None,
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))
