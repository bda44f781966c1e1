"""The Listener port: samples in, the most likely phrases of a step's grammar out.

Adapters live beside this module: :mod:`.own_listener` (the default) and
:mod:`.vosk_listener` (a model folder the user brings), with :mod:`.agreeing`.

A session asks through the :class:`Recogniser` port, which may take its time and may
fail: :class:`AtOnce` here, and the process of :mod:`.watchdog`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from assistant.sound.samples import Samples
from assistant.words.graph import Graph
from assistant.words.recognised import Recognised


class StepGrammar(Protocol):
    """What may be said at one step.

    Attributes:
        key: equal for equal grammars; adapters cache compiled forms by it.
        graph: its sentences, in the forms recognisers take.
        lexicon: pronunciations (CMU phones, space separated) for words that a
            model may lack; several per word are allowed.
    """

    @property
    def key(self) -> str:
        """See above; so the others."""

    @property
    def graph(self) -> Graph:  # noqa: D102
        ...
    @property
    def lexicon(self) -> Mapping[str, tuple[str, ...]]:  # noqa: D102
        ...


class Listener(Protocol):
    """A recogniser. ``prepare`` with the step's grammar, then ``hear``."""

    name: str

    def prepare(self, grammar: StepGrammar) -> None:
        """Make ``grammar`` the one in force; cheap when seen before."""

    def hear(self, samples: Samples) -> Recognised:
        """Recognise one whole utterance (``Samples``)."""


@dataclass(frozen=True, slots=True)
class Lost:
    """The recogniser failed. ``why`` is a sentence for the room; ``said`` tells that an
    utterance is lost with it, and must be said again."""

    why: str
    said: bool = True


class Recogniser(Protocol):
    """A listener that is asked, and answers when it can; one question at a time."""

    def expect(self, grammar: StepGrammar) -> None:
        """Somebody begins to speak, probably along ``grammar``: be ready. Never raises."""

    def ask(self, grammar: StepGrammar, samples: Samples) -> None:
        """What was said in ``samples``? Returns at once where it can; never raises."""

    def answer(self) -> Recognised | Lost | None:
        """The answer to the last question; None while there is none yet."""

    def tend(self) -> Lost | None:
        """To be called again and again while nothing is asked; tells of a failure."""


class AtOnce:
    """A listener as a :class:`Recogniser` that answers within ``ask``: for recordings
    and rehearsals, whose clock stands still meanwhile."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._answer: Recognised | Lost | None = None

    def expect(self, grammar: StepGrammar) -> None:
        """See :class:`Recogniser`; nothing is won by it, as no time passes here."""

    def ask(self, grammar: StepGrammar, samples: Samples) -> None:
        """See :class:`Recogniser`."""
        try:
            self._listener.prepare(grammar)
            self._answer = self._listener.hear(samples)
        except Exception as error:  # whatever its library raises must not end the case
            self._answer = Lost(f"The recogniser failed ({error}): say that again.")

    def answer(self) -> Recognised | Lost | None:
        """See :class:`Recogniser`."""
        answer, self._answer = self._answer, None
        return answer

    def tend(self) -> Lost | None:
        """See :class:`Recogniser`."""
        return None
