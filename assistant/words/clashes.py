"""Which phrases that can be said at the same moment sound too alike.

For each step of a protocol: every sentence with a fixed wording, every value as
it is said, and the values of each list, each with its meaning. Sentences with
several numbers are not multiplied out; their numbers are compared list by list.
Two phrases are compared by the words in which they differ, since what they
share cannot tell them apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from math import prod
from typing import NamedTuple

from assistant.progress.state import KIND_OF
from assistant.protocol.model import Protocol, Step
from assistant.words.expected import wanted_at
from assistant.words.grammar import Grammar, Language, Wanted
from assistant.words.graph import Way
from assistant.words.phrases import AcceptedAlike
from assistant.words.soundalike import distances, phones_of
from assistant.words.templates import ways

ALIKE = 0.285
"""Phrases of different meaning must be at least this far apart.

Known-bad pairs: "thirteen"/"thirty" to "nineteen"/"ninety", all 7 at 0.25 or
less. Known-good pairs: the 26 words of the radio spelling alphabet (ICAO), which
were chosen to be told apart: all 325 at 0.32 or more. The limit is midway. Not
used for that: of the letter names D/T, B/D, P/T, B/P, M/N and F/S all 6 are
under it; "five"/"nine" (0.67) is not.
"""

MAX_PRODUCT = 100
"""A sentence is multiplied out up to this many combinations of its lists' values."""

# Spaces: whole utterances; the values a step takes, one form each; the values a
# correction can have, without its lead; and each list by its name.
_FULL, _VALUES, _CORRECTIONS = "", "values", "corrections"


class Said(NamedTuple):
    """A phrase and what it means; two are rivals within one ``space`` only.

    ``part`` is "value" for a dictated value (compared among themselves in a
    space of their own), "lead" where more must follow ("correction").
    """

    text: str
    meaning: str
    space: str = _FULL
    part: str = ""


@dataclass(frozen=True)
class Pair:
    """Two phrases that can be said at the same moment.

    Attributes:
        distance: 0 sounds the same, 1 nothing in common.
        steps: "protocol step" of every step where both can be said.
        accepted: why the pair is kept, or None.
    """

    one: Said
    other: Said
    distance: float
    steps: tuple[str, ...]
    accepted: str | None = None


@dataclass(frozen=True)
class Findings:
    """What was found in the words of some protocols.

    Attributes:
        alike: pairs that are too alike and not accepted, nearest first.
        accepted: pairs that are too alike and accepted.
        beginnings: pairs of which the second begins with the first.
        unused: accepted pairs that nothing needs.
        own: phrases that are there because of a practice's own words.
        phrases, steps: how many were looked at.
    """

    alike: tuple[Pair, ...]
    accepted: tuple[Pair, ...]
    beginnings: tuple[Pair, ...]
    unused: tuple[tuple[str, str], ...]
    own: frozenset[Said]
    phrases: int
    steps: int


def spoken_at(language: Language, protocols: Iterable[Protocol]) -> dict[Said, list[str]]:
    """Every phrase of the protocols, with the steps at which it can be said."""
    found: dict[Said, list[str]] = {}
    cache: dict[Wanted, list[Said]] = {}
    for protocol in protocols:
        for step, wanted in _moments(language, protocol):
            if wanted not in cache:
                cache[wanted] = list(dict.fromkeys(_spoken(Grammar(language, wanted))))
            for said in cache[wanted]:
                found.setdefault(said, []).append(f"{protocol.id} {step.id}")
    return found


def find_clashes(
    spoken: Mapping[Said, Sequence[str]],
    shipped: Iterable[Said],
    pronounced: Mapping[str, tuple[str, ...]],
    accepted: Sequence[AcceptedAlike],
) -> Findings:
    """Compare all phrases that can be said at the same moment.

    Args:
        spoken: from :func:`spoken_at`.
        shipped: the phrases there are without a practice's own words.
        pronounced: pronunciations of the words, from ``soundalike.dictionary``;
            phrases with a word that is missing are passed over.
        accepted: pairs that are kept, with the reason.
    """
    words = {word for said in spoken for word in said.text.split()}
    unknown = words - set(pronounced)
    reasons = {frozenset(pair): entry.because for entry in accepted for pair in entry.pairs}
    compare = _Comparison(spoken, reasons)
    rivals = [
        (*sorted(pair, key=lambda said: len(said.text)),) for pair in _rivals(spoken, unknown)
    ]
    differ = [differing(one.text, other.text) for one, other in rivals]
    apart = _apart(differ, pronounced)
    for (one, other), pair in zip(rivals, differ, strict=True):
        compare.add(one, other, pair, apart.get(pair))
    return Findings(
        alike=_sorted(compare.alike),
        accepted=_sorted(compare.accepted),
        beginnings=_sorted(compare.beginnings),
        unused=tuple(
            pair
            for entry in accepted
            for pair in entry.pairs
            if frozenset(pair) not in compare.needed
        ),
        own=frozenset(spoken) - frozenset(shipped),
        phrases=len({said.text for said in spoken}),
        steps=len({step for steps in spoken.values() for step in steps}),
    )


