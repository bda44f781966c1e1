"""The one graph of what may be said: compiled from the templates, read by all.

What a recogniser may expect, what can follow, what sounds alike and what a sentence
means are all read from it, so they cannot disagree. :mod:`.templates` builds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import NamedTuple

Put = tuple[str, str | int | float]
"""A slot and what it takes when the word is said."""


class Arc(NamedTuple):
    """``word`` leads to the node ``target`` and puts values into slots.

    Where lists are left open the word is ``{list}``, and the list's name is put.
    """

    word: str
    target: int
    puts: tuple[Put, ...] = ()


class End(NamedTuple):
    """A sentence can end here and is this intent; with ``doubt`` it is always confirmed."""

    intent: str
    doubt: str = ""


THEN = "then"
"""The slot that parts the answers of one sentence: it holds what the one before it is,
and a slot :data:`AT` before it tells with which word the next begins."""

AT = "at"

QUANTITY = "quantity"
"""The slot of what is measured; in a series a bare value has it from the plural."""

DOUBT = "doubt"
"""The slot of why a part that others follow is always confirmed, as in :class:`End`."""


class Reading(NamedTuple):
    """One meaning of a sentence; of several answers ``end`` is the last one."""

    end: End
    puts: tuple[Put, ...]


class Way(NamedTuple):
    """One way to say something, word by word, and what it puts."""

    words: tuple[str, ...]
    puts: tuple[Put, ...]


@dataclass(frozen=True)
class Graph:
    """All sentences that may be said.

    Attributes:
        start: the node where every sentence begins.
        roots: the node where each template begins, in the order given.
        arcs: those of each node, by its number; an arc leads to a smaller number.
        ends: what a sentence is that ends at each node; mostly nothing.
    """

    start: int
    roots: tuple[int, ...]
    arcs: tuple[tuple[Arc, ...], ...]
    ends: tuple[tuple[End, ...], ...]

    def meanings(self, words: Iterable[str]) -> tuple[Reading, ...]:
        """Every meaning of a sentence, in the order of the templates."""
        found = [Reading(end, puts) for at, puts in self._after(words) for end in self.ends[at]]
        return tuple(dict.fromkeys(found))

    def following(self, words: Iterable[str]) -> tuple[frozenset[str], bool]:
        """The words that can follow after these, and whether a sentence may end here."""
        nodes = {at for at, _ in self._after(words)}
        said = frozenset(arc.word for at in nodes for arc in self.arcs[at])
        return said, any(self.ends[at] for at in nodes)

    def going_on(self, words: Iterable[str]) -> frozenset[str]:
        """Those of the words that can follow which do not begin another answer."""
        nodes = {at for at, _ in self._after(words)}
        arcs = chain.from_iterable(self.arcs[at] for at in nodes)
        return frozenset(arc.word for arc in arcs if not _parts(arc))

    def _after(self, words: Iterable[str]) -> Iterable[tuple[int, tuple[Put, ...]]]:
        places: dict[tuple[int, tuple[Put, ...]], None] = {(self.start, ()): None}
        for i, word in enumerate(words):
            places = {
                (arc.target, (*puts, *_placed(arc, i))): None
                for at, puts in places
                for arc in self.arcs[at]
                if arc.word == word
            }
        return places

    def ways(self, node: int) -> Iterator[Way]:
        """Every way from a node to an end."""
        if self.ends[node]:
            yield Way((), ())
        for arc in self.arcs[node]:
            for words, puts in self.ways(arc.target):
                yield Way((arc.word, *words), arc.puts + puts)

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word that can be said."""
        return frozenset(arc.word for arc in chain.from_iterable(self.arcs))

    @cached_property
    def pieces(self) -> tuple[str, ...]:
        """The runs of words between places where sentences part, meet or take a value, for
        Vosk."""
        came: dict[int, set[tuple[str, tuple[Put, ...]]]] = {}
        for word, target, puts in chain.from_iterable(self.arcs):
            came.setdefault(target, set()).add((word, puts))
        alone = {node for node, by in came.items() if len(by) == 1 and not next(iter(by))[1]}
        within = {n for n in alone if len(self.arcs[n]) == 1 and not self.ends[n]}
        begun = (arcs for node, arcs in enumerate(self.arcs) if node not in within)
        return tuple(sorted({" ".join(self._run(arc, within)) for arc in chain(*begun)}))

    def _run(self, arc: Arc, within: set[int]) -> Iterator[str]:
        yield arc.word
        if arc.target in within:
            yield from self._run(self.arcs[arc.target][0], within)


def _placed(arc: Arc, index: int) -> tuple[Put, ...]:
    return ((AT, index), *arc.puts) if _parts(arc) else arc.puts


def _parts(arc: Arc) -> bool:
    """Whether another answer begins with it."""
    return bool(arc.puts) and arc.puts[0][0] == THEN
