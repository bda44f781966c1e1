"""What the dictated numbers mean for heat: how deep a cycle softens, how long the mass takes
to be firm, what the root surface feels, and how long the next one may be.

Computed again from the entries that stand, as :mod:`.reckoning` does; None while a number
is missing or cannot be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from assistant.canal import heat_live, plan
from assistant.canal.heat_live import COLD, Left, LiveHeat, Question
from assistant.canal.heating import UNKNOWN_SOURCE, Heating, Source
from assistant.canal.instruments import Interval
from assistant.canal.model import CanalShape
from assistant.progress import facts, reckoning
from assistant.progress.entries import Entry
from assistant.progress.facts import number
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol
from assistant.protocol.roles import Role


def source(state: CaseState) -> Source:
    """How hot the practice's carrier gets, by its own file or as was seen in papers."""
    own = state.instruments and state.instruments.carrier
    return own.source() if own else UNKNOWN_SOURCE


def wall_mm(state: CaseState, track: str) -> float | None:
    """Wall of the root: as it was said, else as the protocol assumes it."""
    said, assumed = (
        number(state.last(track, Role.ROOT_WALL)),
        state.protocol.limits.root_wall_mm,
    )
    return said if said is not None or assumed is None else assumed.value


def heat(state: CaseState, track: str) -> LiveHeat | None:
    """What the newest activation does, see :func:`heat_of`."""
    heated = state.newest(track, Role.HEAT_DEPTH)
    return None if heated is None else heat_of(state, track, heated)


def heat_of(state: CaseState, track: str, heated: Entry) -> LiveHeat | None:
    """How deep the activation that reached this depth softens, how long the mass takes
    to be firm, and what the root surface feels."""
    depth = number(heated)
    if depth is None:
        return None
    return heat_to(state, track, depth, heated.round)


def heating_of(state: CaseState, track: str, heated: Entry) -> Heating | None:
    """The activation that reached this depth, see :func:`heating`."""
    depth = number(heated)
    if depth is None:
        return None
    return heating(state, track, depth, heated.round)


def heat_to(state: CaseState, track: str, depth_mm: float, round_: int) -> LiveHeat | None:
    """The same for a depth not yet on record, in the cycle given."""
    canal, done = reckoning.shape(state, track), heating(state, track, depth_mm, round_)
    timed = _timed(state, track, round_)
    if canal is None or done is None or timed is None:
        return None
    began = _at(state, timed) - timedelta(seconds=done.heat_s)
    earlier = [(one, (began - out).total_seconds()) for one, out in _done(state, track, round_)]
    return live_heat(canal, done, wall_mm(state, track), left(state.protocol, earlier))


def live_heat(
    canal: CanalShape, done: Heating, wall: float | None, before: Left = COLD
) -> LiveHeat | None:
    """The table's answer: for any wall, but the root's surface for the wall given.

    Over all walls the surface says nothing, and a warning that comes in every cycle is
    heard in none. None where there can be no answer.
    """
    asked, walled = question(canal, done), question(canal, done, wall)
    if asked is None or walled is None:
        return None
    found = heat_live.live_heat(asked, before)
    to_end_mm = canal.wl_mm - done.tip_depth_mm
    soft = found.softened_mm
    return found._replace(
        softened_mm=Interval(min(soft.low, to_end_mm), min(soft.high, to_end_mm)),
        surface_rise_c=heat_live.live_heat(walled, before).surface_rise_c,
    )


def question(canal: CanalShape, done: Heating, wall: float | None = None) -> Question | None:
    """A heating as the table is asked about it; None if it cannot be."""
    try:
        return Question(
            canal.diameter_mm(done.tip_depth_mm),
            done.heat_s,
            done.tip_depth_mm - done.start_mm,
            wall,
            heat_live.carrier_c(done.source),
        )
    except ValueError:
        return None


def left(protocol: Protocol, earlier: Sequence[tuple[Question, float]]) -> Left:
    """What earlier cycles left, each so many seconds after its removal.

    No less than the press lies between two heats; a case told afterwards may say less.
    """
    press_s = protocol.limit("press_s")
    return heat_live.left_by([(one, max(press_s, after_s)) for one, after_s in earlier])


