"""Whether the case can change, and what of a canal counts no more once a part is done again.

Read off the state alone, as in :mod:`.reach`, for the door and for whoever carries it out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple

from assistant.canal import teeth
from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.procedure.reach import stands_here
from assistant.progress import intents as it
from assistant.progress.entries import Entry
from assistant.progress.facts import (
    EPSILON_MM,
    depth_limit_mm,
    fill_top_mm,
    holds,
    number,
    option_of,
    wl_mm,
)
from assistant.progress.state import CASE, CaseState, Track
from assistant.protocol.machine import position
from assistant.protocol.model import Step
from assistant.protocol.roles import Role

ChangeProblem = Literal[
    "no_such_canal",
    "canal_not_there",
    "canal_there",
    "last_canal",
    "joins_itself",
    "joins_where",
    "joins_beyond",
    "joins_nothing",
    "not_a_tooth",
    "tooth_already",
    "no_post_here",
    "post_already",
    "not_done_yet",
    "removed_level",
    "removed_where",
    "change_needs_reason",
]
"""Why a change cannot be; each a key of the wording's refusals."""

TELLS_ITSELF = frozenset(
    {"found", "joins", "separate", "post", "reheated", "replaced", "removed", "film"}
)
"""Changes that need no reason beside what they are."""


def change_problem(state: CaseState, change: it.Change) -> ChangeProblem | None:
    """Why a change of the case cannot be, None if it can."""
    if change.what == "tooth":
        problem = _tooth_problem(state, change.tooth)
    elif change.what == "film" and changed_canal(state, change) is None:
        problem = None if begins_again(state, CASE, change) else "not_done_yet"
    else:
        problem = _canal_problem(state, change)
    if problem is not None or change.what in TELLS_ITSELF:
        return problem
    return None if (change.reason or "").strip() else "change_needs_reason"


def _tooth_problem(state: CaseState, tooth: int | None) -> ChangeProblem | None:
    if tooth == state.tooth:
        return "tooth_already"
    known = any(tooth == one.fdi for one in teeth.PERMANENT_TEETH)
    return None if known else "not_a_tooth"


def _canal_problem(state: CaseState, change: it.Change) -> ChangeProblem | None:
    name = changed_canal(state, change)
    track = _canal(state, name)
    match change.what:
        case "found":
            return None if name and (track is None or track.closed) else "canal_there"
        case _ if track is None:
            return "no_such_canal"
        case _ if track.closed is not None:
            return "canal_not_there"
        case "absent" if all(t is track or t.closed for t in state.canals):
            return "last_canal"
        case "renamed" if not change.to or any(t.name == change.to for t in state.tracks):
            return "canal_there"
        case "joins":
            return _joins_problem(state, track, change)
        case "separate" if track.joins is None:
            return "joins_nothing"
        case "post":
            return _post_problem(state, track.name)
        case "removed" if change.mm is not None:
            return _removed_problem(state, track.name, change.mm)
        case "again" | "reheated" | "replaced" | "removed" | "film":
            return None if begins_again(state, track.name, change) else "not_done_yet"
    return None


def _canal(state: CaseState, name: str | None) -> Track | None:
    return next((t for t in state.canals if t.name == name), None)


def _joins_problem(state: CaseState, track: Track, change: it.Change) -> ChangeProblem | None:
    other = _canal(state, change.to)
    if other is None or other.closed is not None:
        return "no_such_canal"
    if other is track or (other.joins is not None and other.joins.canal == track.name):
        return "joins_itself"
    if change.mm is None:
        return "joins_where"
    apart = track.model_copy(update={"joins": None})
    tracks = tuple(apart if t is track else t for t in state.tracks)
    wl = wl_mm(state.model_copy(update={"tracks": tracks}), track.name)
    within = 0 < change.mm <= (MAX_LENGTH_MM if wl is None else wl)
    return None if within else "joins_beyond"


