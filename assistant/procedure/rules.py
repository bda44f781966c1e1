"""The safety rules: the checks of a value that a rule can name, one short function each.

A rule is data (``protocols/*.yaml``); :mod:`.fired` asks which are tripped. Rules only
speak: none of them changes or refuses a value.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from assistant.canal import lengths
from assistant.canal.fit import ConeVerdict
from assistant.canal.heat_live import LiveHeat
from assistant.canal.heating import UNKNOWN_SOURCE
from assistant.progress import heat_reckoning, reckoning
from assistant.progress.facts import (
    EPSILON_MM,
    advance_mm,
    apex_locator_mm,
    as_number,
    depth_limit_mm,
    fill_before_mm,
    fill_top_mm,
    handbook_plausible,
    newest_readings,
    number,
    odd_canals,
    out_of_order,
    readings_done,
    readings_mm,
    stays,
    text_of,
    wl_mm,
)
from assistant.progress.fields import firm_s
from assistant.progress.intents import Scalar
from assistant.progress.state import CaseState
from assistant.protocol.model import Step
from assistant.protocol.roles import Role
from assistant.protocol.rule import CheckName, Rule


class Candidate(NamedTuple):
    """A value that is about to enter, or stands in, the record.

    ``place`` is its place in the sequence (:meth:`CaseState.place`) when it is
    on record or replaces an entry that is; None at the end of the sequence.
    """

    track: str
    step: Step
    quantity: str
    value: Scalar
    round: int
    place: int | None = None


Finding = dict[str, str] | None
"""Fields that fill the rule's sentence, or None when the rule is not tripped."""


def _bound(state: CaseState, rule: Rule) -> float:
    assert rule.limit is not None, f"rule {rule.id} needs a limit"
    return state.protocol.limit(rule.limit)


