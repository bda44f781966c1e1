"""The visits of a case, told apart: when, who, how far each canal came, dressing and plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from assistant.progress.entries import Entry
from assistant.progress.state import CASE, CaseState
from assistant.protocol.moment import Moment
from assistant.report.marks import clock, date_time, newest_moment, plain
from assistant.report.persons import signed_by
from assistant.report.rows import NoteRow


def visit_rows(state: CaseState) -> Iterator[NoteRow]:
    """A row a visit, the one at work among them; none where the case was never closed for
    a day."""
    before = 0
    for visit in state.visits:
        when = _when(state, visit.began, visit.ended)
        done = _done(state, state.entries[before : visit.entries])
        before = visit.entries
        yield NoteRow(
            f"Visit {visit.number}",
            f"{when}: {done}. Dressing: {plain(visit.dressing)}. Plan: {plain(visit.plan)}. "
            f"Closed and signed by {plain(visit.signed_by) or 'an operator not named'}"
            f"{_with(visit.assistant)}.",
        )
    if not state.visits or state.resting:
        return
    began = state.visit_began or state.opened
    ended = state.signed or newest_moment(state)
    how = f"Signed by {signed_by(state)}" if state.signed else "NOT CLOSED"
    done = _done(state, state.entries[before:])
    yield NoteRow(
        f"Visit {len(state.visits) + 1}", f"{_when(state, began, ended)}: {done}. {how}."
    )


def worked_s(state: CaseState, end: Moment) -> float:
    """Seconds from the opening to the end, without the days between visits."""
    closed = sum((v.ended.wall - v.began.wall).total_seconds() for v in state.visits)
    if state.resting:
        return closed
    return closed + (end.wall - (state.visit_began or state.opened).wall).total_seconds()


def _when(state: CaseState, began: Moment, ended: Moment) -> str:
    return f"{date_time(began)} to {clock(state, ended)}"


def _with(assistant: str) -> str:
    return f", assisted by {plain(assistant)}" if assistant else ""


def _done(state: CaseState, entries: Sequence[Entry]) -> str:
    """How far each canal came: the phases of its entries."""
    phases: dict[str, dict[str, None]] = {}
    for entry in entries:
        phase = state.protocol.by_id[entry.step].phase
        phases.setdefault(entry.track, {})[phase.lower()] = None
    told = [
        f"{'case' if track == CASE else plain(track)} {', '.join(of)}"
        for track, of in phases.items()
    ]
    return "; ".join(told) or "nothing recorded"
