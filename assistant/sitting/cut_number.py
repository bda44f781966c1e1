"""A number that a long pause has cut: what follows it at once is questioned, never taken.

"Forty ... five" is size 40 and then 5 to whoever does not know that they were one. The
second of them, soon after the first and able to go on it, is therefore no answer to the
next step: the case asks "45 or 40?".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.speech.listening import Said
from assistant.speech.others import SOON_S
from assistant.words.joined import joined

DOUBT = "Said after a pause."


class CutNumber:
    """Remembers the value that was said last, and what became of it."""

    def __init__(self) -> None:
        self._last: Said | None = None
        self._events: tuple[ev.AnyEvent, ...] = ()

    def taken(self, said: Said, events: Sequence[ev.AnyEvent]) -> None:
        """``said`` was brought before the case, and ``events`` came of it."""
        self._last, self._events = said, tuple(events)

    def whole(self, said: Said) -> Said:
        """``said`` itself; or if it goes on the number before it, the doubtful value that
        the two make together, with that number as its rival."""
        last, began = self._last, said.intent.heard.began
        if last is None or began is None or began.mono_s - last.ended_s >= SOON_S:
            return said
        long = joined(last.heard.text, said.heard.text, last.grammar)
        if long is None:
            return said
        text = f"{last.heard.text} {said.heard.text}"
        heard = said.intent.heard.model_copy(update={"text": text, "doubt": DOUBT})
        meant = self._instead(last.heard.text, long.model_copy(update={"heard": heard}))
        if meant is None:
            return said
        both = replace(said.heard, text=text)
        return replace(said, intent=meant, heard=both, grammar=last.grammar)

    def _instead(
        self, before: str, long: it.Given | it.Correction
    ) -> it.Given | it.Correction | None:
        """``long`` for what ``before`` was questioned or entered as; None if it was
        neither."""
        for event in reversed(self._events):
            match event:
                case ev.ConfirmAsked(pending=one) if before.endswith(one.heard.text):
                    return long.model_copy(update={"rival": one.value})
                case ev.EntryMade(entry=one) if before.endswith(one.heard.text):
                    return it.Correction(
                        kind=long.kind,
                        value=long.value,
                        quantity=one.quantity,
                        rival=one.value,
                        heard=long.heard,
                    )
        return None
