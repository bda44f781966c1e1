"""One event of a journal as a line of the timeline: what happened, where, in words.

What an entry or a warning came to (replaced, taken back, answered) is told from the end
of the case, so that a line says all there is to say about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from assistant.progress import events as ev
from assistant.progress.entries import CaseChange, Entry, Standing, Warning
from assistant.progress.facts import planned_s, text_of
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE, CaseState
from assistant.protocol.conditions import name_of
from assistant.protocol.expect import Timed
from assistant.protocol.moment import Moment
from assistant.report.marks import (
    change_text,
    entry_text,
    heard,
    mark,
    marked,
    plain,
    value_text,
)

Kind = Literal[
    "opened",
    "value",
    "correction",
    "undone",
    "press",
    "heat",
    "skip",
    "warning",
    "question",
    "not_confirmed",
    "refused",
    "not_understood",
    "asked",
    "back",
    "canal",
    "changed",
    "pause",
    "resume",
    "interruption",
    "trouble",
    "speaker",
    "remark",
    "visit",
    "signed",
    "addendum",
]
"""``question``: the assistant asked whether a value was meant; ``asked``: the room asked
the assistant; ``interruption``: the program was started again."""


class Place(NamedTuple):
    """Where the work stood; ``step`` is None where nothing was asked."""

    track: str
    step: str | None
    round: int


class Told(NamedTuple):
    """What is known at the end: the state, and when each warning was answered (s)."""

    end: CaseState
    answered: dict[int, float]


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened. Fields that do not apply are None.

    Attributes:
        at_s: seconds from the opening of the case.
        text: in words, without time and place.
        value: of an entry, or of a value in question.
        standing: whether an entry counts at the end of the case.
        held_s, planned_s: of a press or an activation of heat; ``planned_s`` is the
            protocol's time, which heat should not exceed; ``held_s`` is None if a
            restart of the program ended it.
        answer, answered_s: how, and when in the case, a warning was answered.
        doubt: of a question: what was uncertain in what was heard; None if it was
            heard well and is only hard to believe.
    """

    at_s: float
    kind: Kind
    track: str
    step: str | None
    round: int
    text: str
    quantity: str | None = None
    value: Scalar | None = None
    standing: Standing | None = None
    held_s: float | None = None
    planned_s: float | None = None
    rule: str | None = None
    severity: str | None = None
    answer: str | None = None
    answered_s: float | None = None
    doubt: str | None = None


def at_of(event: ev.AnyEvent) -> Moment:
    """When an event happened."""
    match event:
        case ev.EntryMade(entry=entry):
            return entry.at
        case ev.ConfirmDropped(rejected=rejected):
            return rejected.at
        case ev.Refused(rejected=rejected) | ev.NotUnderstood(rejected=rejected):
            return rejected.at
        case ev.Warned(warning=warning):
            return warning.at
        case ev.StepSkipped(skipped=skipped):
            return skipped.at
        case ev.TimerStarted(timer=timer):
            return timer.started
        case ev.AddendumMade(addendum=addendum):
            return addendum.at
        case ev.TakenOver(takeover=takeover):
            return takeover.at
        case ev.ConditionNoted(noted=noted):
            return noted.at
        case ev.VisitEnded(visit=visit):
            return visit.ended
        case ev.RemarkMade(remark=remark):
            return remark.at
        case ev.HeadSealed(seal=seal):
            return seal.at
        case ev.ChangeAsked(change=change) | ev.CaseChanged(change=change):
            return change.at
        case ev.ChangeDropped(rejected=rejected):
            return rejected.at
    return event.at


def happening(told: Told, event: ev.AnyEvent, at_s: float, place: Place) -> Happening | None:
    """The line of an event, or None for one that another line tells of.

    Args:
        place: where the work stood when it happened.
    """
    match event:
        case ev.EntryMade(entry=entry):
            return _entry(told.end, told.end.entries[entry.seq - 1], at_s)
        case ev.Warned(warning=warning):
            return _warning(told, told.end.warnings[warning.seq - 1], at_s)
        case ev.ConfirmAsked(pending=pending):
            values = pending.offers or (pending.value,)
            shown = " or ".join(value_text(pending.kind, value) for value in values)
            return Happening(
                at_s,
                "question",
                *place,
                f"{shown}? {plain(pending.why)}",
                quantity=pending.quantity,
                value=pending.value,
                doubt=pending.heard.doubt,
            )
        case ev.EntryUndone(seq=seq):
            entry = told.end.entries[seq - 1]
            back = f"{entry_text(told.end, entry)} taken back"
            return Happening(
                at_s,
                "undone",
                entry.track,
                entry.step,
                entry.round,
                back,
                quantity=entry.quantity,
                value=entry.value,
            )
    kind_and_text = _plain_event(told.end, event, place)
    if kind_and_text is None:
        return None
    kind, where, text = kind_and_text
    if kind in {"press", "heat"}:
        return Happening(at_s, kind, *where, text, planned_s=_planned_s(told.end, where.step))
    return Happening(at_s, kind, *where, text)


