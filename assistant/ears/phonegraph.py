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
    """Chains of phones, one behind the other. A place is one phone of one chain.

    Attributes:
        words: the graph it was compiled from.
        code: phone of each place.
        repeats: the places that have the same phone as the one before them in their chain,
            so that a blank must part them.
        firsts, lasts: first and last place of each chain.
        source, target: nodes that each chain leaves and reaches; in the order of ``source``.
        arc: (node, index) of each chain's arc.
        by_target: chains in the order of ``target``.
        target_starts, target_nodes: where a node begins in that order, and which.
        source_starts, source_nodes: the same for ``source``.
        accepts: whether a sentence can end at each node.
    """

    words: WordGraph
    code: Ints
    repeats: Ints
    firsts: Ints
    lasts: Ints
    source: Ints
    target: Ints
    arc: tuple[tuple[int, int], ...]
    by_target: Ints
    target_starts: Ints
    target_nodes: Ints
    source_starts: Ints
    source_nodes: Ints
    accepts: NDArray[np.bool_]

    @property
    def nodes(self) -> int:
        """How many nodes the word graph has."""
        return len(self.accepts)

    def leaving(self, node: int) -> slice:
        """The chains that leave a node."""
        return slice(*(int(at) for at in np.searchsorted(self.source, [node, node + 1])))


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
                source.append(node)
                target.append(step.target)
                arc.append((node, index))
    code, begins = np.array(codes, np.int64), np.array(firsts, np.int64)
    repeats = np.setdiff1d(np.flatnonzero(code[1:] == code[:-1]) + 1, begins)
    to, out_of = np.array(target, np.int64), np.array(source, np.int64)
    order = np.argsort(to, kind="stable")
    reached, reached_at = np.unique(to[order], return_index=True)
    left, left_at = np.unique(out_of, return_index=True)
    return PhoneGraph(
        graph, code, repeats, begins, np.array(lasts, np.int64),
        out_of, to, tuple(arc), order, reached_at.astype(np.int64), reached,
        left_at.astype(np.int64), left,
        np.array([bool(end) for end in graph.ends]),
    )  # fmt: skip
