"""The program's own ears as a listener: phones of the sound along the step's word graph.

Confidence is the share of sounds with such evidence that were right on the calibration
half (:mod:`assistant.ears.confidence`); it knows how far the free path and the nearest
rival of another meaning are, so it holds for numbers as for commands.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Sequence

from assistant.ears.alike import nearest
from assistant.ears.confidence import confidence, ours
from assistant.ears.decode import FAR, Sentence, decode
from assistant.ears.phonegraph import PhoneGraph, Pronunciations, compiled
from assistant.sound.samples import Samples
from assistant.speech import own_ears
from assistant.speech.listeners import StepGrammar
from assistant.words.graph import AT, Graph
from assistant.words.letters import guess_phones
from assistant.words.phrases import pronunciations
from assistant.words.recognised import Recognised

KEPT = 64
"""Graphs of steps that are kept compiled: more than a case has."""

LOOKED_AT = 8
"""Sentences among which those of another meaning are looked for."""

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
        self._words: Graph | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Listener`."""
        self._ways = pronunciations(grammar.lexicon)
        if grammar.key not in self._graphs:
            self._graphs[grammar.key] = compiled(grammar.graph, self._ways, guess_phones)
            if len(self._graphs) > KEPT:
                self._graphs.popitem(last=False)
        self._graph, self._words = self._graphs[grammar.key], grammar.graph

    def hear(self, samples: Samples) -> Recognised:
        """See :class:`~.listeners.Listener`."""
        assert self._graph is not None, "prepare a grammar first"
        if len(samples) < own_ears.SHORTEST:
            return Recognised("", 0.0, listener=self.name, ours=0.0)
        found = decode(self._graph, own_ears.phones_by_pieces(samples), LOOKED_AT)
        if not found.sentences:
            return Recognised("", 0.0, listener=self.name, ours=0.0)
        sentences = self._of_other_meaning(found.sentences)
        best = sentences[0].score
        like, behind = nearest(sentences, self._ways)
        either = behind < ALIKE
        texts = [
            " ".join(one.words)
            for one in sentences
            if one.score > best - NEAR or (either and one is like)
        ]
        rival = min(best - sentences[1].score, FAR) if len(sentences) > 1 else FAR
        evidence = found.evidence._replace(rival=rival)
        return Recognised(
            texts[0],
            confidence(evidence),
            tuple(texts[1:]),
            self.name,
            found.unfinished,
            ours(evidence),
            either,
        )

    def _of_other_meaning(self, sentences: Sequence[Sentence]) -> list[Sentence]:
        """The first, and those that cannot mean the same: "size is thirty" and "size thirty"
        take different ways through the graph, and are no rivals."""
        assert self._words is not None
        best, *others = sentences
        meant = _readings(self._words, best)
        return [best, *(one for one in others if not meant & _readings(self._words, one))]


def _readings(graph: Graph, sentence: Sentence) -> set[Hashable]:
    """Everything that a sentence may mean, wherever in it the parts begin."""
    return {
        (reading.end, tuple(put for put in reading.puts if put[0] != AT))
        for reading in graph.meanings(sentence.words)
    }
