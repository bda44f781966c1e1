"""Everything that turns sound into intents, put together for a sitting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from assistant.speech.attention import Listen
from assistant.speech.listeners import Listener, Recogniser
from assistant.words.understand import Trust

if TYPE_CHECKING:  # they load the recogniser, which typed work does without
    from assistant.speech.ear import Ear
    from assistant.speech.urgent import UrgentEar


@dataclass(frozen=True)
class Hearing:
    """Everything that turns sound into intents.

    ``earpiece`` tells that the microphone does not hear the assistant. ``called``
    spots the attention word, in the mode that wants it. ``recogniser`` is how a sitting
    asks the listener; None for within the same call.
    """

    listener: Listener
    trust: Trust
    ear: Ear
    urgent: UrgentEar
    earpiece: bool = True
    called: UrgentEar | None = None
    listen: Listen = Listen.OPEN
    recogniser: Recogniser | None = None
