"""What a recogniser made of one utterance: words, and how surely they are it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Recognised:
    """One utterance as a listener understood it.

    Attributes:
        text: the words, lower case; empty when nothing in the grammar fits.
        confidence: 0 to 1. How surely ``text`` is what was said *in
            competition with anything else*, not merely the best fit within
            the grammar; each adapter's docstring says how it gets it.
        alternatives: the next best texts, best first, ``text`` not among them.
        listener: name of the adapter.
        unfinished: the sound ends within a phrase, and more must follow.
        ours: 0 to 1. How surely it is a phrase of the grammar at all, whichever, and not
            talk that is meant for somebody else.
        either: one of ``alternatives`` sounds so like ``text`` that only an answer can tell
            which of the two it was, however sure it seems.
    """

    text: str
    confidence: float
    alternatives: tuple[str, ...] = ()
    listener: str = ""
    unfinished: bool = False
    ours: float = 1.0
    either: bool = False
