"""The Listener port: samples in, the most likely phrases of a step's grammar out.

Adapters live beside this module: :mod:`.pocketsphinx_listener` (embedded
default) and :mod:`.vosk_listener` (a model folder the user brings).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.int16]
"""Mono sound, 16 kHz, signed 16-bit, shape ``(n,)``."""


class StepGrammar(Protocol):
    """What may be said at one step, in the forms recognisers take.

    Attributes:
        key: equal for equal grammars; adapters cache compiled forms by it.
        jsgf: the grammar as JSGF 1.0 text with one public rule.
        phrases: vocabulary-restricting phrases for recognisers that take a
            list (vosk); together they use every word in ``words``.
        words: every word the grammar can produce.
        lexicon: pronunciations (CMU phones, space separated) for words that a
            model may lack; several per word are allowed.
    """

    @property
    def key(self) -> str:
        """See above; so the others."""

    @property
    def jsgf(self) -> str:  # noqa: D102
        ...
    @property
    def phrases(self) -> tuple[str, ...]:  # noqa: D102
        ...
    @property
    def words(self) -> frozenset[str]:  # noqa: D102
        ...
    @property
    def lexicon(self) -> Mapping[str, tuple[str, ...]]:  # noqa: D102
        ...


@dataclass(frozen=True, slots=True)
class Heard:
    """One utterance as a listener understood it.

    Attributes:
        text: the words, lower case; empty when nothing in the grammar fits.
        confidence: 0 to 1. How surely ``text`` is what was said *in
            competition with anything else*, not merely the best fit within
            the grammar; each adapter's docstring says how it gets it.
        alternatives: the next best texts, best first, ``text`` not among them.
        listener: name of the adapter.
    """

    text: str
    confidence: float
    alternatives: tuple[str, ...] = ()
    listener: str = ""


class Listener(Protocol):
    """A recogniser. ``prepare`` with the step's grammar, then ``hear``."""

    name: str

    def prepare(self, grammar: StepGrammar) -> None:
        """Make ``grammar`` the one in force; cheap when seen before."""

    def hear(self, samples: Samples) -> Heard:
        """Recognise one whole utterance (``Samples``)."""
