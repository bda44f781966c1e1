"""Templates of sentences become a graph (:mod:`.graph`). They are parsed by ``hassil``;
nothing else knows what its trees look like.

A graph is built from the ends of the sentences to their beginning: places from which
the same can follow are one node, so numbers are there once however many sentences end
in them. It has words on its arcs and no empty ones.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache, lru_cache
from itertools import islice, permutations
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

from assistant.words.graph import DOUBT, QUANTITY, THEN, Arc, End, Graph, Put, Way

MOST_FORMS = 1000
"""Ways to say one template, its lists apart: check-words writes them all out."""

MOST_NODES = 100_000
"""Of one graph; a step has some hundreds."""

MOST_IN_ANY_ORDER = 6


class Unsayable(ValueError):
    """A template that the graph cannot hold, with the reason."""


Lists = Mapping[str, Sequence[tuple[str, str | int | float]]]
"""The values of each ``{list}``: a template without lists, and the value."""


class Answer(NamedTuple):
    """One way to answer a step: what it is, and its templates.

    ``series`` names those of a plural ("pluggers nine, twelve"): it can be begun with
    such a name, and goes on bare after an answer of the same series. A template of
    ``bare`` is said only there. It answers ``steps`` stages at once.
    """

    end: End
    templates: tuple[str, ...]
    series: str = ""
    bare: tuple[str, ...] = ()
    steps: int = 1


class Stage(NamedTuple):
    """A step that an answer in the same sentence may follow, and the lists as they are
    there. One that ``passes`` is answered already: the sentence may go past it."""

    answers: tuple[Answer, ...]
    lists: Lists
    passes: bool = False


def compile_graph(
    sentences: Iterable[tuple[End, Iterable[str]]],
    rules: Mapping[str, str],
    lists: Lists | None = None,
    stages: Sequence[Stage] = (),
) -> Graph:
    """The graph of the templates of each intent.

    Args:
        sentences: templates with what they mean; one intent may come several times.
        rules: the templates that ``<rules>`` stand for.
        lists: the values of each ``{list}``: a template without lists, and the value.
            Without it lists are left open, as words in braces.
        stages: the answers that one sentence can hold, the first step's first.

    Raises:
        Unsayable: a template is malformed, names what there is not, can be said without
            a word, or means what words on arcs cannot hold.
    """
    builder = _Builder(rules, lists)
    roots = [builder.root(t, end) for end, said in sentences for t in said]
    return builder.graph(roots + builder.chained(stages))


def ways(template: str, rules: Mapping[str, str] | None = None) -> tuple[Way, ...]:
    """Every way to say a template, none twice; lists are left open.

    Raises:
        Unsayable: see :func:`compile_graph`; or in too many ways.
    """
    return _ways(template, tuple((rules or {}).items()))


@lru_cache(maxsize=4096)
def _ways(template: str, rules: tuple[tuple[str, str], ...]) -> tuple[Way, ...]:
    graph = compile_graph([(End(""), (template,))], dict(rules))
    found = tuple(islice(graph.ways(graph.start), MOST_FORMS + 1))
    if len(found) > MOST_FORMS:
        raise Unsayable(f"{template!r} can be said in over {MOST_FORMS} ways; leave some out")
    return tuple(dict.fromkeys(found))


_TOO_DEEP = "is no sentence template: it is nested too deep, or a rule leads back to itself"
_GLUED = re.compile(r"[^\s(\[|;][(\[{<]|[)\]}>][^\s)\]|;]")
_NO_WORD = re.compile(r"[^\w\s']|[\d_]")


@cache  # the builder knows trees by their ids, so they stay
def _parsed(template: str) -> Expression:
    try:
        tree = parse_sentence(template).expression
    except ParseError as bad:
        raise Unsayable(f"is no sentence template: {bad}") from None
    if glued := _GLUED.search(template):
        raise Unsayable(f"needs a space within {glued.group()!r}")
    return tree


@cache
def _words(text: str) -> list[str]:
    if odd := _NO_WORD.search(text):
        raise Unsayable(f"has {odd.group()!r}; write words only, numbers in words too")
    if text != text.lower():
        raise Unsayable(f"has {text.strip()!r}; write it in small letters")
    return text.split()


class _Put(NamedTuple):
    """Stands among arcs while a list's value is built: the word before puts this."""

    put: Put
    target: int


