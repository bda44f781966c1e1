"""The first look: what was said is recognised while its last silence is still going on.

People pause within a phrase ("twenty one ... point five"), so the end of an utterance
is known only some time after it. The sound is recognised at once, and again only if
more is said. A phrase that nothing can follow, or nothing that would change what it
means, is taken at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from assistant.procedure import intents as it
from assistant.speech.listeners import Listener
from assistant.words.grammar import Grammar
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, meanings

if TYPE_CHECKING:  # it loads the detector, which typed work does without
    from assistant.speech.ear import Utterance


class FirstLook:
    """Hears utterances, and remembers the newest for when it comes again."""

    def __init__(self) -> None:
        self._kept: tuple[float, float, str, Recognised] | None = None

    def hear(self, listener: Listener, grammar: Grammar, utterance: Utterance) -> Recognised:
        """What ``listener`` recognises at this grammar."""
        heard = self.known(grammar, utterance)
        if heard is None:
            listener.prepare(grammar)
            heard = self.keep(grammar, utterance, listener.hear(utterance.samples))
        return heard

    def known(self, grammar: Grammar, utterance: Utterance) -> Recognised | None:
        """What an earlier look at the same sound and grammar has found, if there was one."""
        kept = self._kept
        if kept is None or kept[:3] != (utterance.started_s, utterance.ended_s, grammar.key):
            return None
        if utterance.final:
            self._kept = None
        return kept[3]

    def keep(self, grammar: Grammar, utterance: Utterance, heard: Recognised) -> Recognised:
        """``heard``, kept for when it comes again."""
        found = utterance.started_s, utterance.ended_s, grammar.key, heard
        self._kept = None if utterance.final else found
        return heard


def settled(intent: it.AnyIntent, heard: Recognised, grammar: Grammar, trust: Trust) -> bool:
    """Whether a first look is enough: surely heard, and complete."""
    parts = intent.parts if isinstance(intent, it.Several) else (intent,)
    if isinstance(intent, it.Unclear) or any(one.heard.doubt for one in parts):
        return False
    return heard.confidence >= trust.accept and closed(heard.text, grammar)


def closed(text: str, grammar: Grammar) -> bool:
    """Whether nothing that may follow ``text`` would change what it means."""
    meant = meanings(text, grammar)
    if len(meant) != 1:
        return False
    after, _ = grammar.graph.following(text.split())
    return all(meanings(f"{text} {word}", grammar) == meant for word in after)
