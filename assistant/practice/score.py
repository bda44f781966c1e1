"""How a practised case went: counts, fractions, one figure, and what to work on.

It judges what was dictated and timed against the protocol and the invented case, never
the filling. The overall figure is the plain mean of the fractions of all criteria that
were met with, in per cent, and there is none for a case that was broken off. What one
was asked again, questions put and time taken are told, not judged: they depend on the
recogniser and the room.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime

from assistant.practice import measures
from assistant.practice.measures import DictatedDepth, FinalLength, Measured, Press, Tale
from assistant.practice.scenario import INVENTED, NEEDS, Scenario, Trap
from assistant.practice.texts import texts
from assistant.progress import events as ev
from assistant.progress import facts
from assistant.progress.facts import EPSILON_MM, number
from assistant.progress.state import CaseState, Track
from assistant.protocol.frozen import Frozen
from assistant.protocol.roles import Role
from assistant.report.marks import newest_moment

LIMITS = "It scores what was dictated and timed, not the filling."

MOST_ADVICE = 3
"""Sentences on what to work on; more than a few are worked on by nobody."""


class Criterion(Frozen):
    """``good`` of ``of``; ``fraction`` is None where the case never came to it."""

    id: str
    title: str
    good: int
    of: int
    fraction: float | None


class MetTrap(Frozen):
    """A trap of the scenario: whether the case came to it, and passed it."""

    canal: str
    trap: Trap
    met: bool
    passed: bool


class Score(Frozen):
    """See the module docstring. ``counts`` are told, not judged."""

    invented: str = INVENTED
    about: str = LIMITS
    case_code: str
    seed: int
    level: int
    protocol: str
    operator: str
    began: datetime
    minutes: float
    finished: bool
    overall: float | None
    criteria: tuple[Criterion, ...]
    counts: dict[str, int]
    presses: tuple[Press, ...]
    heats_s: tuple[float, ...]
    depths: tuple[DictatedDepth, ...]
    measurements: tuple[Measured, ...]
    final_lengths: tuple[FinalLength, ...]
    traps: tuple[MetTrap, ...]
    work_on: tuple[str, ...]


def score(events: Iterable[ev.AnyEvent], scenario: Scenario, operator: str = "self") -> Score:
    """Score the events of a case, finished or broken off.

    ``operator`` is "self" or "simulated": who practised.

    Raises:
        ValueError: the first event does not open a case.
    """
    tale = Tale(events, scenario)
    state = tale.state
    measured = tuple(measures.measured(state, tale.seen))
    finals = tuple(measures.final_lengths(state, scenario))
    depths = tuple(measures.depths(state, tale.over_mm))
    presses = tuple(measures.presses(state))
    criteria = tuple(_criteria(tale, presses, depths, measured, finals))
    fractions = [c.fraction for c in criteria if c.fraction is not None]
    finished = state.signed is not None
    mean = sum(fractions) / len(fractions) if fractions else 0.0
    spent = newest_moment(state).wall - state.opened.wall
    return Score(
        case_code=state.case_code,
        seed=scenario.seed,
        level=scenario.level,
        protocol=state.protocol.id,
        operator=operator,
        began=state.opened.wall,
        minutes=round(spent.total_seconds() / 60, 1),
        finished=finished,
        overall=round(100 * mean, 1) if finished else None,
        criteria=criteria,
        counts=_counts(tale, presses, depths),
        presses=presses,
        heats_s=tuple(seconds for seconds, _ in measures.heats(state)),
        depths=depths,
        measurements=measured,
        final_lengths=finals,
        traps=tuple(_traps(state, scenario, measured, finals, depths)),
        work_on=_work_on(criteria, finished=finished),
    )


def _criteria(
    tale: Tale,
    presses: tuple[Press, ...],
    depths: tuple[DictatedDepth, ...],
    measured: tuple[Measured, ...],
    finals: tuple[FinalLength, ...],
) -> Iterator[Criterion]:
    state, tally = tale.state, tale.tally
    heats = tuple(measures.heats(state))
    numbers = [m for m in measured if not isinstance(m.said, str)]
    answers = [m for m in measured if isinstance(m.said, str)]
    passed = tally["done"] + tally["skipped"] + tally["out_of_turn"]
    portions = [
        e
        for e in measures.canal_entries(state, measures.watched(state, "first_round_above"))
        if number(e) is not None
    ]
    portion_warned = measures.about(
        state, "first_round_above", "later_round_above", "first_round_below"
    )
    counted = {
        "presses": [not press.cut_short for press in presses],
        "delay": [not p.late for p in presses if p.delay_s is not None],
        "heat": [seconds <= limit for seconds, limit in heats],
        "depths": [depth.good for depth in depths],
        "downpack": [
            _at_limit(state, c.name) for c in state.canals if _left_downpack(state, c)
        ],
        "increments": [entry.seq not in portion_warned for entry in portions],
        "order": [i < tally["done"] for i in range(passed)],
        "measurements": [m.right for m in numbers],
        "observations": [m.right for m in answers],
        "final_length": [final.right for final in finals],
    }
    for name, good in counted.items():
        fraction = round(sum(good) / len(good), 3) if good else None
        title = texts().criteria[name].title
        yield Criterion(id=name, title=title, good=sum(good), of=len(good), fraction=fraction)


def _left_downpack(state: CaseState, canal: Track) -> bool:
    """Whether a canal has been compacted and its cycles are over."""
    compacted = state.last(canal.name, Role.COMPACTION)
    if state.protocol.with_role(Role.COMPACTION) is None:
        return False  # a technique without one
    if canal.finished or compacted is None:
        return canal.finished
    steps = state.protocol.by_id
    return steps[canal.step].loop != steps[compacted.step].loop


def _at_limit(state: CaseState, canal: str) -> bool:
    """Whether the downpack ended at the limit: within its tolerance, and not past it."""
    depth = number(state.last(canal, Role.COMPACTION))
    limit, near = facts.depth_limit_mm(state, canal), state.protocol.limits.at_limit_within_mm
    if depth is None or limit is None or near is None:
        return False
    least = limit - near.value
    return least - EPSILON_MM <= depth <= limit + EPSILON_MM


def _counts(
    tale: Tale, presses: tuple[Press, ...], depths: tuple[DictatedDepth, ...]
) -> dict[str, int]:
    state = tale.state
    cut = [press for press in presses if press.cut_short]
    full = {(press.canal, press.round) for press in presses if not press.cut_short}
    answers = Counter(depth.answer for depth in depths)
    told = ("gone_back", "skipped", "out_of_turn", "refused", "not_understood")
    return {
        "presses_cut_short": len(cut),
        "presses_repeated": sum((p.canal, p.round) in full for p in cut),
        "depths_warned": sum(depth.warned for depth in depths),
        "depths_corrected": answers["corrected"],
        "depths_kept": answers["kept"],
        **{name: tale.tally[name] for name in (*told, "questioned", "asked", "undone")},
        "corrections": sum(entry.correction for entry in state.entries),
        "warnings": len(state.warnings),
        "canals_finished": sum(canal.finished for canal in state.canals),
    }


def _traps(
    state: CaseState,
    scenario: Scenario,
    measured: tuple[Measured, ...],
    finals: tuple[FinalLength, ...],
    depths: tuple[DictatedDepth, ...],
) -> Iterator[MetTrap]:
    for canal in scenario.canals:
        for trap in canal.traps:
            met, passed = False, False
            if trap == "stray_reading":
                met = any(final.canal == canal.name for final in finals)
                passed = met and all(f.right for f in finals if f.canal == canal.name)
            elif trap == "deep_plugger":
                mine = [d for d in depths if d.canal == canal.name]
                met = any(d.role is Role.COMPACTION for d in mine)
                passed = met and all(d.good for d in mine)
            else:
                mine_too = [m for m in measured if m.track == canal.name]
                answers = [m for m in mine_too if m.role is NEEDS[trap]]
                met = bool(answers)
                passed = met and all(m.right for m in answers)
            yield MetTrap(canal=canal.name, trap=trap, met=met, passed=passed)


def _work_on(criteria: tuple[Criterion, ...], *, finished: bool) -> tuple[str, ...]:
    """The weakest criteria first, and whether the case was finished."""
    weak = sorted(
        (c for c in criteria if c.fraction is not None and c.good < c.of),
        key=lambda c: c.fraction or 0.0,
    )
    advice = [
        texts().criteria[c.id].work_on.format(bad=c.of - c.good, of=c.of, good=c.good)
        for c in weak[:MOST_ADVICE]
    ]
    if not finished:
        return (*advice, texts().not_finished)
    return tuple(advice) or (texts().all_good,)