class _Builder:
    """Builds nodes from the end of the sentences to their beginning."""

    def __init__(
        self,
        rules: Mapping[str, str],
        lists: Lists | None,
    ) -> None:
        self._rules = rules
        self._lists = lists
        self._content: list[tuple[Arc | End | _Put, ...]] = []
        self._nodes: dict[frozenset[Arc | End | _Put], int] = {}
        self._known: dict[tuple[int, int], int] = {}

    def root(self, template: str, end: End) -> int:
        """The node where a template begins."""
        return self._begin(template, self._node((end,)))

    def _begin(self, template: str, rest: int) -> int:
        try:
            node = self._before(_parsed(template), rest)
        except Unsayable as bad:
            raise Unsayable(f"{template!r} {bad}") from None
        except RecursionError:
            raise Unsayable(f"{template!r} {_TOO_DEEP}") from None
        if any(isinstance(one, End) for one in self._content[node]):
            raise Unsayable(f"{template!r} could be said without a word")
        return node

    def chained(self, stages: Sequence[Stage]) -> list[int]:
        """The nodes where sentences of several answers begin, from the last stage back."""
        named: list[list[int]] = [[] for _ in range(len(stages) + 1)]
        series: dict[str, list[int]] = {}
        for number, stage in reversed(list(enumerate(stages))):
            self._lists, self._known = stage.lists, {}
            begun: dict[str, list[int]] = {}
            for end, templates, plural, bare, steps in stage.answers:
                follow = named[min(number + steps, len(stages))]
                rest = self._then(end, follow, plural, series.get(plural, []))
                named[number] += [self._begin(one, rest) for one in templates]
                begun.setdefault(plural, []).extend(self._begin(one, rest) for one in bare)
            series = begun
            if stage.passes:
                named[number] += named[number + 1]
        return named[0]

    def _then(self, end: End, follow: list[int], plural: str, bare: list[int]) -> int:
        """Here the sentence ends as ``end``, or another answer follows."""
        doubt: tuple[Put, ...] = ((DOUBT, end.doubt),) if end.doubt else ()
        mark: tuple[Put, ...] = ((THEN, end.intent), *doubt)
        marks = ((mark, follow), ((*mark, (QUANTITY, plural)), bare))
        found: list[Arc | End | _Put] = [end]
        for puts, nodes in marks:
            for one in dict.fromkeys(one for node in nodes for one in self._content[node]):
                assert isinstance(one, Arc), "an answer cannot be without a word"
                found.append(one._replace(puts=puts + one.puts))
        return self._node(found)

    def graph(self, roots: list[int]) -> Graph:
        """What can be reached from these nodes, and a start before all of them."""
        start = self._either(roots)
        number: dict[int, int] = {}
        arcs: list[tuple[Arc, ...]] = []

        def place(node: int) -> int:
            if node not in number:
                of = [each for each in self._content[node] if isinstance(each, Arc)]
                placed = tuple(arc._replace(target=place(arc.target)) for arc in of)
                number[node] = len(arcs)
                arcs.append(placed)
            return number[node]

        placed = tuple(place(root) for root in roots)
        start = place(start)
        ends = [[e for e in self._content[node] if isinstance(e, End)] for node in number]
        return Graph(start, placed, tuple(arcs), tuple(map(tuple, ends)))

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
        key = id(tree), rest
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
                if tree.rule_name not in self._rules:
                    known = ", ".join(sorted(self._rules)) or "none"
                    raise Unsayable(f"names the rule {tree.rule_name!r}; there are {known}")
                return self._before(_parsed(self._rules[tree.rule_name]), rest)
            case Alternative():
                return self._either(self._before(item, rest) for item in tree.items)
            case Permutation():
                if len(tree.items) > MOST_IN_ANY_ORDER:
                    raise Unsayable(f"has over {MOST_IN_ANY_ORDER} parts in any order")
                return self._either(self._in_turn(i, rest) for i in permutations(tree.items))
            case Group():
                return self._in_turn(tree.items, rest)
        raise Unsayable(f"has a {type(tree).__name__}, which cannot be said")

    def _in_turn(self, items: Sequence[Expression], rest: int) -> int:
        for item in reversed(items):
            rest = self._before(item, rest)
        return rest

    def _text(self, text: str, rest: int) -> int:
        for word in reversed(_words(text)):
            content = self._content[rest]
            arcs = [Arc(word, e.target, (e.put,)) for e in content if isinstance(e, _Put)]
            if others := [each for each in content if not isinstance(each, _Put)]:
                arcs.append(Arc(word, self._node(others) if arcs else rest))
            rest = self._node(arcs)
        return rest

    def _list(self, tree: ListReference, rest: int) -> int:
        name, slot = tree.list_name, tree.slot_name
        if self._lists is None and not tree.is_capture:
            return self._node([Arc(f"{{{name}}}", rest, ((slot, name),))])
        if self._lists is None or name not in self._lists or tree.is_capture:
            raise Unsayable(f"names the list {name!r}; there is none")
        return self._either(
            self._before(_parsed(say), self._node([_Put((slot, means), rest)]))
            for say, means in self._lists[name]
        )
