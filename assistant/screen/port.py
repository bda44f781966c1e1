"""The Screen port: what the people in the room can see."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import Protocol

from assistant.progress.intents import Prepare
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt
from assistant.words.recognised import Recognised

LONGEST_LINE = 1000
"""Characters of a typed line, on the page and at the keyboard; chosen here."""


Entered = str | Prepare | None
"""What keyboards and pages put into the queue of a session: a line (empty: a tap), a set-up
that was filled in and checked, or None where the lines end."""


class Microphone(Enum):
    """What the room must know of the microphone; the values are words for the screen."""

    HEARS = "listening"
    SPEECH = "hears you"
    OTHERS = "heard, not for me"
    HELD = "speaking, not listening"
    CALLED = "waits for its word or the pedal"
    DEAD = "MICROPHONE DEAD"
    OFF = "no microphone, keys only"


class Screen(Protocol):
    """Shows the same content that is spoken; must never block the loop."""

    def show_step(self, state: CaseState) -> None:
        """Where the case is now."""

    def show_prompts(self, prompts: Sequence[Prompt]) -> None:
        """What is being said, most urgent first."""

    def show_spoken(self, prompt: Prompt | None) -> None:
        """The sentence whose sound begins now; None: its sound is over."""

    def show_heard(self, heard: Recognised, meaning: str) -> None:
        """The last phrase as it was recognised."""

    def show_microphone(self, microphone: Microphone) -> None:
        """Whether anything said now is heard; called when it changes."""

    def show_trouble(self, text: str) -> None:
        """Something failed; what still works."""
