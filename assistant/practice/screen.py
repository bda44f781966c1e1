"""A screen that adds what a learner would see at the present step."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from assistant.practice.findings import findings
from assistant.practice.scenario import Scenario
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt
from assistant.screen.port import Microphone
from assistant.words.recognised import Recognised


class FindingsScreen:
    """A :class:`~assistant.screen.port.Screen` for the side of another one: only its
    ``show_step`` shows anything, once each time there is something new to see."""

    def __init__(self, scenario: Scenario, write: Callable[[str], None]) -> None:
        self._scenario = scenario
        self._write = write
        self._shown: tuple[object, ...] = ()

    def show_step(self, state: CaseState) -> None:
        """What is seen, as a line ``You see: ...``."""
        seen = findings(self._scenario, state)
        if seen is None:
            return
        track = state.here
        # The next paper point may read the same: the entries tell it from the last.
        answers = sum(e.track == track.name and e.step == track.step for e in state.entries)
        shown = (track.name, track.step, track.rounds, answers, seen)
        if shown != self._shown and not track.answered:
            self._write(f"   You see: {seen}")
            self._shown = shown

    def show_prompts(self, prompts: Sequence[Prompt]) -> None:
        """Nothing: the screen beside shows them."""

    def show_spoken(self, prompt: Prompt | None) -> None:
        """Nothing."""

    def show_heard(self, heard: Recognised, meaning: str) -> None:
        """Nothing."""

    def show_microphone(self, microphone: Microphone) -> None:
        """Nothing."""

    def show_trouble(self, text: str) -> None:
        """Nothing."""
