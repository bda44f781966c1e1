"""A screen of plain lines on a terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.screen.port import Microphone
from assistant.words.recognised import Recognised

MARKS = {
    Urgency.WARNING: "!!",
    Urgency.CAUTION: " !",
    Urgency.QUESTION: " ?",
    Urgency.READ_BACK: " =",
    Urgency.STEP: " >",
    Urgency.TICK: " .",
}
"""Marks in front of a line, so that urgency does not depend on colour."""


class TerminalScreen:
    """Writes lines through ``write``, with the seconds that have passed on ``seconds``
    since it was made; a place is shown when it changes."""

    def __init__(self, write: Callable[[str], None], seconds: Callable[[], float]) -> None:
        self._write = write
        self._seconds = seconds
        self._began_s = seconds()
        self._place = ""

    def show_step(self, state: CaseState) -> None:
        """A heading when the case has moved."""
        step = state.step
        place = f"{state.active.capitalize()}: {step.phase}, {step.title}" if step else ""
        if place and place != self._place:
            self._write(f"-- {place}")
            self._place = place

    def show_prompts(self, prompts: Sequence[Prompt]) -> None:
        """One line a prompt, with the mark of its urgency."""
        for prompt in prompts:
            self._line(MARKS[prompt.urgency], prompt.text)

    def show_spoken(self, prompt: Prompt | None) -> None:
        """Nothing: its line stands already."""

    def show_heard(self, heard: Recognised, meaning: str) -> None:
        """The words and the confidence."""
        words = heard.text or "(no phrase)"
        self._line(" <", f'heard "{words}" {heard.confidence:.2f} {meaning}')

    def show_microphone(self, microphone: Microphone) -> None:
        """Only what is wrong: a change with every prompt would drown the rest."""
        if microphone is Microphone.DEAD:
            self._line("!!", microphone.value)

    def show_trouble(self, text: str) -> None:
        """A line that stands out."""
        self._line("!!", text)

    def _line(self, mark: str, text: str) -> None:
        self._write(f"{self._seconds() - self._began_s:8.1f} {mark} {text}")
