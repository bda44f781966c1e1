"""The newest of all that a screen is told, kept in one place until it is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.screen.port import Microphone
from assistant.screen.view import Seen, ShownTrouble
from assistant.words.recognised import Recognised


class Newest:
    """The half of a :class:`~.port.Screen` that only keeps what it is told.

    ``_seen`` is replaced whole, so another thread may read it at any time; nothing here
    waits. Whoever draws it adds to :meth:`_see` what makes that happen.
    """

    def __init__(self) -> None:
        self._seen = Seen()

    def show_step(self, state: CaseState) -> None:
        """Where the case is now."""
        self._see(state=state)

    def show_prompts(self, prompts: Sequence[Prompt]) -> None:
        """What is being said; the screen counts seconds itself."""
        said = tuple(prompt for prompt in prompts if prompt.urgency is not Urgency.TICK)
        if said:
            self._see(prompts=said)

    def show_spoken(self, prompt: Prompt | None) -> None:
        """What the voice says now, but for the numbers of a countdown."""
        tick = prompt is not None and prompt.urgency is Urgency.TICK
        if not tick and prompt is not self._seen.spoken:
            self._see(spoken=prompt)

    def show_heard(self, heard: Recognised, meaning: str) -> None:
        """The last phrase as it was recognised."""
        self._see(heard=heard, meaning=meaning)

    def show_microphone(self, microphone: Microphone) -> None:
        """Whether anything said now is heard."""
        self._see(microphone=microphone)

    def show_trouble(self, text: str) -> None:
        """Something failed; what still works."""
        state = self._seen.state
        self._see(trouble=ShownTrouble(text, len(state.entries) if state else 0))

    def _see(self, **new: Any) -> None:
        self._seen = replace(self._seen, **new)
