"""What may be said as a graph of phones, compiled once a step.

The word graph comes in as plain nodes and arcs. Every arc becomes chains of phones,
one for each pronunciation; the arrays are laid out for :mod:`.viterbi`, which moves
along all chains at once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.ears.encoder import CODES

Ints = NDArray[np.int64]
Pronunciations = Mapping[str, tuple[str, ...]]
"""Ways to say a word, phones parted by spaces."""


class ArcLike(Protocol):
    """A word that leads to another node, and what it adds to the meaning."""

    @property
    def word(self) -> str:
        """What is said."""

    @property
    def target(self) -> int:
        """Number of the node it leads to."""

    @property
    def puts(self) -> tuple[Hashable, ...]:
        """What it adds to the meaning."""


class WordGraph(Protocol):
    """All sentences that may be said: nodes by number, with their arcs."""

    @property
    def start(self) -> int:
        """Where every sentence begins."""

    @property
    def arcs(self) -> Sequence[Sequence[ArcLike]]:
        """Those of each node."""

    @property
    def ends(self) -> Sequence[Sequence[Hashable]]:
        """What a sentence that ends at each node is; nothing if none can."""


@dataclass(frozen=True)
class PhoneGraph:
    """Chains of phones. A place is one phone of one chain.

    Attributes:
        words: the graph it was compiled from.
        code: phone of each place.
        before: the place before each in its chain; itself for the first.
        inner: whether a place has one before it.
        repeats: whether the one before has the same phone, so that a blank must part them.
        firsts, lasts: first and last place of each chain.
        source, target: nodes that each chain leaves and reaches.
        arc: (node, index) of each chain's arc.
        by_target: chains in the order of ``target``.
        target_starts, target_nodes: where a node begins in that order, and which.
        accepts: whether a sentence can end at each node.
    """

    words: WordGraph
    code: Ints
    before: Ints
    inner: NDArray[np.bool_]
    repeats: NDArray[np.bool_]
    firsts: Ints
    lasts: Ints
    source: Ints
    target: Ints
    arc: tuple[tuple[int, int], ...]
    by_target: Ints
    target_starts: Ints
    target_nodes: Ints
    accepts: NDArray[np.bool_]

    @property
    def nodes(self) -> int:
        """How many nodes the word graph has."""
        return len(self.accepts)


def compiled(
    graph: WordGraph, ways: Pronunciations, guess: Callable[[str], Sequence[str]]
) -> PhoneGraph:
    """``graph`` with every pronunciation of its words.

    Args:
        graph: what may be said.
        ways: pronunciations by word.
        guess: phones of a word that ``ways`` lacks.
    """
    codes: list[int] = []
    before: list[int] = []
    firsts, lasts, source, target, arc = [], [], [], [], []
    for node, arcs in enumerate(graph.arcs):
        for index, step in enumerate(arcs):
            said = ways.get(step.word) or (" ".join(guess(step.word)),)
            for way in dict.fromkeys(said):
                chain = [CODES[phone] for phone in way.split()]
                if not chain:
                    continue
                first = len(codes)
                firsts.append(first)
                lasts.append(first + len(chain) - 1)
                codes += chain
                before += [first, *range(first, first + len(chain) - 1)]
                source.append(node)
                target.append(step.target)
                arc.append((node, index))
    code, back = np.array(codes, np.int64), np.array(before, np.int64)
    inner = back != np.arange(len(back))
    to = np.array(target, np.int64)
    order = np.argsort(to, kind="stable")
    nodes, starts = np.unique(to[order], return_index=True)
    return PhoneGraph(
        graph, code, back, inner, inner & (code == code[back]),
        np.array(firsts, np.int64), np.array(lasts, np.int64),
        np.array(source, np.int64), to, tuple(arc),
        order, starts.astype(np.int64), nodes.astype(np.int64),
        np.array([bool(end) for end in graph.ends]),
    )  # fmt: skip
