"""Talk that is not for the program: it leaves no trace but a light on the screen.

In a surgery people talk all the time, and a chime after every sentence of theirs is worse
than none. What is far from every phrase of the step (:attr:`~.Recognised.ours`) is let go
without a sound. Not so where it is likely that the program was spoken to: what comes soon
after something it has taken (the rest of a number that was cut off), or after something it has
asked about, what is said a second time, and "stop".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from assistant.progress import intents as it
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, parts

if TYPE_CHECKING:  # it loads the detector, which typed work does without
    from assistant.speech.ear import Utterance

SOON_S = 1.5
"""What begins so soon after a value that was taken may belong to it. Chosen here."""

ANSWER_S = 10.0
"""What begins so soon after something in doubt, or after the wish to sign, may be the answer
to the question about it, which takes some 3 s to be put. Chosen here."""

AGAIN_S = 8.0
"""Who is not answered says it again within this time. Chosen here."""

NEAR = 0.02
"""Less sure than this, not even what is said twice is a phrase."""


class Others:
    """Remembers what was taken last, and what was let go last."""

    def __init__(self) -> None:
        self._taken_s = self._asked_s = self._let_go_s = -60.0
        self._let_go = ""

    def mean(
        self,
        intent: it.AnyIntent,
        heard: Recognised,
        trust: Trust,
        began_s: float,
        utterance: Utterance,
    ) -> bool:
        """Whether what was heard was said to somebody else; ``began_s`` by the case's clock."""
        ended_s = began_s + utterance.ended_s - utterance.started_s
        if heard.ours >= trust.ours:
            if isinstance(intent, it.Given | it.Correction | it.AsPlanned | it.Several):
                self._taken_s = ended_s
            self._asked_s = ended_s if _asks(intent) else -60.0
            return False
        if isinstance(intent, it.Command) and intent.verb == "stop":
            return False
        if began_s - self._taken_s < SOON_S or began_s - self._asked_s < ANSWER_S:
            return False
        twice = heard.text == self._let_go and began_s - self._let_go_s < AGAIN_S
        self._let_go, self._let_go_s = heard.text, ended_s
        return not (twice and heard.ours >= NEAR)


def _asks(intent: it.AnyIntent) -> bool:
    """Whether a question follows that is to be answered by voice."""
    if isinstance(intent, it.Command) and intent.verb == "sign":
        return True
    return any(part.heard.doubt is not None for part in parts(intent))
