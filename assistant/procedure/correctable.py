"""What can be put right or taken back: which entry a correction or an "undo" means.

Read off the state alone, as in :mod:`.reach`, for the door and for whoever carries it out.
"""

from __future__ import annotations

from typing import NamedTuple

from assistant.procedure.reach import (
    Questioned,
    canal_work_begun,
    fits,
    given_here,
    gone_back,
    is_set_up,
    questioned,
    same_part,
    stands_here,
)
from assistant.progress import intents as it
from assistant.progress.entries import Entry
from assistant.progress.facts import option_of, stays
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.progress.values import problem_with
from assistant.protocol.coherence import ONCE
from assistant.protocol.model import AT_CANALS, Step
from assistant.protocol.roles import Role


def to_correct(state: CaseState, intent: it.Correction) -> Questioned | None:
    """What a correction replaces: the value that waits for its "confirm", else one
    that was warned about, else that of the step that was gone back to, else the last of
    its kind (or of the named quantity)."""
    asked = questioned(state)
    if asked is not None and fits(asked.step, intent):
        return asked
    back = gone_back(state) and not state.open_warnings(state.active)
    here = stands_here(state) if back else None
    if here is not None and _correctable(state, here, intent):
        return Questioned(state.protocol.by_id[here.step], here)  # it was gone back to
    last = (
        _newest_to_correct(state, state.active, intent)
        or elsewhere_to_correct(state, intent)
        or _of_the_opening(state, intent)
    )
    return None if last is None else Questioned(state.protocol.by_id[last.step], last)


def elsewhere_to_correct(state: CaseState, intent: it.Correction) -> Entry | None:
    """The value of the canal that was finished just now that a correction fits too."""
    track = just_finished(state)
    return None if track is None else _newest_to_correct(state, track, intent)


def _of_the_opening(state: CaseState, intent: it.Correction) -> Entry | None:
    """What was answered before the canals, of the patient or of readiness, by its name: it
    can come up in any of them."""
    if intent.quantity is None:
        return None
    return next((e for e in _told_before(state) if _correctable(state, e, intent)), None)


def _told_before(state: CaseState) -> tuple[Entry, ...]:
    """The answers that were chosen in the opening, newest first."""
    found = (state.newest(CASE, one) for one in state.protocol.opening if one.options)
    return tuple(sorted((e for e in found if e is not None), key=lambda e: -e.seq))


def just_finished(state: CaseState) -> str | None:
    """The canal that has the newest entry that was told, if it is finished and another one is
    at work: what is prepared for the next canal enters by itself."""
    told = (e for e in reversed(state.entries) if e.standing == "standing" and not prepared(e))
    newest = next(told, None)
    if newest is None or newest.track in {CASE, state.active}:
        return None
    return newest.track if state.track(newest.track).finished else None


def prepared(entry: Entry) -> bool:
    """Whether it was told beforehand, and entered when its canal was begun."""
    return entry.heard.channel == "prepared"


def _newest_to_correct(state: CaseState, track: str, intent: it.Correction) -> Entry | None:
    """The newest that fits, one that was warned about before all others."""
    newest_first = state.standing(track)[::-1]
    waits = {warning.entry for warning in state.open_warnings(track)}
    warned = [entry for entry in newest_first if entry.seq in waits]
    found = (e for e in (*warned, *newest_first) if _correctable(state, e, intent))
    return next(found, None)


def _correctable(state: CaseState, entry: Entry, intent: it.Correction) -> bool:
    """A value of that kind, and of that number if one was named; not a time that was
    measured, nor an answer that led elsewhere ("level reached" is no length)."""
    step = state.protocol.by_id[entry.step]
    if entry.origin == "timed" or not fits(step, intent):
        return False
    if intent.number is not None and not (numbered(step) and entry.round == intent.number):
        return False
    if step.expect.kind == "choice":
        return True
    option = option_of(step, entry.value) if isinstance(entry.value, str) else None
    return option is None or option.to is None or stays(step, option.id)


def numbered(step: Step) -> bool:
    """Whether its values have numbers: those of a cycle or increment, and readings."""
    return step.loop is not None or step.expect.kind == "readings"


def also_fits(state: CaseState, intent: it.Correction, old: Entry) -> Entry | None:
    """Another value that a correction may mean as well as ``old``: one of the same
    sentence; or, where the name is that of several and ``old`` is not the last that was
    said, one of another step. None where a warning about ``old`` waits: it is answered."""
    waits = {warning.entry for warning in state.open_warnings(old.track)}
    if intent.number is not None or old.seq in waits:
        return None
    step, last = state.protocol.by_id[old.step], state.newest(old.track)
    general = intent.quantity not in {None, step.expect.quantity} and old != last
    for entry in reversed(state.standing(old.track)):
        together = entry.at == old.at or (general and entry.step != old.step)
        if entry == old or not together or not _correctable(state, entry, intent):
            continue
        one = state.protocol.by_id[entry.step]
        if intent.kind == "option" or problem_with(one, intent.value) is None:
            return entry
    return None


class Corrections(NamedTuple):
    """What can be corrected: kinds of values, and of answers by an option the quantities
    and the options."""

    kinds: tuple[it.ValueKind, ...]
    answers: tuple[tuple[str, tuple[str, ...]], ...]


def corrections(state: CaseState) -> Corrections:
    """Of the standing entries of this canal, then of the one that was finished just now,
    newest first; then of what was told before the canals. Of the kinds last what stays once
    canal work has begun."""
    before = just_finished(state)
    there = state.standing(before) if before is not None else ()
    opening = _told_before(state) if state.active != CASE else ()
    entries = (*reversed(state.standing(state.active)), *reversed(there), *opening)
    steps = [state.protocol.by_id[name] for name in dict.fromkeys(e.step for e in entries)]
    found = (KIND_OF.get(step.expect.kind) for step in steps)
    kinds = dict.fromkeys(kind for kind in found if kind is not None and kind != "s")
    late = ONCE if canal_work_begun(state) else frozenset()
    return Corrections(
        tuple(sorted(kinds, key=lambda kind: kind in late)),
        tuple((step.expect.quantity, step.answers) for step in steps if step.answers),
    )


def changes_way(state: CaseState, found: Questioned, value: it.Scalar) -> bool:
    """Whether a corrected answer leads elsewhere than the one that stands; none of the
    opening does once that is behind: what it warns of is answered, and work goes on."""
    if is_set_up(state) and not same_part(state, found.step.id, AT_CANALS):
        return False
    old = found.old.value if found.old is not None else value
    ways = [option_of(found.step, str(one)) for one in (old, value)]
    to = [None if way is None else way.to for way in ways]
    return found.step.expect.kind == "choice" and to[0] != to[1]


def to_undo(state: CaseState) -> Entry | None:
    """The value of the step that is shown, where it has one; else the last entry of the
    canal; where nothing was told of it yet, or all canals are finished, that of the canal
    finished just now; of the case where no canal has any yet; none of the opening once the
    closing steps are reached, and none that a change of the case made: that is put right by
    another."""
    if (shown := given_here(state)) is not None:
        return shown
    track = state.active if canal_work_begun(state) else CASE
    last, place = state.newest(track), state.track(CASE).step
    if track == CASE and state.changes and place == AT_CANALS:
        return None
    before = just_finished(state)
    if before is not None and (last is None or track == CASE or prepared(last)):
        return state.newest(before)
    if last is not None and state.role(last) is Role.REMOVED_TO:
        return None
    if last is None or (
        last.track == CASE and place != AT_CANALS and not same_part(state, place, last.step)
    ):
        return None
    return last
