"""Several screens shown the same: the terminal, and whoever watches over the network."""

from __future__ import annotations

from collections.abc import Sequence

from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt
from assistant.screen.port import Microphone, Screen
from assistant.words.recognised import Recognised


class Screens:
    """A :class:`Screen` that hands everything on to each of ``screens``, in order."""

    def __init__(self, *screens: Screen) -> None:
        self._screens = screens

    def show_step(self, state: CaseState) -> None:
        """Where the case is now."""
        for screen in self._screens:
            screen.show_step(state)

    def show_prompts(self, prompts: Sequence[Prompt]) -> None:
        """What is being said, most urgent first."""
        for screen in self._screens:
            screen.show_prompts(prompts)

    def show_spoken(self, prompt: Prompt | None) -> None:
        """What the voice says now."""
        for screen in self._screens:
            screen.show_spoken(prompt)

    def show_heard(self, heard: Recognised, meaning: str) -> None:
        """The last phrase as it was recognised."""
        for screen in self._screens:
            screen.show_heard(heard, meaning)

    def show_microphone(self, microphone: Microphone) -> None:
        """Whether anything said now is heard."""
        for screen in self._screens:
            screen.show_microphone(microphone)

    def show_trouble(self, text: str) -> None:
        """Something failed; what still works."""
        for screen in self._screens:
            screen.show_trouble(text)
