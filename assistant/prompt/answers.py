"""Answers to "where are we", "what is left", "how long", "name the choices"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from assistant.progress import reckoning
from assistant.progress.entries import Entry
from assistant.progress.state import CASE, CaseState, Track
from assistant.protocol.model import AT_CANALS, FINISHED, Step
from assistant.protocol.roles import Role


def where(state: CaseState, words: Mapping[str, str]) -> str:
    """The active canal and its step."""
    step = state.step
    name = _name(state, state.here)
    if step is None:
        return words["left_finished"].format(canal=name)
    return words["where"].format(canal=name, step=step.title)


def left(state: CaseState, words: Mapping[str, str]) -> str:
    """What remains in one short sentence: from which phase on the active track is still to
    be done, and which canals after it. :func:`all_left` has the rest."""
    here, step = state.here, state.step
    if step is None and (track := next((t for t in state.canals if not t.finished), None)):
        here, step = track, state.protocol.by_id[track.step]
    if step is None:
        return words["left_finished"].format(canal=_name(state, state.here))
    others = [_name(state, t) for t in state.canals if t != here and not t.finished]
    key = "left_then" if others else "left_from"
    return words[key].format(
        canal=_name(state, here), phase=step.phase, others=", ".join(others)
    )


def all_left(state: CaseState, words: Mapping[str, str]) -> str:
    """What remains, a sentence for each canal, and for the case before and after them."""
    parts = []
    for track in state.tracks:
        if track.step == AT_CANALS:
            continue
        ahead = list(steps_ahead(state, track))
        if not ahead:
            parts.append(words["left_finished"].format(canal=_name(state, track)))
            continue
        phases = ", ".join(dict.fromkeys(step.phase for step in ahead))
        parts.append(
            words["left"].format(canal=_name(state, track), count=len(ahead), phases=phases)
        )
    return " ".join(parts)


def warned_elsewhere(state: CaseState, words: Mapping[str, str]) -> str:
    """The canals beside this one in which a warning waits; empty if none does."""
    canals = [_name(state, t) for t in state.tracks if state.open_warnings(t.name)]
    there = " and ".join(name for name in canals if name != _name(state, state.here))
    return words["waits_elsewhere"].format(canals=there) if there else ""


def seconds_left(state: CaseState) -> float:
    """Rough time to the end: the protocol's typical seconds of every step ahead, each
    loop as often as the plan has it, or once where there is no plan yet."""
    protocol = state.protocol
    tracks = state.canals or (Track(name="canal", step=protocol.canal[0].id),)
    return sum(
        step.typical_s * _times(state, track, step)
        for track in (*tracks, state.track(CASE))
        for step in steps_ahead(state, track)
    )


def _times(state: CaseState, track: Track, step: Step) -> int:
    if step.loop is None:
        return 1
    if step.loop == reckoning.loop_of(state.protocol, Role.COMPACTION):
        cycles = reckoning.downpack(state, track.name)
        return max(1, len(cycles.cycles)) if cycles else 1
    if step.loop == reckoning.loop_of(state.protocol, Role.INCREMENT):
        fill = reckoning.backfill(state, track.name)
        return max(1, len(fill.increments)) if fill else 1
    return 1


def steps_ahead(state: CaseState, track: Track) -> Iterator[Step]:
    """The present step and those after it in the file, without those that nobody asks."""
    protocol = state.protocol
    if track.name != CASE:
        part = protocol.canal
    elif track.step == AT_CANALS:
        part = protocol.closing
    else:
        part = (*protocol.opening, *protocol.closing)
    if track.step == FINISHED:
        return
    ids = [step.id for step in part]
    start = ids.index(track.step) if track.step in ids else 0
    yield from (step for step in part[start:] if step.asked or step.id == track.step)


def measured(state: CaseState) -> tuple[Entry, ...]:
    """The standing entries of the active canal that are measurements, newest eight."""
    entries = [e for e in state.standing(state.active) if e.is_measurement]
    return tuple(entries[-8:])


SUMMARY = (Role.FINAL_LENGTH, Role.COMPACTION, Role.POST_LEVEL)
"""What a finished canal is summed up by before the signature."""


def summary(state: CaseState, canal: str) -> tuple[Entry, ...]:
    """The entries that sum a canal up, those of :data:`SUMMARY` that it has."""
    newest = (state.last(canal, role) for role in SUMMARY)
    return tuple(entry for entry in newest if entry is not None)


def _name(state: CaseState, track: Track) -> str:
    return "Case" if track.name == CASE else track.name.capitalize()