def _plain_event(
    end: CaseState, event: ev.AnyEvent, place: Place
) -> tuple[Kind, Place, str] | None:
    """Kind, place and words of an event that carries no value and no warning."""
    match event:
        case ev.CaseOpened():
            return "opened", place, f"opened by {plain(event.operator) or 'nobody named'}"
        case ev.CasePrepared(values=values):
            return "opened", place, f"{len(values)} values prepared"
        case ev.StepSkipped(skipped=s):
            skipped = Place(s.track, s.step, s.round)
            return "skip", skipped, f"Skipped: {plain(s.reason)}"
        case ev.ConfirmDropped(rejected=r):
            return "not_confirmed", place, f"{heard(r.text)}: {plain(r.reason)}"
        case ev.Refused(rejected=r):
            return "refused", place, f"{heard(r.text)}: {plain(r.reason).replace('_', ' ')}"
        case ev.NotUnderstood(rejected=r):
            return "not_understood", place, heard(r.text)
        case ev.TimerEnded(reason="interrupted"):
            step = end.protocol.by_id[place.step] if place.step else None
            until_off = step and isinstance(step.expect, Timed) and _is_heat(step.expect)
            return "heat" if until_off else "press", place, "ended by a restart; not recorded"
        case ev.StepReached(track=track, step=step_id, via="back" | "undo"):
            return "back", Place(track, step_id, event.round), "gone back to"
        case ev.TrackSelected(track=track):
            return "canal", Place(track, None, 1), "the work goes on here"
        case ev.CaseChanged(change=change):
            return "changed", Place(_now(end, change), change.step, 1), change_text(change)
        case ev.ChangeAsked(change=change):
            return "question", place, f"{change_text(change)}?"
        case ev.ChangeDropped(rejected=r):
            return "not_confirmed", place, f"{heard(r.text)}: {plain(r.reason)}"
        case ev.Paused():
            return "pause", place, "Paused"
        case ev.Resumed():
            return "resume", place, "Resumed"
        case ev.CaseReopened(note=note):
            return "interruption", place, f"Program started again. {plain(note)}"
        case ev.TroubleMet(text=text):
            return "trouble", place, plain(text)
        case ev.SpeakerNamed(who=who):
            return "speaker", place, f"Entries are the {plain(who)}'s from here"
        case ev.ConditionNoted(noted=n):
            return "remark", place, f"{name_of(n.condition)}: {plain(n.text)}"
        case ev.VisitEnded(visit=v):
            told = f"{plain(v.dressing)}; plan: {plain(v.plan)}"
            return "visit", place, f"Visit {v.number} closed by {plain(v.signed_by)}: {told}"
        case ev.RemarkMade(remark=r):
            instead = f", in place of remark {r.replaces}" if r.replaces else ""
            return "remark", place, f"{plain(r.by)}: {plain(r.text)}{instead}"
        case ev.RemarkDropped(seq=seq):
            return "remark", place, f"remark {seq} taken back"
        case ev.TakenOver(takeover=t):
            does = "operates" if t.role == "operator" else "assists"
            return "speaker", place, f"{plain(t.name)} {does} from here"
        case ev.Queried(what=what):
            return "asked", place, f"asked: {plain(what).replace('_', ' ')}"
        case ev.NoteSigned(operator=operator):
            return "signed", Place(CASE, None, 1), f"Signed by {plain(operator)}"
        case ev.AddendumMade(addendum=a):
            return "addendum", Place(CASE, None, 1), f"{plain(a.by)}: {plain(a.text)}"
    return None


def _now(end: CaseState, change: CaseChange) -> str:
    """The track of the canal that a change is about, by the name it has in the end."""
    name = change.to if change.what == "renamed" else change.canal
    return name if name and any(t.name == name for t in end.tracks) else CASE


def _entry(end: CaseState, entry: Entry, at_s: float) -> Happening:
    expect = end.protocol.by_id[entry.step].expect
    kind: Kind = "correction" if entry.correction else "value"
    text = marked(end, entry)
    held_s = wanted_s = None
    if isinstance(expect, Timed) and not isinstance(entry.value, str | tuple):
        kind = "heat" if _is_heat(expect) else "press"
        held_s, wanted_s = float(entry.value), planned_s(end, entry)
        of = "of" if kind == "press" else "s, limit"
        text = f"{text_of(held_s)} {of} {text_of(wanted_s)} s {mark(end, entry)}"
        text += ", cut short" if entry.cut_short else ""
        if entry.delay_s is not None:
            text += f", {text_of(entry.delay_s)} s after heat off"
    if entry.replaces is not None:
        old = end.entries[entry.replaces - 1]
        text += f", in place of {entry_text(end, old)}"
    text += {
        "standing": "",
        "undone": "; taken back later",
        "replaced": "; replaced later",
        "superseded": "; done again later",
    }[entry.standing]
    return Happening(
        at_s,
        kind,
        entry.track,
        entry.step,
        entry.round,
        text,
        quantity=entry.quantity,
        value=entry.value,
        standing=entry.standing,
        held_s=held_s,
        planned_s=wanted_s,
    )


def _warning(told: Told, warning: Warning, at_s: float) -> Happening:
    entry = told.end.entries[warning.entry - 1] if warning.entry else None
    answered_s = told.answered.get(warning.seq)
    if warning.answer is not None and answered_s is not None:
        answer = f"Answer after {answered_s - at_s:.0f} s: {plain(warning.answer)}."
    else:
        answer = "NOT ANSWERED." if warning.open else "No answer asked."
    return Happening(
        at_s,
        "warning",
        warning.track,
        warning.step,
        entry.round if entry else 1,
        f"{plain(warning.text)} {answer}",
        rule=warning.rule,
        severity=warning.severity,
        answer=warning.answer,
        answered_s=answered_s,
    )


def _is_heat(expect: Timed) -> bool:
    """A timed act that counts up is the heat, one that counts down a press."""
    return expect.mode == "until_off"


def _planned_s(end: CaseState, step: str | None) -> float | None:
    expect = end.protocol.by_id[step].expect if step else None
    return end.protocol.limit(expect.limit) if isinstance(expect, Timed) else None
