"""A Prompt: one thing the assistant says, with how much it matters."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Urgency(IntEnum):
    """How a prompt competes for the one pair of ears; higher goes first.

    A ``WARNING`` interrupts whatever is being said and drops waiting steps;
    a ``TICK`` (countdown number) is dropped rather than said late.
    """

    TICK = 0
    STEP = 1
    READ_BACK = 2
    QUESTION = 3
    CAUTION = 4
    WARNING = 5


@dataclass(frozen=True, slots=True)
class Prompt:
    """One sentence to say and show.

    Attributes:
        text: what the screen shows and, if ``spoken`` is None, what is said.
        urgency: see :class:`Urgency`.
        spoken: the words for the voice where they differ from ``text``
            (numbers spelled out); empty string for a chime alone.
        entry: number of the entry this reads back, so that the record can say
            that the room heard it.
    """

    text: str
    urgency: Urgency = Urgency.STEP
    spoken: str | None = None
    entry: int | None = None
