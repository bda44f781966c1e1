"""Numbers that a pause has cut in two: "forty ... five"."""

from __future__ import annotations

from assistant.progress import intents as it
from assistant.words.grammar import Grammar
from assistant.words.understand import bare, meanings, parts


def joined(said: str, more: str, grammar: Grammar) -> it.Given | it.Correction | None:
    """The value that ``said`` ends in, had ``more`` followed it without a pause.

    None if that is no phrase, has several meanings, or means anything else than the same
    with another last value.
    """
    alone = _one(said, grammar)
    return _longer(alone, f"{said} {more}", grammar) if alone else None


def _one(said: str, grammar: Grammar) -> tuple[it.AnyIntent, ...] | None:
    """The parts of the one meaning of ``said``, if the last of them is a value."""
    found = meanings(said, grammar)
    if len(found) != 1 or not isinstance(parts(found[0])[-1], it.Given | it.Correction):
        return None
    return parts(found[0])


def _longer(
    alone: tuple[it.AnyIntent, ...], text: str, grammar: Grammar
) -> it.Given | it.Correction | None:
    """The last value of ``text`` where it means ``alone`` but for that."""
    both = meanings(text, grammar)
    if len(both) != 1:
        return None
    (*first, short), (*others, long) = alone, parts(both[0])
    if not isinstance(short, it.Given | it.Correction) or type(long) is not type(short):
        return None
    same = long.model_copy(update={"value": short.value})
    if [*map(bare, first), bare(same)] != [*map(bare, others), bare(short)]:
        return None
    return None if long.value == short.value else long


def goes_on(said: str, grammar: Grammar) -> bool:
    """Whether one more number word would make another number of the one that ``said`` ends
    in: "forty" (five). Not "fifteen": its "five" lacks the point and is always confirmed."""
    alone = _one(said, grammar)
    if alone is None:
        return False
    after, _ = grammar.graph.following(said.split())
    longer = (_longer(alone, f"{said} {word}", grammar) for word in sorted(after))
    return any(one is not None and one.heard.doubt is None for one in longer)
