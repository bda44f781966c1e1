"""What was said, among what may be said: the best sentence, its rivals, and the evidence.

The rivals are the best sentences with another meaning: for each word of the graph
the best whole sentence through it is known, so "fifteen" and "fifty" are both there
however alike they are. The evidence is against the free path, which takes the likeliest
phone of each frame and owes nothing to the graph.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.ears.bands import Array
from assistant.ears.phonegraph import PhoneGraph
from assistant.ears.viterbi import (
    Backwards,
    backwards,
    best_through,
    chains_after,
    chains_before,
    forwards,
)


class Sentence(NamedTuple):
    """One thing that may have been said.

    Attributes:
        words: in order.
        meaning: what the end and the arcs of the word graph say.
        score: log-probability of its best way.
        end: the part of the meaning that is the same whatever value is said.
        telling: the words that put something into the meaning.
    """

    words: tuple[str, ...]
    meaning: Hashable
    score: float
    end: Hashable = None
    telling: tuple[str, ...] = ()


class Evidence(NamedTuple):
    """How well the best sentence fits.

    Attributes:
        gap: its score less the free path's, for each frame of speech; 0 at best.
        rival: how far the nearest sentence of another meaning is behind; large if none.
        explained: share of the phones of the free path that fall where the sentence has
            phones too.
        phones: how many phones the free path has.
        speech_s: from its first phone to its last.
        clear: how sure the free path itself is, log-probability a frame of speech; 0 at
            best, less the more noise there is.
    """

    gap: float
    rival: float
    explained: float
    phones: int
    speech_s: float
    clear: float


class Decoded(NamedTuple):
    """The sentences, best first, each of other words and another meaning; none if nothing
    was heard. What the same words may mean besides is not for the ear to say.

    ``unfinished`` tells that the sound ends within a sentence: with words that fit better
    than any whole sentence does, and that more must follow."""

    sentences: tuple[Sentence, ...]
    evidence: Evidence
    unfinished: bool = False


UNFINISHED = 3.0
"""So much better must a beginning fit than a whole sentence, in log-probability: a factor
of 20. Chosen here."""

FAR = 50.0
"""The distance of a rival that is not there, in units of log-probability."""

FRAME_S = 0.02
_LOOKED_AT = 80


def decode(graph: PhoneGraph, logs: Array, most: int = 4) -> Decoded:
    """The sentences of ``graph`` that fit ``logs`` (:func:`.encoder.log_phones`).

    ``most`` is how many meanings are given.
    """
    spoken = free_path(logs)
    if not spoken.any() or not len(graph.code):
        return Decoded((), Evidence(-FAR, FAR, 0.0, 0, 0.0, 0.0))
    ahead, back = forwards(graph, logs), backwards(graph, logs)
    through = best_through(graph, ahead, back)
    scores = through.max(0)
    found: dict[Hashable, Sentence] = {}
    path: list[int] = []
    for chain in np.argsort(-scores, kind="stable")[:_LOOKED_AT]:
        score = float(scores[chain])
        if score < -1e8 or len(found) >= most:
            break
        frame = int(through[:, chain].argmax())
        front = chains_before(graph, ahead, frame, int(graph.source[chain]))
        rest, way = chains_after(graph, back, logs, frame, int(chain))
        sentence = _sentence(graph, [*front, int(chain), *rest], score)
        if not found and not front:
            path = [0] * frame + way
        if all(sentence.words != other.words for other in found.values()):
            found.setdefault(sentence.meaning, sentence)
    if not path:
        path = _whole_path(graph, back, logs, through)
    sentences = tuple(found.values())
    begun = float(np.maximum(ahead.phone[-1], ahead.blank[-1]).max())
    unfinished = begun > float(scores.max()) + UNFINISHED
    return Decoded(sentences, _evidence(sentences, spoken, np.array(path), logs), unfinished)


def free_path(logs: Array) -> NDArray[np.int64]:
    """The likeliest phone of each frame, 0 for blanks, with nothing to hold it."""
    return np.asarray(logs.argmax(1), np.int64)


def _sentence(graph: PhoneGraph, chains: list[int], score: float) -> Sentence:
    arcs = [graph.words.arcs[node][index] for node, index in map(graph.arc.__getitem__, chains)]
    end = graph.words.ends[arcs[-1].target]
    return Sentence(
        tuple(arc.word for arc in arcs),
        (end[0], tuple(put for arc in arcs for put in arc.puts)),
        score,
        end[0],
        tuple(arc.word for arc in arcs if arc.puts),
    )


def _whole_path(
    graph: PhoneGraph, back: Backwards, logs: Array, through: NDArray[np.float32]
) -> list[int]:
    """The phone of each frame on the best sentence."""
    from_start = np.flatnonzero(graph.source == graph.words.start)
    chain = int(from_start[through[:, from_start].max(0).argmax()])
    frame = int(through[:, chain].argmax())
    _, way = chains_after(graph, back, logs, frame, chain)
    return [0] * frame + way


def _evidence(
    sentences: tuple[Sentence, ...],
    free: NDArray[np.int64],
    path: NDArray[np.int64],
    logs: Array,
) -> Evidence:
    at = np.flatnonzero(free)
    speech = at[-1] - at[0] + 1
    begins = at[(free[at] != free[at - 1]) | (at == 0)]
    near = np.convolve(path > 0, np.ones(5), "same") > 0
    gap = (sentences[0].score - float(logs.max(1).sum())) / float(speech)
    rival = sentences[0].score - sentences[1].score if len(sentences) > 1 else FAR
    return Evidence(
        gap,
        min(rival, FAR),
        float(near[begins].mean()),
        len(begins),
        float(speech * FRAME_S),
        float(logs[at[0] : at[-1] + 1].max(1).mean()),
    )
