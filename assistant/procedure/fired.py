"""Which of a protocol's rules a value or an act trips; the checks are in :mod:`.rules`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from assistant.procedure.rules import VALUE_CHECKS, Candidate
from assistant.progress.facts import EPSILON_MM, depth_limit_mm, fill_top_mm, text_of
from assistant.progress.fields import fill
from assistant.progress.state import CaseState
from assistant.protocol.model import Step
from assistant.protocol.rule import ACTS, Rule


class Fired(NamedTuple):
    """A rule that was tripped, with the sentence to show, and to say if that is another
    (see :class:`assistant.progress.entries.Warning`)."""

    rule: Rule
    text: str
    spoken: str | None = None


def fired_by_value(state: CaseState, candidate: Candidate) -> Iterator[Fired]:
    """Rules tripped by a value, judged against the state *before* it enters."""
    for rule in state.protocol.rules:
        if candidate.quantity not in rule.quantities or rule.check in ACTS:
            continue
        finding = VALUE_CHECKS[rule.check](state, rule, candidate)
        if finding is not None:
            yield _fire(state, rule, candidate.track, candidate.step, finding)


def fired_by_skip(state: CaseState, track: str, step: Step) -> Iterator[Fired]:
    """Rules tripped by leaving a step out."""
    for rule in state.protocol.rules:
        if rule.check == "skipped" and (not rule.steps or step.id in rule.steps):
            yield _fire(state, rule, track, step, {})


def fired_by_delay(state: CaseState, waited_s: float | None) -> Iterator[Fired]:
    """Rules tripped by a press that is not begun so long after the heat went off, each
    once in a cycle."""
    step, off = state.in_turn, state.here.heat_off
    if waited_s is None or step is None or off is None or state.here.answered:
        return
    said = {w.rule for w in state.warnings[off.warnings_before :] if w.track == state.active}
    for rule in state.protocol.rules:
        if rule.check == "late" and step.id in rule.steps and rule.id not in said:
            assert rule.limit is not None, f"rule {rule.id} needs a limit"
            bound = state.protocol.limit(rule.limit)
            if waited_s > bound + EPSILON_MM:
                found = {"value": text_of(waited_s), "limit": text_of(bound)}
                yield _fire(state, rule, state.active, step, found)


def fired_by_leaving(state: CaseState, track: str, step: Step) -> Iterator[Fired]:
    """Rules tripped by leaving a loop before its goal."""
    top, limit = fill_top_mm(state, track), depth_limit_mm(state, track)
    near = state.protocol.limits.at_limit_within_mm
    if limit is None or near is None:
        return  # said with every depth, by the rules on an unknown limit
    within = near.value + EPSILON_MM
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
    given = {"step": step.title, **finding}
    said = fill(rule.say, state, state.track(track), **given)
    if rule.shows is None:
        return Fired(rule, said)
    return Fired(rule, fill(rule.shows, state, state.track(track), **given), said)
