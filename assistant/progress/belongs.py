"""Does an event belong to this case? Asked of every event that is replayed.

A journal that verifies may still have been written by other hands. What the program
takes for granted is checked here: numbers that run on, references to what is there,
steps of the case's own protocol, values of the kind their step takes. No rule is run
and no range is applied, so every journal the program wrote passes under any version.
"""

from __future__ import annotations

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.canal.teeth import parse_fdi
from assistant.progress import events as ev
from assistant.progress.entries import CaseChange, Entry
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE, VISIT, CaseState, Pending
from assistant.progress.values import ABSURD
from assistant.protocol.expect import Timed
from assistant.protocol.model import AT_CANALS, FINISHED, Step

_NUMBERS = frozenset({"measure", "readings", "size", "taper", "timed"})


def check_belongs(state: CaseState, event: ev.AnyEvent) -> None:
    """Raise ValueError, with what is wrong, unless ``event`` can follow ``state``."""
    match event:
        case ev.CaseOpened():
            _must(False, "the case is opened twice")
        case ev.EntryMade(entry=entry):
            _must(entry.seq == len(state.entries) + 1, f"entry {entry.seq} is out of order")
            _check_entry(state, entry)
        case ev.EntryUndone(seq=seq, restores=other):
            _known_entry(state, seq, other)
        case ev.EntryReadBack(seq=seq):
            _known_entry(state, seq)
        case ev.ConfirmAsked(pending=pending) if pending.quantity == VISIT:
            told = pending.value
            _must(isinstance(told, tuple) and len(told) == 2, "a visit has no plan")
        case ev.ConfirmAsked(pending=pending):
            _check_pending(state, pending)
        case ev.Warned(warning=warning):
            right = warning.seq == len(state.warnings) + 1
            _must(right, f"warning {warning.seq} is out of order")
            _known_entry(state, warning.entry)
            _step_of(state, warning.track, warning.step)
        case ev.WarningAnswered(seq=seq):
            _must(0 < seq <= len(state.warnings), f"there is no warning {seq}")
        case ev.StepReached(track=track, step=step):
            _known_place(state, track, step)
        case ev.AsideReached():
            _check_aside(state, event)
        case ev.StepSkipped(skipped=skipped):
            _step_of(state, skipped.track, skipped.step)
        case ev.TimerStarted(timer=timer):
            timed = isinstance(_step_of(state, timer.track, timer.step).expect, Timed)
            _must(timed, f"step {timer.step} has no timer")
            before = timer.warnings_before
            _must(0 <= before <= len(state.warnings), f"there are no {before} warnings")
        case ev.VisitEnded(visit=visit):
            _must(
                visit.number == len(state.visits) + 1, f"visit {visit.number} is out of order"
            )
            _must(
                0 <= visit.entries <= len(state.entries),
                "a visit has more entries than the case",
            )
        case ev.RemarkMade(remark=remark):
            right = remark.seq == len(state.dictated) + 1
            _must(right, f"remark {remark.seq} is out of order")
            _known_remark(state, remark.replaces)
        case ev.RemarkDropped(seq=seq):
            _known_remark(state, seq)
        case ev.ChangeAsked(change=change) | ev.CaseChanged(change=change):
            _check_change(state, change)
        case ev.HeadSealed():
            _must(state.signed is not None, "a case that is not signed is sealed")
        case ev.TrackSelected(track=track):
            _known_track(state, track)
        case _:
            return


def _check_aside(state: CaseState, event: ev.AsideReached) -> None:
    """It is of a finding of the protocol, and asks what that asks."""
    _known_track(state, event.track)
    known = next((f for f in state.protocol.findings if f.id == event.finding), None)
    ids = {None, *(step.id for step in known.steps)} if known else set()
    _must(event.step in ids, f"finding {event.finding!r} has no step {event.step!r}")


def _check_change(state: CaseState, change: CaseChange) -> None:
    """It is about a canal that there is; what it supersedes and where it leads, too."""
    if change.what not in {"found", "tooth"}:
        _known_track(state, change.canal or CASE)
    if change.what == "joins":
        _known_track(state, change.to or "")
        right = change.mm is not None and 0 < change.mm <= MAX_LENGTH_MM
        _must(right and change.to != change.canal, "a canal joins another nowhere")
    if change.what == "removed" and change.mm is not None:
        _must(0 < change.mm <= MAX_LENGTH_MM, "a fill is removed to nowhere")
    if change.what == "renamed":
        free = bool(change.to) and all(t.name != change.to for t in state.tracks)
        _must(free, f"{change.to!r} is no name for a canal here")
    if change.step is not None:
        _step_of(state, change.canal or CASE, change.step)
    for seq in change.superseded:
        _known_entry(state, seq)


def _must(holds: bool, what: str) -> None:
    if not holds:
        raise ValueError(what)


def _known_entry(state: CaseState, *numbers: int | None) -> None:
    for seq in numbers:
        _must(seq is None or 0 < seq <= len(state.entries), f"there is no entry {seq}")


def _known_remark(state: CaseState, seq: int | None) -> None:
    _must(seq is None or 0 < seq <= len(state.dictated), f"there is no remark {seq}")


def _known_track(state: CaseState, track: str) -> None:
    known = any(one.name == track for one in state.tracks)
    _must(known, f"there is no canal {track!r}")


def _known_place(state: CaseState, track: str, step: str) -> None:
    _known_track(state, track)
    if step == FINISHED or (step == AT_CANALS and track == CASE):
        return
    _step_of(state, track, step)


def _step_of(state: CaseState, track: str, step: str) -> Step:
    """The step of that id in the part of the protocol that the track goes through."""
    _known_track(state, track)
    protocol = state.protocol
    part = (*protocol.opening, *protocol.closing) if track == CASE else protocol.canal
    part = (*part, *(s for one in protocol.findings for s in one.all_steps))
    found = next((one for one in part if one.id == step), None)
    if found is None:
        raise ValueError(f"{track} has no step {step!r}")
    return found


def _check_entry(state: CaseState, entry: Entry) -> None:
    step = _step_of(state, entry.track, entry.step)
    _must(entry.quantity == step.expect.quantity, f"entry {entry.seq} is of another step")
    _must(_fits(step, entry.value), f"entry {entry.seq} has an impossible value")
    if entry.replaces is not None:
        _known_entry(state, entry.replaces)
        old = state.entries[entry.replaces - 1]
        same = (old.track, old.step) == (entry.track, entry.step)
        _must(same, f"entry {entry.seq} replaces one of another step")


def _fits(step: Step, value: Scalar) -> bool:
    """Whether the value is of the kind its step takes."""
    kind = step.expect.kind
    if kind == "canals":
        return isinstance(value, tuple) and all(value) and CASE not in value and value != ()
    if isinstance(value, str):
        return kind != "tooth"
    if isinstance(value, tuple):
        return False
    if kind == "tooth":
        return isinstance(value, int) and parse_fdi(value).fdi == value
    return kind in _NUMBERS and abs(value) <= ABSURD


def _check_pending(state: CaseState, pending: Pending) -> None:
    """The question is about a standing entry, or about the present step."""
    _known_entry(state, pending.corrects)
    _known_entry(state, pending.revises)
    if pending.corrects is not None:
        old = state.entries[pending.corrects - 1]
        step: Step | None = state.protocol.by_id[old.step]
    elif pending.step is not None:
        step = _step_of(state, state.active, pending.step)
    else:
        step = state.step
    right = step is not None and pending.quantity == step.expect.quantity
    values = pending.offers or (pending.value,)
    if step is None or not right or not all(_fits(step, value) for value in values):
        raise ValueError("a question is about no value of its step")
