"""Whose turn it is to speak: who joins a second answer to the first is not talked over."""

from __future__ import annotations

from assistant.prompt.mouth import Mouth
from assistant.speech.listening import Said
from assistant.speech.look import JOIN_S, joins

LONGEST_S = 3.0
"""A second answer takes no longer; what goes on longer is noise. Chosen here."""


class Turn:
    """Holds the mouth while an answer may be joined by the next, and while that is said; not
    while a timer runs, whose countdown waits for nobody."""

    def __init__(self, mouth: Mouth) -> None:
        self._mouth = mouth
        self._until_s = 0.0

    def said(self, said: Said, now_s: float) -> None:
        """Something was said, and is about to be answered."""
        joined = joins(said.heard.text, said.grammar)
        self._until_s = said.ended_s + JOIN_S if joined else now_s
        self._mouth.held = now_s < self._until_s

    def passes(self, now_s: float, *, in_speech: bool, timing: bool) -> None:
        """Time goes by."""
        late_s = now_s - self._until_s
        self._mouth.held &= not timing and (late_s < 0 or (in_speech and late_s < LONGEST_S))
