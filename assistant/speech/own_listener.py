"""The program's own ears as a listener: phones of the sound along the step's word graph.

Confidence is the share of sounds with such evidence that were right on the calibration
half (:mod:`assistant.ears.confidence`); it knows how far the free path and the nearest
rival of another meaning are, so it holds for numbers as for commands.
"""

from __future__ import annotations

from collections import OrderedDict
from functools import cache

from threadpoolctl import ThreadpoolController

from assistant.ears import encoder
from assistant.ears.confidence import confidence
from assistant.ears.decode import decode
from assistant.ears.phonegraph import PhoneGraph, compiled
from assistant.files.shipped import PACKAGE
from assistant.sound.samples import Samples
from assistant.speech.listeners import StepGrammar
from assistant.words.letters import guess_phones
from assistant.words.phrases import read_lexicon
from assistant.words.recognised import Recognised

KEPT = 64
"""Graphs of steps that are kept compiled: more than a case has."""

SHORTEST = 1600
"""Samples (0.1 s): a click has no phones."""


@cache
def _network() -> encoder.Network:
    return encoder.load()


class OwnListener:
    """A :class:`~.listeners.Listener`; loads its weights when it is made (0.3 s, 90 MB)."""

    name = "own"

    def __init__(self) -> None:
        self._network = _network()
        self._threads = ThreadpoolController()
        self._ways = read_lexicon(PACKAGE / "ears" / "pronunciations.dict")
        self._graphs: OrderedDict[str, PhoneGraph] = OrderedDict()
        self._graph: PhoneGraph | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Listener`."""
        if grammar.key not in self._graphs:
            ways = self._ways | {
                word: tuple(dict.fromkeys((*self._ways.get(word, ()), *said)))
                for word, said in grammar.lexicon.items()
            }
            self._graphs[grammar.key] = compiled(grammar.graph, ways, guess_phones)
            if len(self._graphs) > KEPT:
                self._graphs.popitem(last=False)
        self._graph = self._graphs[grammar.key]

    def hear(self, samples: Samples) -> Recognised:
        """See :class:`~.listeners.Listener`."""
        assert self._graph is not None, "prepare a grammar first"
        if len(samples) < SHORTEST:
            return Recognised("", 0.0, listener=self.name)
        # Several threads wait for one another where other programs want the cores too: 33
        # phrases on two busy ones took 0.8 to 4.5 s each with two, 0.2 to 0.7 s with one.
        with self._threads.limit(limits=1):
            found = decode(self._graph, encoder.log_phones(self._network, samples))
        texts = [" ".join(one.words) for one in found.sentences]
        if not texts:
            return Recognised("", 0.0, listener=self.name)
        sure = confidence(found.evidence)
        return Recognised(texts[0], sure, tuple(texts[1:]), self.name)
