"""apply(state, event) -> state: the only way a case changes.

Plain data in, plain data out; no rule is evaluated here, so replaying a
journal always gives the same state.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce
from typing import Any

from assistant.progress import events as ev
from assistant.progress.belongs import check_belongs
from assistant.progress.entries import CaseChange, Entry, Remark
from assistant.progress.state import CASE, Aside, CaseState, HeatOff, Junction, Pending, Track
from assistant.protocol.frozen import WRITTEN
from assistant.protocol.machine import position
from assistant.protocol.model import AT_CANALS, FINISHED
from assistant.protocol.moment import Moment


def opened(event: ev.CaseOpened) -> CaseState:
    """The state right after the first event."""
    first = Track(name=CASE, step=event.protocol.opening[0].id)
    known: dict[str, Any] = {
        "case_code": event.case_code,
        "operator": event.operator,
        "demo": event.demo,
        "protocol": event.protocol,
        "opened": event.at,
        "tracks": (first,),
        "instruments": event.instruments,
        "assistant": event.assistant,
        "people": event.people,
    }
    return CaseState.model_validate(known, context=WRITTEN)


def replay(events: Iterable[ev.AnyEvent]) -> CaseState:
    """The state after a whole journal.

    Raises:
        ValueError: the first event does not open a case, or one does not belong to it
            (:mod:`.belongs`).
    """
    stream = iter(events)
    first = next(stream, None)
    if not isinstance(first, ev.CaseOpened):
        raise ValueError("the first event of a case must open it")
    return reduce(_next, stream, opened(first))


def _next(state: CaseState, event: ev.AnyEvent) -> CaseState:
    check_belongs(state, event)
    return apply(state, event)


def apply(state: CaseState, event: ev.AnyEvent) -> CaseState:
    """The state after one more event."""
    match event:
        case ev.CasePrepared(values=values, remarks=remarks):
            return _with(state, prepared=values, remarks=remarks)
        case ev.EntryMade(entry=entry):
            made = _with(
                state,
                entries=(*_restand(state.entries, entry.replaces, "replaced"), entry),
                tracks=_answered(state, entry),
                pending=_still_asked(state, entry),
            )
            if isinstance(entry.value, tuple):
                made = _with_canals(made, entry)
            return made
        case ev.EntryUndone(seq=seq, restores=restores):
            entries = _restand(state.entries, seq, "undone")
            return _with(state, entries=_restand(entries, restores, "standing"), pending=None)
        case ev.EntryReadBack(seq=seq):
            entries = tuple(
                e.model_copy(update={"read_back": True}) if e.seq == seq else e
                for e in state.entries
            )
            return _with(state, entries=entries)
        case ev.ConfirmAsked(pending=pending):
            return _with(state, pending=pending)
        case ev.ConfirmDropped(rejected=rejected):
            return _with(state, pending=None, rejected=(*state.rejected, rejected))
        case ev.Refused(rejected=rejected) | ev.NotUnderstood(rejected=rejected):
            return _with(state, rejected=(*state.rejected, rejected))
        case ev.Warned(warning=warning):
            return _with(state, warnings=(*state.warnings, warning))
        case ev.WarningAnswered(seq=seq, answer=answer):
            warnings = tuple(
                w.model_copy(update={"answer": answer}) if w.seq == seq else w
                for w in state.warnings
            )
            return _with(state, warnings=warnings)
        case ev.StepReached():
            return _moved(state, event)
        case ev.AsideReached():
            return _asked_aside(state, event)
        case ev.StepSkipped(skipped=skipped):
            return _with(state, skipped=(*state.skipped, skipped), pending=None)
        case ev.TimerStarted(timer=timer):
            return _with(state, timer=timer, tracks=_heat_off(state, timer.track, None))
        case ev.TimerEnded(ended=ended):
            over, tracks = state.timer, state.tracks
            if over is not None and over.mode == "until_off" and ended is not None:
                off = HeatOff(at=ended, warnings_before=len(state.warnings))
                tracks = _heat_off(state, over.track, off)
            return _with(state, timer=None, tracks=tracks)
        case ev.TrackSelected(track=track):
            return _with(state, active=track, pending=None)
        case ev.ChangeAsked(change=change):
            return _with(state, proposed=change)
        case ev.ChangeDropped(rejected=rejected):
            return _with(state, proposed=None, rejected=(*state.rejected, rejected))
        case ev.CaseChanged(change=change):
            done = _with(state, proposed=None, changes=(*state.changes, change))
            return _changed(done, change)
        case ev.Paused():
            return _with(state, paused=True)
        case ev.Resumed(at=at):
            return _again_at_work(_with(state, paused=False), at)
        case ev.CaseReopened(at=at, note=text):
            # The clock that the heat went off by is another one now.
            tracks = tuple(t.model_copy(update={"heat_off": None}) for t in state.tracks)
            again = _again_at_work(_with(state, tracks=tracks), at)
            return _with(again, interruptions=(*state.interruptions, (at, text)))
        case ev.TroubleMet(at=at, text=text):
            return _with(state, interruptions=(*state.interruptions, (at, text)))
        case ev.SpeakerNamed(who=who):
            return _with(state, who=who)
        case ev.ConditionNoted(noted=noted):
            return _with(state, conditions=(*state.conditions, noted))
        case ev.VisitEnded(visit=visit):
            return _with(
                state, visits=(*state.visits, visit), resting=True, pending=None, paused=False
            )
        case ev.RemarkMade(remark=remark):
            told = _remarks_restand(state, remark.replaces, "replaced")
            return _with(state, dictated=(*told, remark))
        case ev.RemarkDropped(seq=seq):
            return _with(state, dictated=_remarks_restand(state, seq, "undone"))
        case ev.TakenOver(takeover=takeover):
            place = {"operator": "operator", "chairside": "assistant"}[takeover.role]
            new = {place: takeover.name, "takeovers": (*state.takeovers, takeover)}
            return _with(state, **new)
        case ev.NoteSigned(at=at):
            return _with(state, signed=at)
        case ev.AddendumMade(addendum=addendum):
            return _with(state, addenda=(*state.addenda, addendum))
        case ev.HeadSealed(seal=seal):
            return _with(state, seals=(*state.seals, seal))
        case ev.Queried() | ev.CaseOpened():
            return state


def _with(state: CaseState, **changes: Any) -> CaseState:
    return state.model_copy(update=changes)


def _restand(entries: tuple[Entry, ...], seq: int | None, standing: str) -> tuple[Entry, ...]:
    return tuple(
        e.model_copy(update={"standing": standing}) if e.seq == seq else e for e in entries
    )


def _again_at_work(state: CaseState, at: Moment) -> CaseState:
    """With what begins a visit, where the case was closed for a day."""
    return _with(state, resting=False, visit_began=at) if state.resting else state


def _remarks_restand(state: CaseState, seq: int | None, standing: str) -> tuple[Remark, ...]:
    return tuple(
        r.model_copy(update={"standing": standing}) if r.seq == seq else r
        for r in state.dictated
    )


def _answered(state: CaseState, entry: Entry) -> tuple[Track, ...]:
    """The tracks, with the entry's one answered if the entry is for its present step."""
    step = state.protocol.by_id[entry.step]
    if entry.step in state.protocol.finding_of:
        return _answered_aside(state, entry)

    def is_asked(track: Track) -> bool:
        if track.name != entry.track or track.step != entry.step:
            return False
        return step.expect.kind == "readings" or entry.round == track.round(step.loop)

    return tuple(
        t.model_copy(update={"answered": True}) if is_asked(t) else t for t in state.tracks
    )


