"""What a part of the filling was before it was done again."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.progress.entries import Entry
from assistant.progress.state import CASE, CaseState
from assistant.report.marks import change_text, clock, marked


def done_again(state: CaseState, track: str) -> Iterator[str]:
    """Of each time: when, what, why, and all that it had until then."""
    for i, change in enumerate(state.changes):
        if change.step is None or _now(state, i) != track:
            continue
        told: dict[str, list[Entry]] = {}
        for entry in (state.entries[seq - 1] for seq in change.superseded):
            step = state.protocol.by_id[entry.step]
            label = f"{step.loop} {entry.round}" if step.loop else step.title.lower()
            told.setdefault(label, []).append(entry)
        shown = "; ".join(f"{label}: {_given(state, all_)}" for label, all_ in told.items())
        before = f". Before that {shown}" if shown else ""
        yield f"{clock(state, change.at)} {change_text(change, named=False)}{before}"


def _now(state: CaseState, index: int) -> str:
    """The name that the canal of a change has in the end."""
    name = state.changes[index].canal or CASE
    for later in state.changes[index + 1 :]:
        if later.what == "renamed" and later.canal == name:
            name = later.to or name
    return name


def _given(state: CaseState, entries: list[Entry]) -> str:
    """Entries of one step or round, those of a round each with the name of its step."""
    named = state.protocol.by_id[entries[0].step].loop is not None
    return ", ".join(
        (f"{state.protocol.by_id[e.step].title.lower()} " if named else "")
        + marked(state, e)
        + (" cut short" if e.cut_short else "")
        for e in entries
    )
