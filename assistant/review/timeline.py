"""The course of one case: what happened when, and how long the hands were at each step.

Pure: events in, data out. Times are seconds from the opening of the case by the wall
clock, which goes on over a restart of the program; a clock that is set back stands still
here until it has caught up.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from assistant.progress import events as ev
from assistant.progress.apply import apply, opened
from assistant.progress.state import CASE, CaseState
from assistant.review.happenings import Happening, Place, Told, at_of, happening

AwayKind = Literal["pause", "closed", "signed"]
"""Why a stretch is nobody's time: paused by voice, the program not running, after the
signature."""

Visit = tuple[str, str, int]
"""A track, a step and the number of its cycle or increment (1 outside loops)."""


@dataclass(frozen=True, slots=True)
class Span:
    """An unbroken stretch at one step of one canal (or of the case)."""

    track: str
    step: str
    round: int
    from_s: float
    to_s: float

    @property
    def seconds(self) -> float:
        """How long it took."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class Away:
    """A stretch that counts for no step."""

    kind: AwayKind
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """One case in time.

    Attributes:
        state: the case as it stands at the end; titles and limits are in its protocol.
        happenings: what happened, in the order of the journal.
        spans: stretches at a step, in order, pauses left out; canals that interleave
            are apart, for only the canal being worked on has time running.
        away: pauses, times the program was not running, and the time from the
            signature to an addendum.
        ended_s: when the last event happened.
    """

    state: CaseState
    happenings: tuple[Happening, ...]
    spans: tuple[Span, ...]
    away: tuple[Away, ...]
    ended_s: float

    @property
    def tracks(self) -> tuple[str, ...]:
        """The case and its canals, in the order they were named."""
        return (CASE, *(track.name for track in self.state.canals))

    @property
    def worked_s(self) -> float:
        """Seconds at any step."""
        return sum(span.seconds for span in self.spans)


def timeline(events: Sequence[ev.AnyEvent]) -> Timeline:
    """The timeline of a case, from all its events.

    Raises:
        ValueError: the first event does not open a case.
    """
    first = events[0] if events else None
    if not isinstance(first, ev.CaseOpened):
        raise ValueError("the first event of a case must open it")
    times = _times(events)
    state = opened(first)
    places = [_place(state)]
    spans: list[Span] = []
    away: list[Away] = []
    for event, (since, until) in zip(events[1:], pairwise(times), strict=True):
        if until > since:
            kind = _away(state, event)
            if kind is None:
                _work(places[-1], since, until, spans)
            else:
                _add_away(kind, since, until, away)
        state = apply(state, event)
        places.append(_place(state))
    told = Told(state, _answers(events, times))
    found = (
        happening(told, event, at_s, place)
        # An event is told with the place where the work stood before it.
        for event, at_s, place in zip(events, times, [places[0], *places[:-1]], strict=True)
    )
    return Timeline(
        state=state,
        happenings=tuple(one for one in found if one is not None),
        spans=tuple(spans),
        away=tuple(away),
        ended_s=times[-1],
    )


def visit_seconds(course: Timeline) -> dict[Visit, float]:
    """Seconds at each step of each canal, each cycle and increment by itself.

    A step that was gone back to has one sum.
    """
    sums: dict[Visit, float] = defaultdict(float)
    for span in course.spans:
        sums[span.track, span.step, span.round] += span.seconds
    return dict(sums)


def step_seconds(course: Timeline) -> dict[tuple[str, str], float]:
    """Seconds at each step of each canal (track, step), cycles and increments together."""
    sums: dict[tuple[str, str], float] = defaultdict(float)
    for span in course.spans:
        sums[span.track, span.step] += span.seconds
    return dict(sums)


def elapsed(seconds: float) -> str:
    """Seconds as ``m:ss``, from an hour on ``h:mm:ss``."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _times(events: Sequence[ev.AnyEvent]) -> list[float]:
    start = at_of(events[0]).wall
    times: list[float] = []
    for event in events:
        since = (at_of(event).wall - start).total_seconds()
        times.append(max(since, times[-1] if times else 0.0))
    return times


def _place(state: CaseState) -> Place:
    step = state.step
    return Place(
        state.active, step.id if step else None, state.here.round(step.loop) if step else 1
    )


def _away(state: CaseState, following: ev.AnyEvent) -> AwayKind | None:
    """Why the stretch before an event is nobody's time; None if it is somebody's."""
    if state.signed is not None:
        return "signed"
    if isinstance(following, ev.CaseReopened):
        return "closed"
    return "pause" if state.paused else None


def _add_away(kind: AwayKind, since: float, until: float, away: list[Away]) -> None:
    if away and away[-1].kind == kind and away[-1].to_s == since:
        since = away.pop().from_s
    away.append(Away(kind, since, until))


def _work(here: Place, since: float, until: float, spans: list[Span]) -> None:
    """Give a stretch to the step that was being waited on."""
    if here.step is None:  # between the canals, nothing is asked
        return
    last = spans[-1] if spans else None
    if last and (last.track, last.step, last.round, last.to_s) == (*here, since):
        since = spans.pop().from_s
    spans.append(Span(here.track, here.step, here.round, since, until))


def _answers(events: Sequence[ev.AnyEvent], times: Sequence[float]) -> dict[int, float]:
    """When each warning was answered, by its number."""
    return {
        event.seq: at_s
        for event, at_s in zip(events, times, strict=True)
        if isinstance(event, ev.WarningAnswered)
    }
