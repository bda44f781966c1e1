"""The safety rules: which of a protocol's rules does a value or an act trip?

A rule is data (``protocols/*.yaml``); the tests it can name are here, one short
function each. Rules only speak: none of them changes or refuses a value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from assistant.canal import lengths
from assistant.procedure.facts import (
    EPSILON_MM,
    advance_mm,
    as_number,
    depth_limit_mm,
    fields,
    fill_top_mm,
    handbook_plausible,
    number,
    text_of,
    wl_mm,
)
from assistant.procedure.intents import Scalar
from assistant.procedure.protocol import ACTS, CheckName, Rule, Step
from assistant.procedure.state import CaseState


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


class Fired(NamedTuple):
    """A rule that was tripped, with the sentence to say."""

    rule: Rule
    text: str


Finding = dict[str, str] | None
"""Fields that fill the rule's sentence, or None when the rule is not tripped."""


def fired_by_value(state: CaseState, candidate: Candidate) -> Iterator[Fired]:
    """Rules tripped by a value, judged against the state *before* it enters."""
    for rule in state.protocol.rules:
        if candidate.quantity not in rule.quantities or rule.check in ACTS:
            continue
        finding = _VALUE_CHECKS[rule.check](state, rule, candidate)
        if finding is not None:
            yield _fire(state, rule, candidate.track, candidate.step, finding)


def fired_by_skip(state: CaseState, track: str, step: Step) -> Iterator[Fired]:
    """Rules tripped by leaving a step out."""
    for rule in state.protocol.rules:
        if rule.check == "skipped" and (not rule.steps or step.id in rule.steps):
            yield _fire(state, rule, track, step, {})


def fired_by_leaving(state: CaseState, track: str, step: Step) -> Iterator[Fired]:
    """Rules tripped by leaving a loop before its goal."""
    top, limit = fill_top_mm(state, track), depth_limit_mm(state, track)
    if limit is None:
        return  # said with every depth, by the rules on an unknown limit
    within = state.protocol.limit("at_limit_within_mm") + EPSILON_MM
    for rule in state.protocol.rules:
        if (
            rule.check == "finish_short"
            and step.id in rule.steps
            and (top is None or top < limit - within)
        ):
            yield _fire(state, rule, track, step, {})


def _fire(
    state: CaseState, rule: Rule, track: str, step: Step, finding: dict[str, str]
) -> Fired:
    filled = fields(state, state.track(track), step=step.title) | finding
    return Fired(rule, rule.say.format_map(filled))


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


def _option_is(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    if c.value not in rule.options:
        return None
    return {"value": str(c.value).replace("_", " ")}


def _advance_outside(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    advance = None if value is None else advance_mm(state, c.track, value, c.place)
    if advance is None or rule.limit_high is None:
        return None
    low, high = _bound(state, rule), state.protocol.limit(rule.limit_high)
    if low - EPSILON_MM <= advance <= high + EPSILON_MM:
        return None
    return {"value": text_of(advance), "limit": text_of(low), "limit_high": text_of(high)}


def _readings_spread(state: CaseState, rule: Rule, c: Candidate) -> Finding:
    value = as_number(c.value)
    if value is None:
        return None
    # With the reading it replaces, if it does, out of the way.
    others = state.in_sequence(c.track, c.quantity)
    readings = [value if state.place(e) == c.place else number(e) for e in others]
    readings += [value] if c.place is None else []
    wanted = int(state.protocol.limit("readings_min"))
    latest = [reading for reading in readings if reading is not None][-wanted:]
    if lengths.readings_agree(latest, _bound(state, rule)):
        return None
    return {"value": text_of(lengths.final_length_mm(latest).spread_mm)}


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


_VALUE_CHECKS: dict[CheckName, Callable[[CaseState, Rule, Candidate], Finding]] = {
    "deeper_than_limit": _deeper_than_limit,
    "limit_unknown": _limit_unknown,
    "below": _below,
    "above": _above,
    "first_round_above": _first_round_above,
    "later_round_above": _later_round_above,
    "short_of_wl": _short_of_wl,
    "beyond_wl": _beyond_wl,
    "outside_handbook": _outside_handbook,
    "option_is": _option_is,
    "advance_outside": _advance_outside,
    "readings_spread": _readings_spread,
    "seal_below": _seal_below,
    "not_shallower_than": _not_shallower_than,
}