def _sorted(pairs: Mapping[object, Pair]) -> tuple[Pair, ...]:
    return tuple(sorted(pairs.values(), key=lambda p: (p.distance, p.one.text, p.other.text)))


def _rivals(
    spoken: Mapping[Said, Sequence[str]], unknown: set[str]
) -> Iterator[tuple[Said, Said]]:
    """Pairs of different texts and meanings in one space with a step in common; and
    the same whole utterance with two meanings."""
    bits: dict[str, int] = {}
    spaces: dict[str, list[tuple[Said, int]]] = {}
    for said, steps in spoken.items():
        if not unknown & set(said.text.split()):
            mask = sum(1 << bits.setdefault(step, len(bits)) for step in set(steps))
            spaces.setdefault(said.space, []).append((said, mask))
    for space, members in spaces.items():
        for (one, first), (other, second) in combinations(members, 2):
            if not first & second or one.meaning == other.meaning:
                continue
            if one.text == other.text:
                # A bare number corrects the newest entry of any kind.
                if space != _CORRECTIONS and "lead" not in {one.part, other.part}:
                    yield one, other
            elif not (one.part and other.part):
                yield one, other


def _apart(
    pairs: Iterable[tuple[str, str]], pronounced: Mapping[str, tuple[str, ...]]
) -> dict[tuple[str, str], float]:
    """Distances of the pairs of which neither is empty."""
    wanted = [pair for pair in dict.fromkeys(pairs) if all(pair)]
    texts = {text for pair in wanted for text in pair}
    ways = {text: phones_of(text, pronounced) for text in texts}
    found = distances([(ways[one], ways[other]) for one, other in wanted], ALIKE)
    return dict(zip(wanted, found, strict=True))


class _Comparison:
    """Collects pairs; those that differ in the same words are reported once."""

    def __init__(
        self, spoken: Mapping[Said, Sequence[str]], reasons: Mapping[frozenset[str], str]
    ) -> None:
        self._spoken = spoken
        self._reasons = reasons
        self.alike: dict[object, Pair] = {}
        self.accepted: dict[object, Pair] = {}
        self.beginnings: dict[object, Pair] = {}
        self.needed: set[frozenset[str]] = set()

    def add(self, one: Said, other: Said, differ: tuple[str, str], apart: float | None) -> None:
        """Put the pair where it belongs; most belong nowhere.

        ``one`` is the shorter; ``apart`` is None if it only lacks words of the other.
        """
        if one.text == other.text:
            apart = 0.0
        elif apart is None:
            if other.text.startswith(f"{one.text} "):
                self._keep(self.beginnings, (one.text, other.text), one, other, 0.0)
            return
        if apart >= ALIKE:
            return
        key = frozenset(differ) if any(differ) else frozenset({one.text})
        for words in (key, frozenset((one.text, other.text))):
            if words in self._reasons:
                self.needed.add(words)
                self._keep(self.accepted, key, one, other, apart, self._reasons[words])
                return
        self._keep(self.alike, key, one, other, apart)

    def _keep(
        self,
        pairs: dict[object, Pair],
        key: object,
        one: Said,
        other: Said,
        apart: float,
        reason: str | None = None,
    ) -> None:
        """Of pairs that differ in the same words the shortest stands for all."""
        both = set(self._spoken[other])
        steps = tuple(step for step in self._spoken[one] if step in both)
        pair = Pair(one, other, apart, steps, reason)
        if key in pairs:
            known = pairs[key]
            best = min(known, pair, key=lambda p: len(p.one.text) + len(p.other.text))
            pair = replace(best, steps=tuple(dict.fromkeys((*known.steps, *steps))))
        pairs[key] = pair


def differing(one: str, other: str) -> tuple[str, str]:
    """Two phrases without the words they begin with and end in alike.

    One of them is empty if the other only has words more ("dry", "not dry").
    """
    a, b = one.split(), other.split()
    while a and b and a[0] == b[0]:
        a, b = a[1:], b[1:]
    while a and b and a[-1] == b[-1]:
        a, b = a[:-1], b[:-1]
    return " ".join(a), " ".join(b)