def _deeper_than_limit(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, wl = as_number(c.value), wl_mm(state, c.track)
    if value is None or wl is None:
        return None
    limit = lengths.depth_limit_mm(wl, _bound(state, rule))
    if value <= limit + EPSILON_MM:
        return None
    return {"limit": text_of(limit), "value": text_of(value)}


def _limit_unknown(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    if value is None or depth_limit_mm(state, c.track) is not None:
        return None
    return {"value": text_of(value)}


def _below(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, bound = as_number(c.value), _bound(state, rule)
    if value is None or value >= bound - EPSILON_MM:
        return None
    return {"limit": text_of(bound), "value": text_of(value)}


def _above(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, bound = as_number(c.value), _bound(state, rule)
    if value is None or value <= bound + EPSILON_MM:
        return None
    return {"limit": text_of(bound), "value": text_of(value)}


def _first_round_above(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    return _above(state, rule, c) if c.round == 1 else None


def _later_round_above(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    return _above(state, rule, c) if c.round > 1 else None


def _first_round_below(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    return _below(state, rule, c) if c.round == 1 else None


def _last_press_below(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """The press of the cycle that reached the downpack's limit, whichever of its two
    values comes second; one that runs is judged when it ends."""
    if c.step.role is Role.COMPACTION and state.timer is not None:
        return None
    held, depth = (
        as_number(c.value) if c.step.role is role else _in_round(state, c, role)
        for role in (Role.PRESS, Role.COMPACTION)
    )
    deepest, bound = depth_limit_mm(state, c.track), _bound(state, rule)
    if held is None or depth is None or deepest is None or held >= bound - EPSILON_MM:
        return None
    if depth < deepest - state.protocol.limit("at_limit_within_mm") - EPSILON_MM:
        return None
    return {"limit": text_of(bound), "value": text_of(held)}


def _in_round(state: CaseState, c: Candidate, role: Role) -> float | None:
    """The newest value of a role in the candidate's round."""
    found = [e for e in state.in_sequence(c.track, role) if e.round == c.round]
    return number(found[-1]) if found else None


def _short_of_wl(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, wl = as_number(c.value), wl_mm(state, c.track)
    if value is None or wl is None or value >= wl - _bound(state, rule) - EPSILON_MM:
        return None
    return {"value": text_of(value), "wl": text_of(wl)}


def _beyond_wl(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, wl = as_number(c.value), wl_mm(state, c.track)
    if value is None or wl is None or value <= wl + _bound(state, rule) + EPSILON_MM:
        return None
    return {"value": text_of(value), "wl": text_of(wl)}


def _outside_handbook(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    if value is None or handbook_plausible(state, value):
        return None
    return {"value": text_of(value)}


def _odd_canals(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    odd = odd_canals(state, c.value)
    return None if odd is None else {"value": odd.capitalize()}


def _option_is(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    if c.value not in rule.options:
        return None
    return {"value": str(c.value).replace("_", " ")}


def _advance_outside(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    advance = None if value is None else advance_mm(state, c.track, value, c.round)
    if advance is None or rule.limit_high is None:
        return None
    low, high = _bound(state, rule), state.protocol.limit(rule.limit_high)
    if low - EPSILON_MM <= advance <= high + EPSILON_MM:
        return None
    return {"value": text_of(advance), "limit": text_of(low), "limit_high": text_of(high)}


def _too_deep(state: CaseState, c: Candidate, value: float) -> bool:
    """Whether the depth warning asks about it already: two questions are one too many."""
    limit = depth_limit_mm(state, c.track)
    return limit is not None and value > limit + EPSILON_MM


def _fill_of(state: CaseState, c: Candidate) -> float | None:
    return fill_before_mm(state, c.track, c.step, c.round, c.place)


def _above_fill(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, top = as_number(c.value), _fill_of(state, c)
    if value is None or top is None or value >= top - EPSILON_MM:
        return None
    return {"value": text_of(value), "limit": text_of(top)}


def _not_advanced(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, top = as_number(c.value), _fill_of(state, c)
    if value is None or top is None or value > top + EPSILON_MM:
        return None
    return {"value": text_of(value), "limit": text_of(top)}


def _advance_above(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, top = as_number(c.value), _fill_of(state, c)
    if value is None or top is None or value <= top + _bound(state, rule) + EPSILON_MM:
        return None
    if _too_deep(state, c, value):
        return None
    return {"value": text_of(value), "limit": text_of(top)}


def _past_carrier(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """The plugger of a cycle against its carrier, whichever of the two is told last."""
    carrier, plugger = (
        as_number(c.value) if c.step.role is role else _in_round(state, c, role)
        for role in (Role.HEAT_DEPTH, Role.COMPACTION)
    )
    if carrier is None or plugger is None or _too_deep(state, c, plugger):
        return None
    if plugger <= carrier + _bound(state, rule) + EPSILON_MM:
        return None
    return {"value": text_of(plugger), "limit": text_of(carrier)}


def _out_of_order(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    if value is None or _too_deep(state, c, value):
        return None
    other = out_of_order(state, c.track, c.step, value)
    if other is None:
        return None
    title = state.protocol.by_id[other.step].title.partition(",")[0]
    return {"value": text_of(value), "step": title, "limit": text_of(number(other))}


def _short_of_limit(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, limit = as_number(c.value), depth_limit_mm(state, c.track)
    if value is None or limit is None or value >= limit - _bound(state, rule) - EPSILON_MM:
        return None
    return {"value": text_of(value), "limit": text_of(limit)}


def _past_coronal_level(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, level = as_number(c.value), number(state.last(c.track, Role.CORONAL_LEVEL))
    if value is None or level is None or value <= level + _bound(state, rule) + EPSILON_MM:
        return None
    return None if _too_deep(state, c, value) else {"value": text_of(value)}


def _level_off(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """The answer that the planned level is reached, against the fill as it is computed."""
    level = number(state.last(c.track, Role.CORONAL_LEVEL))
    top = fill_top_mm(state, c.track)
    if c.value not in rule.options or top is None or level is None:
        return None
    return {} if abs(top - level) > _bound(state, rule) + EPSILON_MM else None


def _readings_spread(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    if value is None:
        return None
    latest = _readings_with(state, c, value)
    if lengths.readings_agree(latest, _bound(state, rule)):
        return None
    return {"value": text_of(lengths.final_length_mm(latest).spread_mm)}


def _readings_with(state: CaseState, c: Candidate, value: float) -> tuple[float, ...]:
    """The newest readings once ``value`` is in: as :func:`facts.readings_mm`, with the
    reading it replaces, if it does, out of the way."""
    others = state.in_sequence(c.track, c.step)
    readings = [value if state.place(e) == c.place else number(e) for e in others]
    readings += [value] if c.place is None else []
    return newest_readings(state.protocol, [r for r in readings if r is not None])


def _differs_from_paper_points(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """The apex locator against the paper points, whichever is known last; those are known
    once there are as many as ought to agree, and they do, or no more can be had."""
    located, readings = as_number(c.value), readings_mm(state, c.track)
    if c.step.expect.kind == "readings":
        value, located = located, apex_locator_mm(state, c.track)
        readings = readings if value is None else _readings_with(state, c, value)
        more = (
            stays(c.step, str(c.value))
            if value is None
            else not readings_done(state.protocol, readings)
        )
        if more:
            return None
    if located is None or not readings:
        return None
    centre = lengths.final_length_mm(readings).centre_mm
    if abs(located - centre) <= _bound(state, rule) + EPSILON_MM:
        return None
    return {"value": text_of(located), "readings": ", ".join(map(text_of, readings))}


def _seal_below(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, wl = as_number(c.value), wl_mm(state, c.track)
    if value is None or wl is None:
        return None
    seal, bound = lengths.apical_seal_mm(wl, value), _bound(state, rule)
    if seal >= bound - EPSILON_MM:
        return None
    return {"value": text_of(seal), "limit": text_of(bound)}


def _not_shallower_than(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value, wl = as_number(c.value), wl_mm(state, c.track)
    if value is None or wl is None or value < wl:
        return None
    return {"value": text_of(value), "wl": text_of(wl)}


def _cone_misfit(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """Only what holds for every size within tolerance; the nominal fit is a hint."""
    cut = as_number(c.value)
    seat = None if cut is None else reckoning.cone(state, c.track, cut_mm=cut)
    if seat is None or seat.verdict in {ConeVerdict.TIGHT, ConeVerdict.PERHAPS}:
        return None
    return {"value": str(seat.verdict)}


def _beyond_reach(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """Deeper than even the thinnest plugger of the practice's set can go."""
    value, thinnest = as_number(c.value), reckoning.thinnest_binds_mm(state, c.track)
    if value is None or thinnest is None or value <= thinnest[1].high + EPSILON_MM:
        return None
    return {"value": text_of(value), "limit": text_of(lengths.round_mm(thinnest[1].high))}


def _surface_rise_above(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """By the high end of what is possible: heat is warned about early.

    Of a carrier of which the practice told nothing only past the protocol's own time: its
    high end is assumed, and a warning that comes in every cycle is heard in none. The
    longest heat is said before the cycle all the same.
    """
    heat, bound = _heat(state, c), _bound(state, rule)
    if heat is None or heat.surface_rise_c.high <= bound:
        return None
    heated, longest = (
        heat_reckoning.heated_s(state, c.track, c.round),
        state.protocol.limits.heat_s,
    )
    assumed = heat_reckoning.source(state) == UNKNOWN_SOURCE
    if assumed and longest and (heated or 0.0) <= longest.value:
        return None
    high = heat.surface_rise_c.outward(0).high
    return {"value": text_of(high), "limit": text_of(bound)}


def _cools_slower(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    """By the high end too: a mass let go while it may be soft shrinks without pressure."""
    heat, bound = _heat(state, c), _bound(state, rule)
    if heat is None or not heat.inside or heat.cool_s.high <= bound:
        return None
    return {"value": firm_s(heat), "limit": text_of(bound)}


def _heat(state: CaseState, c: Candidate) -> LiveHeat | None:
    depth = as_number(c.value)
    if depth is None:
        return None
    return heat_reckoning.heat_to(state, c.track, depth, c.round)


VALUE_CHECKS: dict[CheckName, Callable[[CaseState, Rule, Candidate], Finding]] = {
    "deeper_than_limit": _deeper_than_limit,
    "limit_unknown": _limit_unknown,
    "below": _below,
    "above": _above,
    "first_round_above": _first_round_above,
    "first_round_below": _first_round_below,
    "last_press_below": _last_press_below,
    "later_round_above": _later_round_above,
    "short_of_wl": _short_of_wl,
    "beyond_wl": _beyond_wl,
    "outside_handbook": _outside_handbook,
    "option_is": _option_is,
    "advance_outside": _advance_outside,
    "readings_spread": _readings_spread,
    "seal_below": _seal_below,
    "not_shallower_than": _not_shallower_than,
    "cone_misfit": _cone_misfit,
    "beyond_reach": _beyond_reach,
    "surface_rise_above": _surface_rise_above,
    "cools_slower": _cools_slower,
    "differs_from_paper_points": _differs_from_paper_points,
    "odd_canals": _odd_canals,
    "above_fill": _above_fill,
    "not_advanced": _not_advanced,
    "advance_above": _advance_above,
    "past_carrier": _past_carrier,
    "out_of_order": _out_of_order,
    "short_of_limit": _short_of_limit,
    "past_coronal_level": _past_coronal_level,
    "level_off": _level_off,
}
"""What each check of a value finds, told the state *before* the value enters it."""