def heating(state: CaseState, track: str, depth_mm: float, round_: int) -> Heating | None:
    """The activation of a cycle as the heat computation wants it."""
    timed = _timed(state, track, round_)
    heat_s = number(timed)
    top = facts.cycle_top_mm(state, track, round_)
    if heat_s is None:
        return None
    return _heating(state, track, depth_mm, depth_mm if top is None else top, heat_s)


def _heating(
    state: CaseState, track: str, depth_mm: float, top_mm: float, heat_s: float
) -> Heating | None:
    wl = facts.wl_mm(state, track)
    if wl is None or depth_mm > wl:
        return None
    try:
        return Heating(
            tip_depth_mm=depth_mm,
            start_mm=min(depth_mm, max(0.0, top_mm)),
            heat_s=heat_s,
            dwell_s=reckoning.value_of(state.protocol.limits.dwell_s),
            press_s=state.protocol.limit("press_s"),
            source=source(state),
        )
    except ValueError:
        return None


def _timed(state: CaseState, track: str, round_: int) -> Entry | None:
    return next((e for e in state.standing(track, Role.HEAT) if e.round == round_), None)


def heated_s(state: CaseState, track: str, round_: int) -> float | None:
    """How long the carrier of a cycle was on."""
    return number(_timed(state, track, round_))


def _at(state: CaseState, entry: Entry) -> datetime:
    """When it was made first, however late it was corrected."""
    return state.entries[state.place(entry) - 1].at.wall


def _done(state: CaseState, track: str, before_round: int) -> list[tuple[Question, datetime]]:
    """The heatings of earlier cycles, each with the moment of its carrier's removal."""
    canal, found = reckoning.shape(state, track), []
    dwell = timedelta(seconds=reckoning.value_of(state.protocol.limits.dwell_s))
    for heated in state.in_sequence(track, Role.HEAT_DEPTH):
        timed, done = _timed(state, track, heated.round), heating_of(state, track, heated)
        if heated.round >= before_round or not (canal and done and timed):
            continue
        if asked := question(canal, done, wall_mm(state, track)):
            found.append((asked, _at(state, timed) + dwell))
    return found


def heating_to_come(
    state: CaseState, track: str, cycle: plan.Cycle, top_mm: float
) -> Heating | None:
    """A planned cycle, heated for as long as the protocol allows."""
    return _heating(state, track, cycle.heat_to_mm, top_mm, state.protocol.limit("heat_s"))


def next_heat(state: CaseState, track: str) -> tuple[float, float] | None:
    """For the next planned cycle: how long after the last removal to begin it, s, and the
    longest heat then, s, at which the high end of the rise stays under the protocol's limit.

    The wait is no less than the usual handling, and lasts until the root takes as much heat
    as the protocol allows, or three quarters of what it would take cold (chosen here: for
    all of it the wait would have no end). None: nothing planned or known.
    """
    canal, planned = reckoning.shape(state, track), reckoning.downpack(state, track)
    limit, top = state.protocol.limits.surface_rise_c, facts.fill_top_mm(state, track)
    if canal is None or not planned or not planned.cycles or limit is None or top is None:
        return None
    done = heating_to_come(state, track, planned.cycles[0], top)
    asked = done and question(canal, done, wall_mm(state, track))
    if not asked:
        return None
    before = _done(state, track, planned.cycles[0].number)
    last = max((out for _, out in before), default=None)
    earlier = [(one, (last - out).total_seconds()) for one, out in before] if last else []
    return in_time(asked, limit.value, earlier, between_s(state.protocol))


def in_time(
    asked: Question, limit_c: float, earlier: Sequence[tuple[Question, float]], usual_s: float
) -> tuple[float, float]:
    """The wait and the heat of :func:`next_heat`; ``earlier`` as of the last removal."""
    if not earlier:
        return 0.0, heat_live.longest_heat_s(asked, limit_c)
    cold_s = heat_live.longest_heat_s(asked, limit_c)
    wanted = replace(asked, heat_s=max(0.1, min(asked.heat_s, 0.75 * cold_s)))
    wait_s = heat_live.wait_s(wanted, limit_c, earlier)
    wait_s = max(usual_s, heat_live.LEFT_S[-1] if wait_s is None else wait_s)
    left_then = heat_live.left_by(earlier, wait_s)
    return wait_s, heat_live.longest_heat_s(asked, limit_c, left_then)


def between_s(protocol: Protocol) -> float:
    """From a removal to the next heat, where nobody waits."""
    times = reckoning.cycle_times(protocol)
    return times.press_s + times.handling_s