def _answered_aside(state: CaseState, entry: Entry) -> tuple[Track, ...]:
    """The tracks, with what is asked about a finding answered if the entry does that."""
    track = state.track(entry.track)
    asides = tuple(
        one.model_copy(update={"answered": True})
        if (one.step, one.round) == (entry.step, entry.round)
        else one
        for one in track.asides
    )
    return _tracks_with(state, entry.track, asides=asides).tracks


def _asked_aside(state: CaseState, event: ev.AsideReached) -> CaseState:
    """The newest finding is asked about first; one that has no step left is done with."""
    asides = state.track(event.track).asides
    of = [(one.finding, one.round) for one in asides]
    known = (event.finding, event.round)
    at = of.index(known) if known in of else 0
    now: tuple[Aside, ...] = ()
    if event.step is not None:
        now = (Aside(finding=event.finding, step=event.step, round=event.round),)
    kept = (*asides[:at], *now, *asides[at + (known in of) :])
    return _with(_tracks_with(state, event.track, asides=kept), pending=None)


def _heat_off(state: CaseState, track: str, off: HeatOff | None) -> tuple[Track, ...]:
    """The tracks, one of them with when its heat went off."""
    return tuple(
        t.model_copy(update={"heat_off": off}) if t.name == track else t for t in state.tracks
    )


