"""What was found or went wrong, with all that was told of it."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.progress.state import CaseState
from assistant.report.marks import clock, mark, marked


def found(state: CaseState, track: str) -> Iterator[tuple[str, str]]:
    """Of each finding that stands its title, and when it was noted and what was told."""
    standing = state.standing(track)
    for entry in standing:
        finding = state.protocol.finding_of.get(entry.step)
        if finding is None or entry.step != finding.id:
            continue
        told = [f"{clock(state, entry.at)} noted {mark(state, entry)}"]
        for step in finding.steps:
            given = (e for e in standing if (e.step, e.round) == (step.id, entry.round))
            told += [f"{step.title}: {marked(state, e)}" for e in given]
        yield finding.title, "; ".join(told)
