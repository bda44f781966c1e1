"""What a part of the filling was before it was done again."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.procedure.state import CaseState, Entry
from assistant.report.marks import clock, marked, plain


def done_again(state: CaseState, canal: str) -> Iterator[str]:
    """Of each time: when, which part, why, and all that it had until then."""
    for change in state.changes:
        gone = [state.entries[seq - 1] for seq in change.superseded]
        gone = [entry for entry in gone if entry.track == canal]
        if not gone:
            continue
        told: dict[str, list[Entry]] = {}
        for entry in gone:
            step = state.protocol.by_id[entry.step]
            label = f"{step.loop} {entry.round}" if step.loop else step.title.lower()
            told.setdefault(label, []).append(entry)
        shown = "; ".join(f"{label}: {_given(state, all_)}" for label, all_ in told.items())
        why = f"{change.to.lower()}, {change.reason}" if change.to else change.heard.text
        yield f"{clock(state, change.at)} {plain(why)}. Before that {shown}"


def _given(state: CaseState, entries: list[Entry]) -> str:
    """Entries of one step or round, those of a round each with the name of its step."""
    named = state.protocol.by_id[entries[0].step].loop is not None
    return ", ".join(
        (f"{state.protocol.by_id[e.step].title.lower()} " if named else "")
        + marked(state, e)
        + (" cut short" if e.cut_short else "")
        for e in entries
    )
