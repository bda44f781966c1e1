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
    """

    text: str
    confidence: float
    alternatives: tuple[str, ...] = ()
    listener: str = ""