def _post_problem(state: CaseState, track: str) -> ChangeProblem | None:
    steps = state.protocol
    if not steps.with_role(Role.POST_PLANNED) or not steps.with_role(Role.POST_DECISION):
        return "no_post_here"
    planned = state.newest(track, Role.POST_PLANNED)
    if planned is None:
        return "not_done_yet"
    return "post_already" if planned.value == "yes" else None


def _removed_problem(state: CaseState, track: str, mm: float) -> ChangeProblem | None:
    """A part of the fill is taken out from its top, and something is left of it."""
    if state.protocol.with_role(Role.REMOVED_TO) is None:
        return "removed_level"
    top, end = fill_top_mm(state, track), wl_mm(state, track)
    if top is None:
        return "not_done_yet"
    within = top + EPSILON_MM < mm < (MAX_LENGTH_MM if end is None else end) - EPSILON_MM
    return None if within else "removed_where"


def changed_canal(state: CaseState, change: it.Change) -> str | None:
    """The canal that a change is about: the one named, else the one at work, else the only
    one there is; None for the case."""
    if change.what == "tooth":
        return None
    if change.canal or state.active != CASE:
        return change.canal or state.active
    there = [t.name for t in state.canals if t.closed is None]
    return there[0] if len(there) == 1 and change.what != "film" else None


class Begin(NamedTuple):
    """Where a track goes on once something of it is done again, and the numbers of the
    entries that count no more."""

    step: Step
    round: int
    superseded: tuple[int, ...]


def begins_again(state: CaseState, track: str, change: it.Change) -> Begin | None:
    """Where what a change does again begins; None where a track has not come to it, or
    where it only has what is still ahead."""
    round_ = 1
    match change.what:
        case "post":
            step = _post_step(state, track)
        case "film":
            films = [e for e in state.in_sequence(track) if state.role(e) in FILMS]
            return _begin_at(state, films[-1]) if films else None
        case "reheated":
            step, round_ = _next_heat(state, track)
            step = step if round_ > 1 else None
        case "again":
            step = _first(state, lambda one: one.phase == change.to)
        case "removed" if change.mm is not None:
            return _begin_below(state, track, change.mm)
        case "replaced" | "removed":
            step = _first(state, lambda one: one.role in CONES)
            filled = (Role.SEATED, Role.SEAR, Role.COMPACTION, Role.CUT_OFF)
            if change.what == "removed" and not any(state.newest(track, r) for r in filled):
                return None
        case _:
            return None
    if step is None:
        return None
    gone = superseded(state, track, step, round_)
    return Begin(step, round_, gone) if gone or round_ > 1 else None


def _next_heat(state: CaseState, track: str) -> tuple[Step | None, int]:
    """The heat of a further cycle, and its number."""
    step = state.protocol.with_role(Role.HEAT)
    loop = {one.id for one in state.protocol.canal if step and one.loop == step.loop}
    heated = [e for e in state.standing(track) if e.step in loop and e.is_measurement]
    return step, 1 + max((entry.round for entry in heated), default=0)


def _begin_below(state: CaseState, track: str, level_mm: float) -> Begin | None:
    """Where a canal goes on that was emptied to a level: with another heat cycle while it was
    never filled down to its limit, else with what comes after the downpack."""
    steps, round_ = state.protocol, 1
    limit, compacted = depth_limit_mm(state, track), number(state.last(track, Role.COMPACTION))
    near = steps.limits.at_limit_within_mm
    reached = max(level_mm, compacted or 0.0)
    short = limit is not None and near and reached < limit - near.value - EPSILON_MM
    if short and steps.with_role(Role.HEAT):
        step, round_ = _next_heat(state, track)
    elif holds(state, track)("post_planned") and steps.with_role(Role.POST_DECISION):
        step = steps.with_role(Role.POST_DECISION)
    else:
        increment = steps.with_role(Role.INCREMENT)
        loop = increment and increment.loop
        step = _first(state, lambda one: loop is not None and one.loop == loop)
        step = step or increment or steps.with_role(Role.POST_LEVEL)
    if step is None:
        return None
    before = (entry.seq for entry in state.standing(track, Role.REMOVED_TO))
    return Begin(
        step, round_, tuple(sorted({*superseded(state, track, step, round_), *before}))
    )


