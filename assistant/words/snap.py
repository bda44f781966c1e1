"""The phrase of a grammar that sounds most like what was heard.

A recogniser that is bound to the step's grammar can only answer in its words. A
second one that is free writes what it hears ("plodger depth twenty two point
one"); this module finds the nearest phrase that may be said now, by the phone
costs of :mod:`.soundalike`.

The grammar's graph becomes one whose arcs are phones, with one node for all places
from which the same can follow. The edit distance of every phrase at once is one
sweep over that graph from its end (Sankoff and Kruskal, Time Warps, String Edits
and Macromolecules, 1983, from memory); no phrase is written out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from assistant.words.grammar import Grammar, number_words
from assistant.words.letters import guess_phones
from assistant.words.soundalike import CODES, COSTS, Phones, left_out

Lexicon = Mapping[str, tuple[str, ...]]
"""Pronunciations of each word, phones separated by spaces."""


class Rival(NamedTuple):
    """A phrase of another template than the nearest, with its distance."""

    text: str
    distance: float


class Snapped(NamedTuple):
    """The nearest phrase.

    Attributes:
        text: its words.
        distance: as :func:`.soundalike.distance` of ``phones`` and what was
            heard: 0 the same, 1 nothing in common.
        phones: the pronunciation of ``text`` that is nearest.
        rivals: phrases of other templates, nearest first, no text twice.
    """

    text: str
    distance: float
    phones: Phones
    rivals: tuple[Rival, ...] = ()


def snap(
    heard: Phones, grammar: Grammar, lexicon: Lexicon, *, rivals: int = 5
) -> Snapped | None:
    """The phrase of ``grammar`` that sounds most like ``heard``.

    Nothing that the grammar allows is nearer. Rivals are not searched so thoroughly:
    another wording or pronunciation in a rival's template may be a little nearer.

    Args:
        heard: phones, as from :func:`heard_phones`.
        grammar: what may be said now.
        lexicon: pronunciations of its words (``soundalike.dictionary`` of
            ``grammar.graph.words``); phrases with a word that is missing are passed over.
            Do not change it afterwards: the graph made with it is kept.
        rivals: how many rivals at most.

    Returns:
        None if nothing was heard, or no phrase can be pronounced.
    """
    graph = _graph(grammar, lexicon)
    if not heard or not len(graph.roots):
        return None
    sweep = _Sweep(graph, heard)
    # The distance is cost / max(heard, said), the lesser of cost / heard and
    # cost / said. The first is least where the cost is; the second by Dinkelbach's
    # method (Management Science 13:492-498, 1967, from memory): as long as some phrase
    # has cost - distance * said < 0, it is nearer.
    found = {root: sweep.phrase(root) for root in sweep.nearest(rivals + 1)}
    best = min(found.values(), key=_apart)
    while best.distance > 0:
        sweep = _Sweep(graph, heard, best.distance)
        nearer = sweep.phrase(sweep.nearest(1)[0])
        if nearer.distance >= best.distance - _ROUNDING:
            break
        best = nearer
    for root in sweep.nearest(rivals + 1):
        phrase = sweep.phrase(root)
        found[root] = min(found.get(root, phrase), phrase, key=_apart)
    others = sorted(found.values(), key=_apart)
    return best._replace(rivals=tuple(_unlike(best.text, others))[:rivals])


def _apart(phrase: Snapped) -> float:
    return phrase.distance


def _unlike(text: str, phrases: list[Snapped]) -> Iterator[Rival]:
    """The phrases, each text once and ``text`` not at all."""
    seen = {text}
    for phrase in phrases:
        if phrase.text not in seen:
            seen.add(phrase.text)
            yield Rival(phrase.text, phrase.distance)


_SPELT = {"%": "percent", "mm": "millimetres"}
_PIECE = re.compile(r"\d+(?:\.\d+)?|\.\d+|%|[a-z]+(?:'[a-z]+)*")


def heard_phones(
    text: str, lexicon: Lexicon, guess: Callable[[str], Phones] = guess_phones
) -> Phones:
    """The phones of a free English text, each word by its first pronunciation.

    Args:
        text: as a recogniser writes it; numbers in digits are spelt out.
        lexicon: pronunciations of words.
        guess: phones of a word that the lexicon lacks.
    """
    phones: list[str] = []
    for word in _words(text):
        ways = lexicon.get(word)
        phones += ways[0].split() if ways else guess(word)
    return tuple(phones)


def _words(text: str) -> Iterator[str]:
    """The words of a text as they are said: "16.5" sixteen point five, ".5" point five."""
    for piece in _PIECE.findall(text.lower().replace("’", "'")):
        if piece[0] == ".":
            yield "point"
            for digit in piece[1:]:
                yield number_words(int(digit), "en")
        elif piece[0].isdigit():
            yield from number_words(float(piece) if "." in piece else int(piece), "en").split()
        else:
            yield _SPELT.get(piece, piece)


# An arc: number of its phone, the word it begins (or ""), the node it leads to.
_Arc = tuple[int, str, int]
_Arcs = frozenset[_Arc]
_PHONES = tuple(CODES)
_ROUNDING = 1e-12
_FINAL = 0
_END: _Arc = (-1, "", _FINAL)  # among arcs: here the phrase can end


class _Graph(NamedTuple):
    """All phrases, phone by phone; nodes in the order of their longest way to the end.

    Attributes:
        roots: the node where each template begins, shape (templates,).
        begins: number of the first arc of each node and of the one after, (nodes + 1,).
        code, word, target: phone, word or "" and node of each arc, (arcs,).
        missed: what it costs to leave out the phone of each arc, (arcs,).
        levels: first node of each level and of the one after; level 0 is the end.
    """

    roots: NDArray[np.int64]
    begins: NDArray[np.int64]
    code: NDArray[np.int64]
    word: tuple[str, ...]
    target: NDArray[np.int64]
    missed: NDArray[np.float64]
    levels: tuple[int, ...]


_MAX_KEPT = 64
_kept: dict[tuple[str, int], tuple[Lexicon, _Graph]] = {}


def _graph(grammar: Grammar, lexicon: Lexicon) -> _Graph:
    """The graph of a grammar; kept, because steps come back."""
    key = (grammar.key, id(lexicon))  # the lexicon is kept, too, so no other takes its id
    if key not in _kept:
        while len(_kept) >= _MAX_KEPT:
            _kept.pop(next(iter(_kept)), None)
        _kept[key] = (lexicon, _Builder(grammar, lexicon).graph())
    return _kept[key][1]


class _Builder:
    """Builds a :class:`_Graph` from the end of the phrases to their beginning."""

    def __init__(self, grammar: Grammar, lexicon: Lexicon) -> None:
        self._words = grammar.graph
        self._lexicon = lexicon
        self._nodes: dict[_Arcs, int] = {frozenset(): _FINAL}
        self._levels = [0]

    def graph(self) -> _Graph:
        # Of each node of the word graph: the phones that can follow there.
        following: list[_Arcs] = []
        for said, ends in zip(self._words.arcs, self._words.ends, strict=True):
            words = [self._word(arc.word, following[arc.target]) for arc in said]
            following.append(frozenset({_END} if ends else ()).union(*words))
        starts = [following[root] for root in self._words.roots]
        roots = [self._node(arcs) for arcs in dict.fromkeys(starts) if arcs]
        # Renumbered so that the nodes of a level lie together.
        order = np.argsort(self._levels, kind="stable")
        renumbered = np.empty_like(order)
        renumbered[order] = np.arange(len(order))
        sets = list(self._nodes)
        by_node = [sorted(sets[node]) for node in order]
        arcs = [arc for each in by_node for arc in each]
        code = np.array([arc[0] for arc in arcs], dtype=np.int64)
        target = renumbered[np.array([arc[2] for arc in arcs], dtype=np.int64)]
        inside = np.array([left_out((phone, phone))[0] for phone in _PHONES])
        at_the_end = np.array([left_out((phone,))[0] for phone in _PHONES])
        sizes = np.bincount(self._levels)
        return _Graph(
            roots=renumbered[np.array(roots, dtype=np.int64)],
            begins=np.concatenate([[0], np.cumsum([len(each) for each in by_node])]),
            code=code,
            word=tuple(arc[1] for arc in arcs),
            target=target,
            missed=np.where(target == _FINAL, at_the_end[code], inside[code]),
            levels=(0, *(int(n) for n in np.cumsum(sizes))),
        )

    def _node(self, arcs: _Arcs) -> int:
        if arcs not in self._nodes:
            self._nodes[arcs] = len(self._nodes)
            self._levels.append(1 + max(self._levels[target] for _, _, target in arcs))
        return self._nodes[arcs]

    def _word(self, word: str, rest: _Arcs) -> _Arcs:
        # The last phone of a phrase costs less to miss, so the end is a node of its own.
        ends = [_FINAL] if _END in rest else []
        goes_on = rest - {_END}
        targets = [*ends, self._node(goes_on)] if goes_on else ends
        found: set[_Arc] = set()
        for way in self._lexicon.get(word, ()) if targets else ():
            *front, last = (CODES[phone] for phone in way.split())
            arcs = frozenset((last, "", target) for target in targets)
            for code in reversed(front):
                arcs = frozenset({(code, "", self._node(arcs))})
            found.update((code, word, target) for code, _, target in arcs)
        return frozenset(found)


class _Sweep:
    """The least cost from each node to the end, for each rest of what was heard.

    ``less`` is taken off for each phone said. Costs are kept less that of hearing
    the rest in vain, so that a phone heard in vain is free and one put for another
    costs what it adds; ``least`` has shape (nodes, heard + 1), its columns how many
    phones are still to be heard.
    """

    def __init__(self, graph: _Graph, heard: Phones, less: float = 0.0) -> None:
        self._graph = graph
        # Turned round, so that the last phone heard is number 0.
        self._codes = [CODES[phone] for phone in reversed(heard)]
        self._in_vain = np.array(left_out(heard)[::-1])
        self._put = COSTS[:, self._codes] - self._in_vain - less
        self._missed = graph.missed - less
        self._least = self._costs()

    def _costs(self) -> NDArray[np.float64]:
        graph, begins = self._graph, self._graph.begins
        least = np.zeros((len(begins) - 1, len(self._codes) + 1))
        put = self._put[graph.code]
        for first, after in pairwise(graph.levels[1:]):
            start, stop = begins[first], begins[after]
            ways = least[graph.target[start:stop]]
            heard = ways[:, :-1] + put[start:stop]
            ways += self._missed[start:stop, None]
            np.minimum(ways[:, 1:], heard, out=ways[:, 1:])
            if stop - start > after - first:
                ways = np.minimum.reduceat(ways, begins[first:after] - start, axis=0)
            np.minimum.accumulate(ways, axis=1, out=least[first:after])
        return least

    def nearest(self, count: int) -> list[int]:
        """The beginnings of the templates of least cost, cheapest first."""
        costs = self._least[self._graph.roots, -1]
        order = np.argsort(costs, kind="stable")[:count]
        return [int(root) for root in self._graph.roots[order]]

    def phrase(self, node: int) -> Snapped:
        """The cheapest phrase from a node on, with its distance."""
        graph, least, left = self._graph, self._least, len(self._codes)
        cost = 0.0
        said: list[int] = []
        while node != _FINAL:
            while left and least[node, left - 1] == least[node, left]:
                left -= 1
                cost += self._in_vain[left]
            arc = self._cheapest(node, left)
            code, node = graph.code[arc], int(graph.target[arc])
            said.append(arc)
            missed = least[node, left] + self._missed[arc]
            if left and least[node, left - 1] + self._put[code, left - 1] <= missed:
                left -= 1
                cost += COSTS[code, self._codes[left]]
            else:
                cost += graph.missed[arc]
        cost += self._in_vain[:left].sum()
        return Snapped(
            text=" ".join(word for arc in said if (word := graph.word[arc])),
            distance=float(cost) / max(len(self._codes), len(said)),
            phones=tuple(_PHONES[graph.code[arc]] for arc in said),
        )

    def _cheapest(self, node: int, left: int) -> int:
        """The arc that begins the cheapest way from a node on."""
        graph, least = self._graph, self._least
        start, stop = int(graph.begins[node]), int(graph.begins[node + 1])
        if stop == start + 1:
            return start
        targets = graph.target[start:stop]
        ways = least[targets, left] + self._missed[start:stop]
        if left:
            put = least[targets, left - 1] + self._put[graph.code[start:stop], left - 1]
            np.minimum(ways, put, out=ways)
        return start + int(ways.argmin())
