"""Who works on a case: who operates, who is meant by a name, and who signs for whom."""

from __future__ import annotations

import re

from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState

LONGEST_NAME = 64
"""Characters of a name; chosen here: one line of the note."""

_BY_LETTER = re.compile(r"(?:operator|assistant) ([a-z])", re.IGNORECASE)


def named(state: CaseState, intent: it.TakeOver) -> str:
    """The name that is meant: "operator B" is the second of the operators named at the
    start, and a name of its own where nobody was named for the letter."""
    said = " ".join(intent.name.split())
    letter = _BY_LETTER.fullmatch(said)
    if letter is None:
        return said
    place = ord(letter[1].lower()) - ord("a")
    known = (state.people or (first_operator(state),)) if intent.role == "operator" else ()
    if place < len(known):
        return known[place]
    return f"{intent.role.replace('chairside', 'assistant').capitalize()} {letter[1].upper()}"


def is_name(name: str) -> bool:
    """Whether it can stand for a person: something, on one line of the note."""
    return 0 < len(" ".join(name.split())) <= LONGEST_NAME


def first_operator(state: CaseState) -> str:
    """Who operated when the case was opened."""
    before = (one.before for one in state.takeovers if one.role == "operator")
    return next(before, state.operator)


def operators(state: CaseState) -> tuple[str, ...]:
    """All who have operated, in the order in which they began."""
    took = (one.name for one in state.takeovers if one.role == "operator")
    return tuple(dict.fromkeys((first_operator(state), *took)))


def signer(state: CaseState) -> str | None:
    """Who signed the note, None while nobody has."""
    if state.signed is None:
        return None
    entry = state.newest(CASE, state.protocol.asking("sign"))
    return str(entry.value) if entry is not None else state.operator
