"""A recogniser with a second opinion: what counts without a question, both have heard."""

from __future__ import annotations

from dataclasses import replace

from assistant.sound.samples import Samples
from assistant.speech.listeners import Listener, StepGrammar
from assistant.words.recognised import Recognised

DISAGREED = 0.4
"""Most confidence of what the second has heard otherwise: enough to be asked about, too
little to be stored or obeyed (``assembly.TRUST``)."""


class Agreeing:
    """A :class:`~.listeners.Listener` that hears with ``first``, as surely as the less sure
    of the two, and at most :data:`DISAGREED` where ``second`` hears another meaning."""

    def __init__(self, first: Listener, second: Listener) -> None:
        self.name = first.name
        self._first, self._second = first, second
        self._grammar: StepGrammar | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """See :class:`~.listeners.Listener`."""
        self._first.prepare(grammar)
        self._second.prepare(grammar)
        self._grammar = grammar

    def hear(self, samples: Samples) -> Recognised:
        """See :class:`~.listeners.Listener`."""
        assert self._grammar is not None, "prepare a grammar first"
        heard = self._first.hear(samples)
        if not heard.text:
            return heard
        other = self._second.hear(samples)
        graph = self._grammar.graph
        if set(graph.meanings(heard.text.split())) == set(graph.meanings(other.text.split())):
            return replace(heard, confidence=min(heard.confidence, other.confidence))
        rivals = tuple(text for text in (other.text, *heard.alternatives) if text)
        return replace(heard, confidence=min(heard.confidence, DISAGREED), alternatives=rivals)
