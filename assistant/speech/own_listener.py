"""The program's own ears as a listener: phones of the sound along the step's word graph.

Confidence is the share of sounds with such evidence that were right on the calibration
half (:mod:`assistant.ears.confidence`); it knows how far the free path and the nearest
rival of another meaning are, so it holds for numbers as for commands.
"""

from __future__ import annotations

from collections import OrderedDict

from assistant.ears.alike import nearest
from assistant.ears.confidence import confidence, ours
from assistant.ears.decode import decode
from assistant.ears.phonegraph import PhoneGraph, Pronunciations, compiled
from assistant.sound.samples import Samples
from assistant.speech import own_ears
from assistant.speech.listeners import StepGrammar
from assistant.words.letters import guess_phones
from assistant.words.phrases import pronunciations
from assistant.words.recognised import Recognised

KEPT = 64
"""Graphs of steps that are kept compiled: more than a case has."""

NEAR = 5.0
"""A sentence of another meaning is a rival if it is no further behind than this, in units of
log-probability. On the calibration half (21,582 phrases in rooms, gate 0.95) the best was
wrong in 65 of the 320 doubtful ones with one as near, and in none of 489 without."""

ALIKE = 7.0
"""The same for a number that differs in its last phone alone ("fifty", "fifteen"), however
sure the ears are. On the calibration half (the same phrases; 652 had such a rival second)
20 were wrong, all with a rival nearer than 5; 7 leaves room for voices less regular than
synthetic ones, and has 0.8 % more of all phrases asked about, 0.25 % of the neural ones in
quiet."""


class OwnListener:
    """A :class:`~.listeners.Listener`; loads its weights when it is made."""

    name = "own"

    def __init__(self) -> None:
        own_ears.load()
        self._graphs: OrderedDict[str, PhoneGraph] = OrderedDict()
        self._graph: PhoneGraph | None = None
        self._ways: Pronunciations = {}

    def prepare(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Listener`."""
        self._ways = pronunciations(grammar.lexicon)
        if grammar.key not in self._graphs:
            self._graphs[grammar.key] = compiled(grammar.graph, self._ways, guess_phones)
            if len(self._graphs) > KEPT:
                self._graphs.popitem(last=False)
        self._graph = self._graphs[grammar.key]

    def hear(self, samples: Samples) -> Recognised:
        """See :class:`~.listeners.Listener`."""
        assert self._graph is not None, "prepare a grammar first"
        if len(samples) < own_ears.SHORTEST:
            return Recognised("", 0.0, listener=self.name, ours=0.0)
        found = decode(self._graph, own_ears.phones_by_pieces(samples))
        if not found.sentences:
            return Recognised("", 0.0, listener=self.name, ours=0.0)
        best = found.sentences[0].score
        like, behind = nearest(found.sentences, self._ways)
        either = behind < ALIKE
        texts = [
            " ".join(one.words)
            for one in found.sentences
            if one.score > best - NEAR or (either and one is like)
        ]
        evidence = found.evidence
        return Recognised(
            texts[0],
            confidence(evidence),
            tuple(texts[1:]),
            self.name,
            found.unfinished,
            ours(evidence),
            either,
        )