def _moments(language: Language, protocol: Protocol) -> Iterator[tuple[Step, Wanted]]:
    """Each step with the most that can be said at it (compare ``expected.wanted_now``)."""
    canals = tuple(dict.fromkeys(str(i.means) for i in language.phrases.lists["canal"]))
    told = tuple(wanted_at(step) for step in protocol.canal if step.told)
    named = False
    asides = tuple(step for finding in protocol.findings for step in finding.steps)
    parts = {"opening": protocol.opening, "canal": (*protocol.canal, *asides)}
    parts["closing"] = protocol.closing
    for part, steps in parts.items():
        # Entries of the case and of a canal are corrected in their own part.
        near = protocol.canal if part == "canal" else (*protocol.opening, *protocol.closing)
        kinds = dict.fromkeys(KIND_OF.get(step.expect.kind, "s") for step in near)
        for step in steps:
            yield (
                step,
                replace(
                    wanted_at(step),
                    corrections=tuple(kind for kind in kinds if kind != "s"),
                    answers=tuple(
                        (one.expect.quantity, one.answers) for one in near if one.answers
                    ),
                    canals=canals if named else (),
                    finish=part == "closing",
                    unasked=told if part == "canal" and step.loop is None else (),
                    findings=tuple(finding.id for finding in protocol.findings),
                    replies=("corrected", "again") if part == "canal" else (),
                ),
            )
            named = named or step.expect.kind == "canals"


def _spoken(grammar: Grammar) -> Iterator[Said]:
    """Everything that can be said with one grammar, as this module looks at it."""
    phrases = grammar.language.phrases
    lead, *other_leads = (way.words for each in phrases.correction for way in ways(each))
    for words in (lead, *other_leads):
        yield Said(" ".join(words), "correction", part="lead")
    for plural in phrases.several.plurals:
        if plural.means in grammar.wanted.names:
            yield from (
                Said(" ".join(way.words), "several", part="lead") for way in ways(plural.say)
            )
    used: dict[str, None] = {}
    compared: set[str] = set()
    for end, templates in grammar.sentences:
        what, _, rest = end.intent.partition(" ")
        for template in templates:
            said = ways(template, phrases.rules)
            used.update(dict.fromkeys(str(name) for way in said for _, name in way.puts))
            if end.doubt:
                continue  # always confirmed
            if what not in {"given", "correction"}:
                # A depth at its end is told apart by itself, as all numbers are.
                said = tuple(way for way in said if "whole_any" not in dict(way.puts).values())
                for text, means in _filled(said, grammar, compared):
                    yield Said(text, _meaning(what, rest, means))
                continue
            if what == "correction":
                # The lead is the same for all; only the values can be mistaken.
                said = tuple(
                    Way(way.words[len(lead) :], way.puts)
                    for way in said
                    if way.words[: len(lead)] == lead
                )
            brief = _brief(said)
            if what == "given":
                for text, means in _filled(brief, grammar, compared):
                    yield Said(text, _value(rest, means), part="value")
            first = {way.puts: way for way in reversed(brief)}
            for text, means in _filled(first.values(), grammar, compared):
                space = _VALUES if what == "given" else _CORRECTIONS
                yield Said(text, _value(rest, means), space)
    for name in used:
        for item in grammar.lists[name] if name not in compared else ():
            for way in ways(item.say):
                meaning = f"{name.replace('_', ' ')} {item.means}"
                yield Said(" ".join(way.words), meaning, name)


def _brief(said: Iterable[Way]) -> list[Way]:
    """The shortest for each way to fill in values, without a name for what is measured
    and without tenths, of which every number has nine."""
    by_values: dict[object, list[Way]] = {}
    for way in said:
        slots = dict(way.puts)
        if "quantity" not in slots and "tenth" not in slots.values():
            by_values.setdefault(way.puts, []).append(way)
    return [
        way
        for same in by_values.values()
        for way in same
        if len(way.words) == min(len(other.words) for other in same)
    ]


Means = tuple[str | int | float, ...]


def _value(kind: str, means: Means) -> str:
    if kind in {"mm", "s"}:
        # Whole and tenths; without tenths the second is missing.
        return f"{sum(float(m) / 10**i for i, m in enumerate(means)):g} {kind}"
    return f"{kind} {' and '.join(map(str, means))}"


def _meaning(what: str, rest: str, means: Means) -> str:
    match what:
        case "option":
            return f'the answer "{rest.replace("_", " ")}"'
        case "command":
            return f'the command "{rest.replace("_", " ")}"'
        case "switch":
            return f"canal {means[0]}"
    return " ".join(filter(None, (what, rest, *map(str, means))))


def _filled(
    said: Iterable[Way], grammar: Grammar, compared: set[str]
) -> Iterator[tuple[str, Means]]:
    """The texts of the ways to say a template with the values of lists in them;
    ``compared`` takes the lists whose values are so compared with each other."""
    for way in said:
        names = [str(name) for _, name in way.puts]
        many = prod(len(grammar.lists[name]) for name in names) > MAX_PRODUCT
        if many or (len(names) > 1 and "reason" in dict(way.puts)):
            continue  # a reason is at the end of what is said, and told apart by itself
        if len(names) == 1:
            compared.update(names)
        for items in product(*(_worded(name, grammar) for name in names)):
            filled = iter(items)
            words = [next(filled)[0] if w.startswith("{") else w for w in way.words]
            yield " ".join(words), tuple(means for _, means in items)


def _worded(name: str, grammar: Grammar) -> list[tuple[str, str | int | float]]:
    return [
        (" ".join(way.words), item.means)
        for item in grammar.lists[name]
        for way in ways(item.say)
    ]
