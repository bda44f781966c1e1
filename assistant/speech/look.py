"""The first look: what was said is recognised while its last silence is still going on.

People pause within a phrase ("twenty one ... point five"), so the end of an utterance
is known only some time after it. The sound is recognised at the first moment of silence,
and again only if more is said. How long the silence must be follows from what was said: a
phrase that nothing can follow ends almost at once, one that breaks off is waited for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from assistant.progress import intents as it
from assistant.speech.listeners import Listener
from assistant.words.grammar import Grammar
from assistant.words.joined import goes_on
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, meanings, parts

if TYPE_CHECKING:  # it loads the detector, which typed work does without
    from assistant.speech.ear import Utterance

END_S = 0.35
"""Silence that ends an utterance, counted from where the detector lets go, some 0.12 s after
the voice."""

CLOSED_S, MORE_S = 0.1, 0.2
"""The same for what was surely heard and is complete: where no word can follow, and where
only some can that change nothing: "millimetres", or the answer to the next question, which is
taken alone too. Within a phrase the detector never let go
for longer than 0.13 s (:mod:`assistant.sound.voiced`). Chosen here."""

JOIN_S = 0.5
"""So long after a voice nothing is answered aloud where another answer may join the first,
which is taken meanwhile. The neural voices of the report half pause for 0.2 to 0.44 s between
two answers of a sentence in half of 24 sentences, and not at all in the other half."""

GOES_ON_S = 0.6
"""The same after a number of which one more word would make another: "forty" (five). People
pause longer there than they take to say a word. Chosen here."""

UNFINISHED_S = 0.8
"""The same for what breaks off within a phrase ("twenty one point ..."). Chosen here."""


BY_WORDS = (it.Chosen, it.Command)
"""What is said without a number."""


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


def silence_s(intent: it.AnyIntent, heard: Recognised, grammar: Grammar, trust: Trust) -> float:
    """How much silence ends what was said so far: little if it was surely heard and is
    complete, much if it breaks off within a phrase. What was surely heard as a request or an
    answer by words is no beginning, even where a longer phrase would fit its end better."""
    sure = heard.confidence >= trust.accept
    if heard.unfinished:
        return END_S if sure and isinstance(intent, BY_WORDS) else UNFINISHED_S
    if goes_on(heard.text, grammar):
        return GOES_ON_S
    doubtful = isinstance(intent, it.Unclear) or any(p.heard.doubt for p in parts(intent))
    if doubtful or not sure or not closed(heard.text, grammar):
        return END_S
    after, _ = grammar.graph.following(heard.text.split())
    return MORE_S if after else CLOSED_S


def closed(text: str, grammar: Grammar) -> bool:
    """Whether nothing that may follow ``text`` would change what it means; another answer,
    which may follow in the same sentence, does not."""
    meant = meanings(text, grammar)
    if len(meant) != 1:
        return False
    more = grammar.graph.going_on(text.split())
    return all(meanings(f"{text} {word}", grammar) == meant for word in more)


def joins(text: str, grammar: Grammar) -> bool:
    """Whether another answer may follow ``text`` in the same sentence."""
    after, _ = grammar.graph.following(text.split())
    return bool(after - grammar.graph.going_on(text.split()))
