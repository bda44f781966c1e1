"""The one graph of what may be said: compiled from the templates, read by all.

What a recogniser may expect, what can follow, what sounds alike and what a sentence
means are all read from it, so they cannot disagree. Templates are parsed by ``hassil``;
nothing else knows what its trees look like.

A graph is built from the ends of the sentences to their beginning: places from which
the same can follow are one node, so numbers are there once however many sentences end
in them. It has words on its arcs and no empty ones.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

from hassil.expression import (
    Alternative,
    Expression,
    Group,
    ListReference,
    Permutation,
    RuleReference,
    TextChunk,
)
from hassil.parse_expression import parse_sentence
from hassil.parser import ParseError

MOST_FORMS = 1000
"""Ways to say one template, its lists apart: check-words writes them all out."""

MOST_NODES = 100_000
"""Of one graph; a step has some hundreds."""

Scalar = str | int | float
Put = tuple[str, Scalar]
"""A slot and what it takes when the word is said."""

Item = tuple[str, Scalar]
"""One way to say a value of a list, a template without lists, and the value."""


class Unsayable(ValueError):
    """A template that the graph cannot hold, with the reason."""


class Arc(NamedTuple):
    """``word`` leads to the node ``target`` and puts values into slots.

    Where lists are left open the word is ``{list}`` and the list's name is put.
    """

    word: str
    target: int
    puts: tuple[Put, ...] = ()


class End(NamedTuple):
    """A sentence can end here and is then an intent; with ``doubt`` it is always
    confirmed."""

    intent: str
    doubt: str = ""


class Reading(NamedTuple):
    """One meaning of a sentence."""

    end: End
    puts: tuple[Put, ...]


class Fsg(NamedTuple):
    """A finite-state grammar as Sphinx takes it: each transition is (from, to, share of
    what leaves the state, word); an empty word takes no sound."""

    start: int
    final: int
    transitions: tuple[tuple[int, int, float, str], ...]


class Way(NamedTuple):
    """One sentence, word by word, and its meaning."""

    words: tuple[str, ...]
    reading: Reading


@dataclass(frozen=True)
class Graph:
    """All sentences that may be said.

    Attributes:
        arcs: those of each node, by its number; an arc leads to a smaller number.
        ends: what a sentence is that ends at each node; mostly nothing.
        roots: the node where each template begins, in the order given.
    """

    arcs: tuple[tuple[Arc, ...], ...]
    ends: tuple[tuple[End, ...], ...]
    roots: tuple[int, ...]

    @cached_property
    def start(self) -> int:
        """The node where every sentence begins; the last."""
        return len(self.arcs) - 1

    def meanings(self, words: Iterable[str]) -> tuple[Reading, ...]:
        """Every meaning of a sentence, in the order of the templates."""
        found = [Reading(end, puts) for at, puts in self._after(words) for end in self.ends[at]]
        return tuple(dict.fromkeys(found))

    def following(self, words: Iterable[str]) -> tuple[frozenset[str], bool]:
        """The words that can follow after these, and whether a sentence may end here."""
        nodes = {at for at, _ in self._after(words)}
        said = frozenset(arc.word for at in nodes for arc in self.arcs[at])
        return said, any(self.ends[at] for at in nodes)

    def _after(self, words: Iterable[str]) -> dict[tuple[int, tuple[Put, ...]], None]:
        places: dict[tuple[int, tuple[Put, ...]], None] = {(self.start, ()): None}
        for word in words:
            places = {
                (arc.target, puts + arc.puts): None
                for at, puts in places
                for arc in self.arcs[at]
                if arc.word == word
            }
        return places

    def ways(self, node: int | None = None) -> Iterator[Way]:
        """Every sentence from a node on (the start), one by one."""
        at = self.start if node is None else node
        for end in self.ends[at]:
            yield Way((), Reading(end, ()))
        for arc in self.arcs[at]:
            for words, (end, puts) in self.ways(arc.target):
                yield Way((arc.word, *words), Reading(end, arc.puts + puts))

    @cached_property
    def count(self) -> int:
        """How many sentences there are."""
        counts: list[int] = []
        for arcs, ends in zip(self.arcs, self.ends, strict=True):
            counts.append(len(ends) + sum(counts[arc.target] for arc in arcs))
        return counts[self.start]

    @cached_property
    def fsg(self) -> Fsg:
        """The same for a recogniser that takes one."""
        final = len(self.arcs)
        found: list[tuple[int, int, float, str]] = []
        for node, arcs in enumerate(self.arcs):
            ways = dict.fromkeys((arc.target, arc.word) for arc in arcs)
            ways |= {(final, ""): None} if self.ends[node] else {}
            found += [(node, to, 1 / len(ways), word) for to, word in ways]
        return Fsg(self.start, final, tuple(found))

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word that can be said."""
        return frozenset(arc.word for arcs in self.arcs for arc in arcs)

    @cached_property
    def pieces(self) -> tuple[str, ...]:
        """The runs of words between places where sentences part, meet or take a value."""
        into: dict[int, set[tuple[str, bool]]] = {}
        for arc in (arc for arcs in self.arcs for arc in arcs):
            into.setdefault(arc.target, set()).add((arc.word, bool(arc.puts)))
        within = {
            node
            for node, came in into.items()
            if len(came) == 1 and not next(iter(came))[1]
            if len(self.arcs[node]) == 1 and not self.ends[node]
        }
        found: set[str] = set()
        for node, arcs in enumerate(self.arcs):
            for arc in arcs if node not in within else ():
                said = [arc.word]
                while arc.target in within:
                    (arc,) = self.arcs[arc.target]  # noqa: PLW2901
                    said.append(arc.word)
                found.add(" ".join(said))
        return tuple(sorted(found))


