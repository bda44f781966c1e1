"""Who is being spoken to: listening modes for rooms where others talk too.

``open``: everything said is for the assistant. ``attention``: what begins with
the attention word is. ``pedal``: the one utterance that begins after a tap is.
Urgent words get through in every mode (:mod:`.urgent`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

TAP_S = 8.0
"""Time after a tap in which the utterance must begin; chosen here, not measured."""

NOTICE_S = 0.3
"""So much later the front end tells of speech that began (its sliding window)."""


class Listen(StrEnum):
    """Listening mode, as chosen on the command line."""

    OPEN = "open"
    ATTENTION = "attention"
    PEDAL = "pedal"


@dataclass(frozen=True)
class Attention:
    """Whether the assistant listens. Seconds are any clock that never goes back."""

    mode: Listen = Listen.OPEN
    until_s: float | None = None
    """Pedal only: end of the time that a tap has opened, None when none has."""

    @property
    def listens(self) -> bool:
        """Whether an utterance may begin or be going on now."""
        return self.mode is not Listen.PEDAL or self.until_s is not None

    def tapped(self, now_s: float) -> Attention:
        """After a tap; a second one begins the time afresh."""
        return replace(self, until_s=now_s + TAP_S) if self.mode is Listen.PEDAL else self

    def held_up(self, seconds: float) -> Attention:
        """The assistant itself spoke for so long, in which nobody could be heard."""
        return self if self.until_s is None else replace(self, until_s=self.until_s + seconds)

    def shut(self) -> Attention:
        """The tap has been used, or its time is over."""
        return replace(self, until_s=None)

    def lapsed(self, now_s: float, *, in_speech: bool) -> bool:
        """Whether a tap's time is over and nobody has begun to speak."""
        late = self.until_s is not None and now_s > self.until_s + NOTICE_S
        return late and not in_speech

    def takes(self, began_s: float) -> bool:
        """Whether an utterance that began then is listened to."""
        if self.mode is not Listen.PEDAL:
            return True
        return self.until_s is not None and began_s <= self.until_s


def begins_with(text: str, word: str) -> bool:
    """Whether a recognised text begins with the attention word."""
    return f"{text} ".startswith(f"{word} ")
