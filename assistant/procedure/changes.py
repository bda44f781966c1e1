"""The case that changes: a canal found late or not there, another name, another tooth; and
a part of a canal that is done again.

What was said first is asked about, since much hangs on it. Then it is an event of its own:
what was done stays on record, values that follow from it enter by the road of all others,
and everything that hangs on them is judged again.
"""

from __future__ import annotations

from assistant.procedure import moving
from assistant.procedure.changeable import begins_again, changed_canal, superseded
from assistant.procedure.draft import Draft
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import CaseChange, Entry
from assistant.progress.state import CASE, Pending
from assistant.protocol.model import Step
from assistant.protocol.roles import Role

TO_LENGTH = frozenset({"short_of_wl", "beyond_wl", "not_shallower_than"})
"""Checks that are made again where a canal ends in another, or does not after all."""


def ask(draft: Draft, said: it.Change) -> None:
    """Ask whether the case is to change; what is odd about it is told with the question."""
    draft.drop_pending("a change was said")
    drop(draft, "said again")
    canal = changed_canal(draft.state, said)
    begin = begins_again(draft.state, canal or CASE, said)
    change = CaseChange(
        what=said.what,
        canal=canal,
        to=said.to,
        tooth=said.tooth,
        reason=(said.reason or "").strip(),
        heard=said.heard,
        by=draft.person(),
        at=draft.now,
        odd=_odd(draft, said, canal),
        mm=said.mm,
        step=begin.step.id if begin else None,
        round=begin.round if begin else 1,
        superseded=begin.superseded if begin else (),
    )
    draft.add(ev.ChangeAsked(change=change))


def drop(draft: Draft, reason: str) -> None:
    """The change that was asked about is off the table, but stays in the log as heard."""
    proposed = draft.state.proposed
    if proposed is not None:
        rejected = draft.rejected(proposed.heard.text, reason)
        draft.add(ev.ChangeDropped(rejected=rejected))


def carry_out(draft: Draft) -> None:
    """The confirmed change, and what follows from it."""
    change = draft.state.proposed
    assert change is not None
    canal = change.canal or ""
    change = change.model_copy(update={"at": draft.now})
    names = _names_after(draft, change)
    draft.add(ev.CaseChanged(change=change))
    match change.what:
        case "found" | "absent" | "renamed":
            if change.what == "absent":
                for warning in draft.state.open_warnings(canal):
                    draft.answer(warning, f"{canal} is not there: {change.reason}")
            _enter(draft, _asking(draft, "canals"), names, change)
            moving.go_where_work_is(draft)
        case "tooth":
            assert change.tooth is not None
            _enter(draft, _asking(draft, "tooth"), change.tooth, change)
            for track in draft.state.canals:
                draft.judge_again(track.name, frozenset({"outside_handbook"}), "tooth")
        case "joins" | "separate":
            draft.check_depths_again(canal)
            draft.judge_again(canal, TO_LENGTH, "length")
        case "post":
            planned = draft.state.protocol.with_role(Role.POST_PLANNED)
            assert planned is not None
            judged = draft.judge(canal, planned, "yes", draft.state.newest(canal, planned))
            draft.enter(judged, change.heard, confirmed=True)
    if change.step is not None:
        _go_back(draft, change)
    level = draft.state.protocol.with_role(Role.REMOVED_TO)
    if change.what == "removed" and change.mm is not None and level is not None:
        judged = draft.judge(canal, level, change.mm)
        draft.enter(judged, change.heard, confirmed=True)


def from_here(draft: Draft, old: Entry, pending: Pending) -> None:
    """What an entry of a canal is about was done again: it and what rests on it count no
    more."""
    step = draft.state.protocol.by_id[old.step]
    change = CaseChange(
        what="again",
        canal=old.track,
        to=step.title,
        tooth=None,
        reason="",
        heard=pending.heard,
        by=draft.person(),
        at=draft.now,
        step=step.id,
        round=old.round if step.loop else 1,
        superseded=superseded(draft.state, old.track, step, old.round if step.loop else 1),
    )
    draft.add(ev.CaseChanged(change=change))
    _go_back(draft, change)


def _go_back(draft: Draft, change: CaseChange) -> None:
    """Begin a part of the filling again; what it had until then needs no answer more."""
    track = change.canal or CASE
    assert change.step is not None
    for seq in change.superseded:
        draft.answer_open(seq, f"done again: {change.reason or change.heard.text}")
    draft.check_depths_again(track)
    if draft.state.active != track:
        draft.add(ev.TrackSelected(track=track, at=draft.now))
    moving.move(draft, track, change.step, "again", change.round)


def _asking(draft: Draft, kind: str) -> Step:
    step = draft.state.protocol.asking(kind)
    assert step is not None
    return step


def _names_after(draft: Draft, change: CaseChange | it.Change) -> tuple[str, ...]:
    """The canals there are once a change has been carried out."""
    names = [track.name for track in draft.state.canals if track.closed is None]
    match change.what:
        case "found" if change.canal is not None:
            names.append(change.canal)
        case "absent":
            names = [name for name in names if name != change.canal]
        case "renamed" if change.to is not None:
            names = [change.to if name == change.canal else name for name in names]
    return tuple(names)


def _odd(draft: Draft, said: it.Change, canal: str | None) -> str:
    """What is unusual about the canals there would be, in the words of the rules."""
    named = said.model_copy(update={"canal": canal})
    kind = "tooth" if said.what == "tooth" else "canals"
    if said.what not in {"found", "absent", "renamed", "tooth"}:
        return ""
    value: it.Scalar = said.tooth or 0 if kind == "tooth" else _names_after(draft, named)
    old = draft.state.newest(CASE, _asking(draft, kind))
    judged = draft.judge(CASE, _asking(draft, kind), value, old)
    return " ".join(one.text for one in judged.fired)


def _enter(draft: Draft, step: Step, value: it.Scalar, change: CaseChange) -> None:
    old = draft.state.newest(CASE, step)
    judged = draft.judge(CASE, step, value, old)
    draft.enter(judged, change.heard, confirmed=True, correction=True)
