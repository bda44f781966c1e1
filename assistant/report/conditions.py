"""Materials and conditions as a chart has them; what was wanted and not told is missing."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.progress.beside import missing_conditions, standing_condition
from assistant.progress.entries import Noted
from assistant.progress.state import CaseState
from assistant.protocol.conditions import name_of
from assistant.report.marks import UNRECORDED, clock, plain
from assistant.report.rows import NoteRow

_LETTERS = {"prepared": "p", "voice": "d"}


def condition_rows(state: CaseState) -> Iterator[NoteRow]:
    """Those that the protocol wants, and others that were told."""
    told = (one.condition for one in state.conditions)
    for condition in dict.fromkeys((*state.protocol.conditions, *told)):
        noted = standing_condition(state, condition)
        if noted is not None:
            yield NoteRow(name_of(condition), f"{plain(noted.text)} {_mark(noted)}")
    if missing := missing_conditions(state):
        names = ", ".join(name_of(one).lower() for one in missing)
        yield NoteRow(UNRECORDED.capitalize(), names)


def changed_conditions(state: CaseState) -> Iterator[str]:
    """What stood before another was told."""
    for one in state.conditions:
        now = standing_condition(state, one.condition)
        if now is not None and now is not one and now.text != one.text:
            name = name_of(one.condition)
            yield f"{clock(state, one.at)} {name}: {plain(one.text)}: now {plain(now.text)}"


def _mark(noted: Noted) -> str:
    return f"[{_LETTERS.get(noted.channel, 'k')}{'a' * (noted.role == 'chairside')}]"