FILMS = frozenset({Role.VERIFICATION, Role.DOWNPACK_RADIOGRAPH, Role.FINAL_RADIOGRAPH})
CONES = frozenset({Role.CONE_SIZE, Role.CONE_TAPER, Role.CONE_LENGTH})


def _begin_at(state: CaseState, film: Entry) -> Begin:
    return Begin(state.protocol.by_id[film.step], film.round, (film.seq,))


def _first(state: CaseState, fits: Callable[[Step], bool]) -> Step | None:
    return next((step for step in state.protocol.canal if fits(step)), None)


def _post_step(state: CaseState, track: str) -> Step | None:
    """Where a canal goes back to for a post decided on late: nowhere while that is ahead."""
    part = state.protocol.canal
    here, step = state.track(track), state.protocol.with_role(Role.POST_DECISION)
    ahead_of_it = not here.finished and part.index(state.protocol.by_id[here.step]) <= (
        part.index(step) if step else 0
    )
    return None if ahead_of_it else step


FOR_THE_CANAL = frozenset(
    {Role.CORONAL_PLUGGER, Role.MIDDLE_PLUGGER, Role.APICAL_PLUGGER, Role.HEAT_FIT}
)
"""What was found out of the canal and not of what fills it: a part done again leaves it,
unless it is that part."""


def superseded(state: CaseState, track: str, begin: Step, round_: int = 1) -> tuple[int, ...]:
    """The standing entries that count no more when a canal is done again from a step of a
    round. What was found out of the canal, and not of what fills it, is left, unless it is
    of that very part."""

    def goes(entry: Entry) -> bool:
        step = state.protocol.by_id[entry.step]
        if step.role not in FOR_THE_CANAL and not step.prepare:
            return True
        return step == begin or (step.phase == begin.phase and not step.prepare)

    return tuple(e.seq for e in _from(state, track, begin, round_) if goes(e))


def rests_on(state: CaseState, old: Entry) -> bool:
    """Whether anything that was done in a canal comes after an entry in the sequence."""
    steps = state.protocol.by_id
    later = _from(state, old.track, steps[old.step], old.round)
    return any(e.step != old.step and not steps[e.step].prepare for e in later)


def _from(state: CaseState, track: str, begin: Step, round_: int) -> tuple[Entry, ...]:
    """The standing entries of a canal from a step of a round on."""
    part = state.protocol.canal
    start = position(part, begin.id, round_)
    ids = {step.id for step in part}
    mine = (entry for entry in state.standing(track) if entry.step in ids)
    return tuple(e for e in mine if position(part, e.step, e.round) >= start)


def stands_from_before(state: CaseState) -> bool:
    """Whether the present step has an answer that still counts and is not to be asked for:
    from before the canal was last done again; or the canal was gone back in to correct
    one, and is on its way to where it was."""
    step, newest = state.step, state.newest(state.active)
    if step is None or newest is None or state.active == CASE or state.aside:
        return False
    option = option_of(state.protocol.by_id[newest.step], str(newest.value))
    if option is not None and option.to is not None:
        return False  # it led elsewhere, where what stands is to be done again
    given = stands_here(state)
    if newest.correction:
        return given is not None or _skipped_here(state)
    return given is not None and given.seq <= state.here.redone


def _skipped_here(state: CaseState) -> bool:
    loop = state.step.loop if state.step else None
    here = (state.active, state.here.step, state.here.round(loop))
    return any((one.track, one.step, one.round) == here for one in state.skipped)
