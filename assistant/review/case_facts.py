"""What the statistics count in one case, taken from its timeline. Pure."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from assistant.progress.entries import Entry, Warning
from assistant.progress.facts import EPSILON_MM, as_number, depth_limit_mm, number
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.review.timeline import Timeline, Visit, visit_seconds

EPSILON_S = 1e-6
"""Times are exact to 0.1 s; comparisons must not trip over the binary fraction."""


PRESS_DELAY = "press_delay_s"
"""What stands for the delay among the quantities of the acts."""


@dataclass(frozen=True, slots=True)
class Act:
    """A press (``hold``) or an activation of heat (``until_off``).

    ``stands`` is False where it was done again; what was taken back is not here.
    """

    quantity: str
    mode: str
    seconds: float
    planned_s: float
    stands: bool

    @property
    def short(self) -> bool:
        """Less than the protocol's time."""
        return self.seconds < self.planned_s - EPSILON_S

    @property
    def long(self) -> bool:
        """More than the protocol's time."""
        return self.seconds > self.planned_s + EPSILON_S


@dataclass(frozen=True, slots=True)
class DepthOverLimit:
    """A depth that stands, less the limit of its canal, mm; positive is beyond it."""

    quantity: str
    past_limit_mm: float

    @property
    def beyond(self) -> bool:
        """Deeper than the limit."""
        return self.past_limit_mm > EPSILON_MM


@dataclass(frozen=True, slots=True)
class PlacedIncrement:
    """A backfill increment that stands, and the most the protocol plans for it, mm."""

    number: int
    length_mm: float
    most_mm: float

    @property
    def large(self) -> bool:
        """More than planned."""
        return self.length_mm > self.most_mm + EPSILON_MM


@dataclass(frozen=True, slots=True)
class GivenValues:
    """Values of one quantity: how many were given, corrected (once or more), taken back."""

    values: int
    corrected: int
    taken_back: int


@dataclass(frozen=True, slots=True)
class CaseFacts:
    """What counts of one case.

    Attributes:
        titles: of the steps of its protocol, in order, by id.
        labels: title of the step that asks for a quantity.
        seconds: step and seconds, one for each canal, cycle and increment that was
            done; left out are steps skipped, and those an unsigned case still stands at.
        increments_per_canal: of the canals that have any.
        questions: a value was questioned because it was heard with doubt.
        disbelieved: a value was questioned because it is hard to believe.
        warnings: rule, severity and kind of answer.
    """

    case_code: str
    opened: datetime
    titles: dict[str, str]
    labels: dict[str, str]
    seconds: tuple[tuple[str, float], ...]
    acts: tuple[Act, ...]
    depths: tuple[DepthOverLimit, ...]
    increments: tuple[PlacedIncrement, ...]
    increments_per_canal: tuple[int, ...]
    given: dict[str, GivenValues]
    warnings: tuple[tuple[str, str, str], ...]
    questions: int
    disbelieved: int
    not_understood: int


def facts_of(course: Timeline) -> CaseFacts:
    """Gather them."""
    state = course.state
    kinds = Counter(one.kind for one in course.happenings)
    questions = [
        one
        for one in course.happenings
        # The last question before a signature is no doubt about what was heard.
        if one.kind == "question" and one.quantity != "signature"
    ]
    doubted = sum(one.doubt is not None for one in questions)
    increments = tuple(_increments(state))
    per_canal = Counter(track for track, _ in increments)
    return CaseFacts(
        case_code=state.case_code,
        opened=state.opened.wall,
        titles={step.id: step.title for step in state.protocol.steps()},
        labels={
            **{step.expect.quantity: step.title for step in state.protocol.steps()},
            PRESS_DELAY: "From heat off to the press",
        },
        seconds=tuple(_seconds(course)),
        acts=(*_acts(course), *_delays(state)),
        depths=tuple(_depths(state)),
        increments=tuple(one for _, one in increments),
        increments_per_canal=tuple(per_canal.values()),
        given=_given(state),
        warnings=tuple((w.rule, w.severity, answer_kind(w)) for w in state.warnings),
        questions=doubted,
        disbelieved=len(questions) - doubted,
        not_understood=kinds["not_understood"],
    )


def answer_kind(warning: Warning) -> str:
    """How a warning was answered, without the numbers of the one case."""
    if warning.answer is None:
        return "not answered" if warning.open else "no answer asked"
    return re.split(r" by entry \d| at \d", warning.answer)[0]


def _seconds(course: Timeline) -> Iterator[tuple[str, float]]:
    state = course.state
    unfinished: set[Visit] = {(s.track, s.step, s.round) for s in state.skipped}
    if state.signed is None:
        loops = {step.id: step.loop for step in state.protocol.steps()}
        unfinished |= {(t.name, t.step, t.round(loops.get(t.step))) for t in state.tracks}
    for visit, seconds in visit_seconds(course).items():
        if visit not in unfinished:
            yield visit[1], seconds


def _acts(course: Timeline) -> Iterator[Act]:
    modes = {"press": "hold", "heat": "until_off"}
    for one in course.happenings:
        if one.kind not in modes or one.standing in {None, "undone"}:
            continue
        assert one.quantity is not None
        assert one.held_s is not None
        assert one.planned_s is not None
        stands = one.standing == "standing"
        yield Act(one.quantity, modes[one.kind], one.held_s, one.planned_s, stands)


def _delays(state: CaseState) -> Iterator[Act]:
    """From heat off to the first pressure, which a longer one than planned comes late."""
    limit = state.protocol.limits.press_delay_s
    for entry in _standing(state) if limit is not None else ():
        if entry.delay_s is not None:
            assert limit is not None
            yield Act(PRESS_DELAY, "until_off", entry.delay_s, limit.value, True)


def _depths(state: CaseState) -> Iterator[DepthOverLimit]:
    """Those that the protocol holds against the limit, by its own rules."""
    limited = {
        quantity
        for rule in state.protocol.rules
        if rule.check == "deeper_than_limit"
        for quantity in rule.quantities
    }
    for entry in _standing(state):
        depth, limit = number(entry), depth_limit_mm(state, entry.track)
        if entry.quantity in limited and depth is not None and limit is not None:
            yield DepthOverLimit(entry.quantity, round(depth - limit, 6))


def _increments(state: CaseState) -> Iterator[tuple[str, PlacedIncrement]]:
    limits = state.protocol.limits
    first, later = limits.first_increment_max_mm, limits.later_increment_max_mm
    for entry in _standing(state):
        length = number(entry)
        if state.role(entry) is Role.INCREMENT and length is not None:
            most = first if entry.round == 1 else later
            yield (
                entry.track,
                PlacedIncrement(entry.round, length, most.value if most else math.inf),
            )


def _standing(state: CaseState) -> Iterator[Entry]:
    return (entry for entry in state.entries if entry.standing == "standing")


def _given(state: CaseState) -> dict[str, GivenValues]:
    """Measurements by quantity; a value and its corrections are one."""
    places: dict[str, set[int]] = {}
    corrected: dict[str, set[int]] = {}
    taken_back: Counter[str] = Counter()
    for entry in state.entries:
        if entry.origin == "timed" or as_number(entry.value) is None:
            continue
        places.setdefault(entry.quantity, set()).add(state.place(entry))
        if entry.standing == "undone":
            taken_back[entry.quantity] += 1
        elif entry.correction:
            corrected.setdefault(entry.quantity, set()).add(state.place(entry))
    return {
        quantity: GivenValues(
            len(found), len(corrected.get(quantity, ())), taken_back[quantity]
        )
        for quantity, found in places.items()
    }
