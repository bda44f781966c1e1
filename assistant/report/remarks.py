"""The remarks of a case, as they were dictated: nobody checked them."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.progress.entries import Remark
from assistant.progress.state import CaseState
from assistant.report.marks import clock, place, plain


def remark_lines(state: CaseState) -> Iterator[str]:
    """Those that stand, in the order in which they were made."""
    for one in state.dictated:
        if one.standing == "standing":
            yield f"{_at(state, one)}: {plain(one.text)} ({_by(one)})"


def changed_remarks(state: CaseState) -> Iterator[str]:
    """Those that were corrected or taken back."""
    for one in state.dictated:
        if one.standing == "standing":
            continue
        new = next((r.seq for r in state.dictated if r.replaces == one.seq), None)
        became = "taken back" if new is None else f"corrected, now remark {new}"
        yield f"{_at(state, one)}: {plain(one.text)}: {became}"


def _at(state: CaseState, one: Remark) -> str:
    return f"{clock(state, one.at)} {place(state, one.track, one.step)}, remark {one.seq}"


def _by(one: Remark) -> str:
    how = "typed" if one.channel in {"typed", "key"} else "dictated"
    role = "operator" if one.role == "operator" else "assistant"
    return f"{how} by {plain(one.by) or 'not given'}, {role}"