def _still_asked(state: CaseState, entry: Entry) -> Pending | None:
    """What waits for its confirm; a press that ends meanwhile answers nothing."""
    pending = state.pending
    asked = pending and pending.step
    return pending if asked is not None and asked != entry.step else None


def _with_canals(state: CaseState, entry: Entry) -> CaseState:
    """Tracks for the canals named; a canal named before keeps its place."""
    assert isinstance(entry.value, tuple)
    known = {track.name: track for track in state.canals}
    fresh = state.protocol.canal[0].id
    canals = tuple(known.get(name, Track(name=name, step=fresh)) for name in entry.value)
    gone = (t for t in state.canals if t.closed is not None and t.name not in entry.value)
    return _with(state, tracks=(state.track(CASE), *canals, *gone))


def _changed(state: CaseState, change: CaseChange) -> CaseState:
    """What a change does by itself; values that follow from it are entries of their own."""
    match change:
        case CaseChange(what="found", canal=str(name)):
            return _closed(state, name, None)
        case CaseChange(what="absent", canal=str(name)):
            return _closed(state, name, change.reason)
        case CaseChange(what="renamed", canal=str(old), to=str(new)):
            return _renamed(state, old, new)
        case CaseChange(what="joins", canal=str(name), to=str(other), mm=float(depth)):
            return _tracks_with(state, name, joins=Junction(canal=other, at_mm=depth))
        case CaseChange(what="separate", canal=str(name)):
            return _tracks_with(state, name, joins=None)
        case CaseChange(step=str()):
            entries = state.entries
            for seq in change.superseded:
                entries = _restand(entries, seq, "superseded")
            afresh = _tracks_with(
                state, change.canal or CASE, answered=False, heat_off=None, redone=len(entries)
            )
            return _with(afresh, entries=entries)
    return state


def _closed(state: CaseState, name: str, why: str | None) -> CaseState:
    """A canal that is not there, or that is after all; nothing joins one that is not."""
    shut = _tracks_with(state, name, closed=why)
    if why is not None:
        shut = _tracks_with(shut, name, asides=())
        for track in shut.canals:
            if track.joins is not None and track.joins.canal == name:
                shut = _tracks_with(shut, track.name, joins=None)
    return shut


def _tracks_with(state: CaseState, name: str, **changes: Any) -> CaseState:
    """The state with something else about one track."""
    tracks = (t.model_copy(update=changes) if t.name == name else t for t in state.tracks)
    return _with(state, tracks=tuple(tracks))


def _renamed(state: CaseState, old: str, new: str) -> CaseState:
    """Everything of a canal under its right name."""
    told: dict[str, Any] = {}
    for field in ("entries", "warnings", "skipped", "rejected", "prepared"):
        told[field] = tuple(
            one.model_copy(update={"track": new}) if one.track == old else one
            for one in getattr(state, field)
        )
    tracks = tuple(_called(track, old, new) for track in state.tracks)
    active = new if state.active == old else state.active
    return _with(state, tracks=tracks, active=active, **told)


def _called(track: Track, old: str, new: str) -> Track:
    joins = track.joins
    if joins is not None and joins.canal == old:
        track = track.model_copy(update={"joins": joins.model_copy(update={"canal": new})})
    return track.model_copy(update={"name": new}) if track.name == old else track


def _moved(state: CaseState, event: ev.StepReached) -> CaseState:
    track = state.track(event.track)
    visited, here = track.visited, _place(state, track)
    there = (event.step, event.round)
    # A step that is asked again is not left: "back" must not find it twice.
    if there != here or event.via == "again":
        if event.via in {"done", "skip"}:
            visited = (*visited, here) if here else visited
        elif event.via == "again":
            part = state.protocol.part_of(event.step)
            begin = position(part, *there)
            visited = tuple(one for one in visited if position(part, *one) < begin)
        elif there in visited:
            last = len(visited) - 1 - visited[::-1].index(there)
            visited = visited[:last]
    rounds = dict(track.rounds)
    there_before = rounds.get(event.loop or "")
    if event.loop:
        rounds[event.loop] = event.round
    moved = track.model_copy(
        update={
            "step": event.step,
            "visited": visited,
            "rounds": tuple(rounds.items()),
            "answered": False,
            "heat_off": track.heat_off if event.round == there_before else None,
        }
    )
    return _with(
        state,
        tracks=tuple(moved if t.name == event.track else t for t in state.tracks),
        pending=None,
    )


def _place(state: CaseState, track: Track) -> tuple[str, int] | None:
    if track.step in {FINISHED, AT_CANALS}:
        return None
    return track.step, track.round(state.protocol.by_id[track.step].loop)
