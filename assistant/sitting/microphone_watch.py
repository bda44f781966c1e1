"""What the room must know of the microphone: whether it hears now, and what ails it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from assistant.screen.port import Microphone, Screen
from assistant.sound.live import Back, Gone
from assistant.sound.microphone_health import ALIVE, DEAD, Health
from assistant.sound.samples import Samples
from assistant.speech.listening import Listening

SELDOM_S = 60.0
"""A trouble that comes again and again is told and recorded once in this time."""

CABLE_S = 10.0
"""The same for a device that goes and comes: each time matters, but not each crackle."""


OTHERS_S = 1.5
"""So long the screen shows that talk was heard which was not for the assistant."""


class MicrophoneWatch:
    """Keeps the sign on the screen true; :meth:`show` it whenever it may have changed.

    Args:
        screen: told whenever the sign changes.
        listening: None where only typed lines are taken.
        seconds: a clock that never goes back.
    """

    def __init__(
        self, screen: Screen, listening: Listening | None, seconds: Callable[[], float]
    ) -> None:
        self._screen = screen
        self._listening = listening
        self._health = Health()
        self._gone = False
        self._shown: Microphone | None = None
        self._seconds = seconds
        self._others_s = -OTHERS_S

    @property
    def state(self) -> Microphone:
        """Whether what is said now is heard."""
        if self._listening is None:
            return Microphone.OFF
        if self._gone or self._health.dead:
            return Microphone.DEAD
        if self._listening.deaf:
            return Microphone.HELD
        if self._listening.called_only:
            return Microphone.CALLED
        if self._listening.in_speech:
            return Microphone.SPEECH
        others = self._seconds() - self._others_s < OTHERS_S
        return Microphone.OTHERS if others else Microphone.HEARS

    def overheard(self) -> None:
        """Somebody spoke, but not to the assistant."""
        self._others_s = self._seconds()
        self.show()

    def show(self) -> None:
        """Tell the screen if it has changed."""
        state = self.state
        if state is not self._shown:
            self._shown = state
            self._screen.show_microphone(state)

    def off(self) -> None:
        """There is no microphone in this sitting."""
        self._listening = None
        self.show()

    def frame(self, frame: Samples, lost_blocks: int) -> Iterator[tuple[str, float]]:
        """What is to be told of a live microphone after a frame, and how often at most (s)."""
        for text in self._health.push(frame, lost_blocks):
            self.show()
            yield text, CABLE_S if text in (DEAD, ALIVE) else SELDOM_S

    def device(self, event: Gone | Back) -> tuple[str, float]:
        """It was lost or came back: what is to be told, and how often at most (s)."""
        self._gone = isinstance(event, Gone)
        if isinstance(event, Gone):
            text = f"{event.why} Typed lines still work."
        else:
            text = f"The microphone {event.name} is back."
            self._health = Health()
            if self._listening is not None:
                self._listening.afresh()
        self.show()
        return text, CABLE_S