def compile_graph(
    sentences: Iterable[tuple[End, Sequence[str]]],
    rules: Mapping[str, str],
    lists: Mapping[str, Collection[Item]] | None = None,
) -> Graph:
    """The graph of the templates of each intent.

    Args:
        sentences: templates with what they mean; one intent may come several times.
        rules: the templates that ``<rules>`` stand for.
        lists: how the values of each ``{list}`` are said. Without it lists are left
            open, as words in braces.

    Raises:
        Unsayable: a template is malformed, names what there is not, can be said without
            a word, or means what arcs and words cannot hold.
    """
    builder = _Builder(rules, lists)
    roots = []
    for end, templates in sentences:
        for template in templates:
            try:
                roots.append(builder.template(template, end))
            except Unsayable as bad:
                raise Unsayable(f"{template!r} {bad}") from None
    return builder.graph(roots)


def ways(template: str, rules: Mapping[str, str] | None = None) -> tuple[Way, ...]:
    """Every way to say a template, none twice; lists stay as ``{name}``, with the list's
    name put into the slot.

    Raises:
        Unsayable: see :func:`compile_graph`; or in too many ways.
    """
    return _ways(template, tuple((rules or {}).items()))


@lru_cache(maxsize=4096)
def _ways(template: str, rules: tuple[tuple[str, str], ...]) -> tuple[Way, ...]:
    graph = compile_graph([(End(""), (template,))], dict(rules))
    if graph.count > MOST_FORMS:
        raise Unsayable(f"{template!r} can be said in over {MOST_FORMS} ways; leave some out")
    return tuple(dict.fromkeys(graph.ways()))


_MOST_IN_ANY_ORDER = 6
_ALL = frozenset[int]()
_GLUED = re.compile(r"[^\s(\[|;][(\[{<]|[)\]}>][^\s)\]|;]")
_NO_WORD = re.compile(r"[^\w\s']|[\d_]")


@lru_cache(maxsize=4096)
def _parsed(template: str) -> Expression:
    """A template as a tree. Raises Unsayable where it is none."""
    try:
        tree = parse_sentence(template).expression
    except (ParseError, RecursionError) as bad:
        raise Unsayable(f"is no sentence template: {bad}") from None
    if glued := _GLUED.search(template):
        raise Unsayable(f"needs a space within {glued.group()!r}")
    return tree


class _Put(NamedTuple):
    """Stands among arcs while a list's value is built: the word before puts this."""

    put: Put
    target: int


_Content = tuple[Arc | End | _Put, ...]


