"""The files of a language as they are read: phrases and pronunciations."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

from hassil.expression import (
    Alternative,
    Expression,
    Group,
    ListReference,
    Permutation,
    RuleReference,
)
from hassil.parse_expression import parse_sentence
from hassil.parser import ParseError
from pydantic import BaseModel, ConfigDict, Field, model_validator

from assistant.errors import InputFileError
from assistant.files.yamlfile import read_text
from assistant.protocol.coherence import misfit
from assistant.words.soundalike import PHONES


class Strict(BaseModel):
    """Base: immutable, nothing unknown let in."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Listed(Strict):
    """One value of a list: a template of its words, and what they mean."""

    say: str = Field(min_length=1)
    means: str | int | float


class Sentences(Strict):
    """Templates of one meaning; with ``doubt`` the value is always confirmed."""

    sentences: tuple[str, ...] = Field(min_length=1)
    doubt: str | None = None


class Urgent(Strict):
    """Words that are heard even while the assistant is speaking, each with the
    threshold of the keyword spotter."""

    always: dict[str, float] = Field(min_length=1)
    in_timer: dict[str, float] = {}


class Attention(Strict):
    """The word that makes what follows meant for the assistant, in a room where
    others talk, and the threshold at which the keyword spotter hears it.

    The spotter decides only where the recogniser is in doubt. "Logbook" before six
    phrases, six synthetic voices (36): at 1e-22, 1e-30, 1e-40 it is spotted in 28, 31,
    36 in quiet and in 14, 25, 34 in white noise 20 dB down; in 90 sentences of talk
    without it 0, 1, 10 times. The limit was chosen on these same figures.
    """

    word: str = Field(min_length=1)
    threshold: float


class AcceptedAlike(Strict):
    """Pairs of phrases that sound alike and are kept, with the reason.

    A pair covers every two sentences that differ in just these words.
    """

    pairs: tuple[tuple[str, str], ...] = Field(min_length=1)
    because: str = Field(min_length=10)


class Phrases(Strict):
    """A whole ``phrases.yaml``; ``hint`` shows a recogniser that writes freely how
    phrases are to be written."""

    language: str
    rules: dict[str, str]
    lists: dict[str, tuple[Listed, ...]]
    values: dict[str, tuple[Sentences, ...]]
    correction: tuple[str, ...]
    options: dict[str, tuple[str, ...]]
    commands: dict[str, tuple[str, ...]]
    skip: tuple[str, ...]
    switch: tuple[str, ...]
    to_finish: tuple[str, ...]
    who: dict[str, tuple[str, ...]]
    urgent: Urgent
    attention: Attention
    accepted_alike: tuple[AcceptedAlike, ...] = ()
    hint: str = ""

    @model_validator(mode="after")
    def _can_be_compiled(self) -> Phrases:
        if "no" not in self.options:
            raise misfit(("options",), "'no' is missing; it is how a question is refused")
        lists, rules = {*self.lists, *COUNTED}, set(self.rules)
        for at, template in _templates(self):
            try:
                named = tuple(_named(parse_sentence(template).expression))
            except (ParseError, RecursionError) as bad:
                raise misfit(at, f"{template!r} is no sentence template: {bad}") from None
            if forms(template) > MOST_FORMS:
                raise misfit(at, f"{template!r} can be said in over {MOST_FORMS} ways")
            for one in named:
                rule = isinstance(one, RuleReference)
                name = one.rule_name if isinstance(one, RuleReference) else one.list_name
                if name not in (rules if rule else lists):
                    kind = "rule" if rule else "list"
                    raise misfit(at, f"{template!r} names the {kind} {name!r}; there is none")
        return self


MOST_FORMS = 1000
"""Ways to say one template. Those of a list are written out for some recognisers, and
to look a phrase up takes as long as there are ways in the worst case."""

COUNTED = frozenset({"whole", "whole_any", "tenth", "size", "tooth"})
"""Lists that the grammar makes itself, of numbers."""


def forms(template: str) -> int:
    """In how many ways a template can be said."""
    return _forms(parse_sentence(template).expression)


def _forms(node: Expression) -> int:
    if not isinstance(node, Group):
        return 1
    inner = [_forms(item) for item in node.items]
    if isinstance(node, Alternative):
        return sum(inner)
    return math.prod(inner) * (
        math.factorial(len(inner)) if isinstance(node, Permutation) else 1
    )


def _templates(phrases: Phrases) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every template with its place in the file."""
    for name, body in phrases.rules.items():
        yield ("rules", name), body
    for name, items in phrases.lists.items():
        for i, item in enumerate(items):
            yield ("lists", name, i, "say"), item.say
    for kind, groups in phrases.values.items():
        for i, group in enumerate(groups):
            for j, template in enumerate(group.sentences):
                yield ("values", kind, i, "sentences", j), template
    for field in ("options", "commands", "who"):
        for name, templates in getattr(phrases, field).items():
            for i, template in enumerate(templates):
                yield (field, name, i), template
    for field in ("correction", "skip", "switch", "to_finish"):
        for i, template in enumerate(getattr(phrases, field)):
            yield (field, i), template


def _named(node: Expression) -> Iterator[ListReference | RuleReference]:
    """The lists and rules that a template names."""
    if isinstance(node, ListReference | RuleReference):
        yield node
    elif isinstance(node, Group):
        for item in node.items:
            yield from _named(item)


def read_lexicon(path: Path) -> dict[str, tuple[str, ...]]:
    """A pronouncing dictionary in CMU form, ``word  P H O N E S``; ``#`` comments.

    Several lines for one word are alternatives.

    Raises:
        InputFileError: a line without a pronunciation, or with an unknown phone.
    """
    lexicon: dict[str, tuple[str, ...]] = {}
    for index, line in enumerate(read_text(path).splitlines(), 1):
        word, *phones = line.split("#")[0].split() or [""]
        if not word:
            continue
        if not phones:
            raise InputFileError(f"{path} line {index}: {word!r} has no phones; add them.")
        if unknown := [phone for phone in phones if phone not in PHONES]:
            raise InputFileError(
                f"{path} line {index}: {unknown[0]!r} in {word!r} is no CMU phone; without "
                f"stress marks they are {' '.join(sorted(PHONES))}."
            )
        lexicon[word] = (*lexicon.get(word, ()), " ".join(phones))
    return lexicon


def plain_phrase(template: str) -> str:
    """The shortest phrase of a template: without what is in brackets."""
    return " ".join(re.sub(r"\[[^\]]*\]", " ", template).split())