class _Builder:
    """Builds nodes from the end of the sentences to their beginning."""

    def __init__(
        self, rules: Mapping[str, str], lists: Mapping[str, Collection[Item]] | None
    ) -> None:
        self._rules = rules
        self._lists = lists
        self._content: list[_Content] = []
        self._nodes: dict[frozenset[Arc | End | _Put], int] = {}
        self._known: dict[tuple[int | str, int, frozenset[int]], int] = {}
        self._within: list[str] = []
        self._trees: dict[str, Expression] = {}

    def _tree(self, template: str) -> Expression:
        # Kept as long as their ids are known, though the cache may drop them.
        return self._trees.setdefault(template, _parsed(template))

    def template(self, template: str, end: End) -> int:
        """The node where a template begins."""
        node = self._before(self._tree(template), self._node((end,)))
        if end in self._content[node]:
            raise Unsayable("could be said without a word")
        return node

    def graph(self, roots: list[int]) -> Graph:
        """What can be reached from these nodes, and a start before all of them."""
        start = self._either(roots)
        used, ahead = {start, *roots}, [start, *roots]
        while ahead:
            for arc in self._arcs(ahead.pop()):
                if arc.target not in used:
                    used.add(arc.target)
                    ahead.append(arc.target)
        # A node is made after those it leads to, so the order of making is kept. The
        # start is the last, though a template that is the only one begins there, too.
        order = [*sorted(used - {start}), start]
        number = {node: new for new, node in enumerate(order)}
        return Graph(
            arcs=tuple(
                tuple(arc._replace(target=number[arc.target]) for arc in self._arcs(node))
                for node in order
            ),
            ends=tuple(
                tuple(each for each in self._content[node] if isinstance(each, End))
                for node in order
            ),
            roots=tuple(number[root] for root in roots),
        )

    def _arcs(self, node: int) -> list[Arc]:
        return [each for each in self._content[node] if isinstance(each, Arc)]

    def _node(self, content: Iterable[Arc | End | _Put]) -> int:
        ordered = tuple(dict.fromkeys(content))
        node = self._nodes.setdefault(frozenset(ordered), len(self._content))
        if node == len(self._content):
            self._content.append(ordered)
            if node > MOST_NODES:
                raise Unsayable(f"makes a graph of over {MOST_NODES} places")
        return node

    def _either(self, nodes: Iterable[int]) -> int:
        """The node from which all can follow that follows from any of these."""
        several = list(dict.fromkeys(nodes))
        if len(several) == 1:
            return several[0]
        return self._node(each for node in several for each in self._content[node])

    def _before(self, tree: Expression, rest: int) -> int:
        """The node of ``tree`` with ``rest`` after it."""
        key = (id(tree), rest, _ALL)
        if key not in self._known:
            self._known[key] = self._added(tree, rest)
        return self._known[key]

    def _added(self, tree: Expression, rest: int) -> int:
        match tree:
            case TextChunk():
                return self._text(tree.original_text, rest)
            case ListReference():
                return self._list(tree, rest)
            case RuleReference():
                return self._rule(tree.rule_name, rest)
            case Alternative():
                return self._either([self._before(item, rest) for item in tree.items])
            case Permutation():
                return self._any_order(tree, frozenset(range(len(tree.items))), rest)
            case Group():
                for item in reversed(tree.items):
                    rest = self._before(item, rest)
                return rest
        raise Unsayable(f"has a {type(tree).__name__}, which cannot be said")

    def _text(self, text: str, rest: int) -> int:
        if odd := _NO_WORD.search(text):
            raise Unsayable(f"has {odd.group()!r}; write words only, numbers in words too")
        if text != text.lower():
            raise Unsayable(f"has {text.strip()!r}; write it in small letters")
        for word in reversed(text.split()):
            content = self._content[rest]
            puts = [each for each in content if isinstance(each, _Put)]
            others = [each for each in content if not isinstance(each, _Put)]
            arcs = [Arc(word, each.target, (each.put,)) for each in puts]
            if others:
                arcs.append(Arc(word, self._node(others) if puts else rest))
            rest = self._node(arcs)
        return rest

    def _list(self, tree: ListReference, rest: int) -> int:
        name, slot = tree.list_name, tree.slot_name
        if tree.is_capture or tree.is_inline_range:
            raise Unsayable(f"has {name!r} in braces, which is no list")
        if any(isinstance(each, _Put) for each in self._content[rest]):
            raise Unsayable(f"holds the list {name!r}, and is a value of a list")
        if self._lists is None:
            return self._node([Arc(f"{{{name}}}", rest, ((slot, name),))])
        if name not in self._lists:
            raise Unsayable(f"names the list {name!r}; there is none")
        key = (f"{name}:{slot}", rest, _ALL)
        if key not in self._known:
            self._known[key] = self._either(
                self._before(self._tree(say), self._node([_Put((slot, means), rest)]))
                for say, means in self._lists[name]
            )
        return self._known[key]

    def _rule(self, name: str, rest: int) -> int:
        if name not in self._rules:
            known = ", ".join(sorted(self._rules)) or "none"
            raise Unsayable(f"names the rule {name!r}; there are {known}")
        if name in self._within:
            raise Unsayable(f"names the rule {name!r}, which leads back to itself")
        self._within.append(name)
        node = self._before(self._tree(self._rules[name]), rest)
        self._within.pop()
        return node

    def _any_order(self, tree: Permutation, left: frozenset[int], rest: int) -> int:
        """The node before the items ``left`` of ``tree`` in any order."""
        if len(left) > _MOST_IN_ANY_ORDER:
            raise Unsayable(f"has over {_MOST_IN_ANY_ORDER} parts that can come in any order")
        if not left:
            return rest
        key = (id(tree), rest, left)
        if key not in self._known:
            self._known[key] = self._either(
                self._before(tree.items[each], self._any_order(tree, left - {each}, rest))
                for each in left
            )
        return self._known[key]
