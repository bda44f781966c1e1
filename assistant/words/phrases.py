"""The files of a language as they are read: phrases and pronunciations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from assistant.errors import InputFileError
from assistant.files.shipped import PACKAGE
from assistant.files.yamlfile import read_text
from assistant.protocol.coherence import misfit
from assistant.words.graph import Way
from assistant.words.soundalike import PHONES
from assistant.words.templates import Unsayable, ways


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


class UrgentWords(Strict):
    """Single words that are heard even while the assistant is speaking."""

    always: frozenset[str] = Field(min_length=1)
    in_timer: frozenset[str] = frozenset()


class AttentionWord(Strict):
    """The word that makes what follows meant for the assistant, in a room where
    others talk. It is looked for by itself where the recogniser is in doubt."""

    word: str = Field(min_length=1)


class AcceptedAlike(Strict):
    """Pairs of phrases that sound alike and are kept, with the reason.

    A pair covers every two sentences that differ in just these words.
    """

    pairs: tuple[tuple[str, str], ...] = Field(min_length=1)
    because: str = Field(min_length=10)


class Plural(Strict):
    """A name of several measurements ("pluggers"), and the one that each of them has."""

    say: str = Field(min_length=1)
    means: str


class Several(Strict):
    """How one sentence answers several steps.

    Attributes:
        joined: what may stand between two answers.
        named: by kind, the templates of a value that says what it is, so that it can
            follow another. ``{name}`` is limited to the names of the step.
        names: those names, by quantity.
        plurals: after one of these the values of a series follow bare, as in ``bare``.
        counted: the same reading several times.
        planned: a value that is the planned one, by its name.
        all_yes: "yes" to all the questions of one phase that follow one another.
        answers: options by a name of their own, by quantity and option.
    """

    joined: str
    named: dict[str, tuple[str, ...]]
    names: tuple[Listed, ...]
    plurals: tuple[Plural, ...]
    bare: dict[str, tuple[Sentences, ...]]
    counted: tuple[str, ...]
    planned: tuple[str, ...]
    all_yes: tuple[str, ...]
    answers: dict[str, dict[str, tuple[str, ...]]]


class Corrections(Strict):
    """What a correction can name beside a value.

    Attributes:
        numbered: a value of the cycle, increment or reading of that number.
        counted: what has numbers, by quantity; ``{numbered}``.
        answers: what a question is called whose answer is corrected, by quantity.
        alone: the quantities whose answers need no name.
    """

    numbered: tuple[Sentences, ...]
    counted: tuple[Listed, ...]
    answers: tuple[Listed, ...]
    alone: frozenset[str]


class Phrases(Strict):
    """A whole ``phrases.yaml``."""

    language: str
    rules: dict[str, str]
    lists: dict[str, tuple[Listed, ...]]
    values: dict[str, tuple[Sentences, ...]]
    several: Several
    unasked: dict[str, tuple[str, ...]] = {}
    """By kind, the templates of a value that nobody asked for; ``{name}`` is its name."""
    planned: tuple[str, ...]
    correction: tuple[str, ...]
    corrections: Corrections
    options: dict[str, tuple[str, ...]]
    commands: dict[str, tuple[str, ...]]
    skip: tuple[str, ...]
    switch: tuple[str, ...]
    to_finish: tuple[str, ...]
    change: dict[str, tuple[str, ...]]
    finding: tuple[str, ...]
    who: dict[str, tuple[str, ...]]
    takeover: dict[str, tuple[str, ...]]
    visit: tuple[str, ...]
    conditions: dict[str, tuple[Listed, ...]]
    typed: dict[str, tuple[str, ...]]
    urgent: UrgentWords
    attention: AttentionWord
    accepted_alike: tuple[AcceptedAlike, ...] = ()

    @model_validator(mode="after")
    def _can_be_compiled(self) -> Phrases:
        if "no" not in self.options:
            raise misfit(("options",), "'no' is missing; it is how a question is refused")
        rules = ((("rules", name), body) for name, body in self.rules.items())
        word = (("attention", "word"), self.attention.word)
        told = (
            (("unasked", kind, i), one)
            for kind, said in self.unasked.items()
            for i, one in enumerate(said)
        )
        every = (
            *rules,
            *templates(self),
            *_of_several(self.several),
            *told,
            *_of_corrections(self.corrections),
            word,
        )
        for at, template in every:
            said = ways_at(at, template, self.rules)
            for name in dict.fromkeys(name for way in said for _, name in way.puts):
                if name not in self.lists and name not in COUNTED:
                    raise misfit(at, f"{template!r} names the list {name!r}; there is none")
                if at[0] == "lists":
                    raise misfit(at, f"{template!r} holds a list, and is a value of one")
        return self


COUNTED = frozenset(
    {
        "any_canal",
        "whole",
        "whole_any",
        "tenth",
        "size",
        "tooth",
        "times",
        "name",
        "nth",
        "numbered",
    }
)
"""Lists that the grammar makes itself, of numbers and of a step's names."""


def _of_several(several: Several) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """The templates of sentences of several answers, with their places."""
    yield ("several", "joined"), several.joined
    for kind, said in several.named.items():
        yield from ((("several", "named", kind, i), one) for i, one in enumerate(said))
    for field in ("names", "plurals"):
        for i, item in enumerate(getattr(several, field)):
            yield ("several", field, i, "say"), item.say
    for kind, groups in several.bare.items():
        for i, group in enumerate(groups):
            for j, one in enumerate(group.sentences):
                yield ("several", "bare", kind, i, "sentences", j), one
    for field in ("counted", "planned", "all_yes"):
        for i, one in enumerate(getattr(several, field)):
            yield ("several", field, i), one
    for quantity, options in several.answers.items():
        for option, said in options.items():
            for i, one in enumerate(said):
                yield ("several", "answers", quantity, option, i), one


def _of_corrections(found: Corrections) -> Iterator[tuple[tuple[str | int, ...], str]]:
    for i, group in enumerate(found.numbered):
        for j, one in enumerate(group.sentences):
            yield ("corrections", "numbered", i, "sentences", j), one
    for field in ("counted", "answers"):
        for i, item in enumerate(getattr(found, field)):
            yield ("corrections", field, i, "say"), item.say


def ways_at(
    at: tuple[str | int, ...], template: str, rules: Mapping[str, str]
) -> tuple[Way, ...]:
    """Every way to say a template that stands at a place of a file.

    Raises:
        PydanticCustomError: the graph cannot hold it.
    """
    try:
        return ways(template, rules)
    except Unsayable as bad:
        raise misfit(at, str(bad)) from None


def templates(phrases: Any) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every template of a ``phrases.yaml``, a practice's own too, with its place."""
    for name, items in phrases.lists.items():
        for i, item in enumerate(items):
            yield ("lists", name, i, "say"), item.say
    for kind, groups in phrases.values.items():
        for i, group in enumerate(groups):
            for j, template in enumerate(group.sentences):
                yield ("values", kind, i, "sentences", j), template
    for field in ("options", "commands", "who", "takeover", "change"):
        for name, said in getattr(phrases, field, {}).items():
            for i, template in enumerate(said):
                yield (field, name, i), template
    for name, items in getattr(phrases, "conditions", {}).items():
        for i, item in enumerate(items):
            yield ("conditions", name, i, "say"), item.say
    for field in ("planned", "correction", "skip", "switch", "to_finish", "visit", "finding"):
        for i, template in enumerate(getattr(phrases, field, ())):
            yield (field, i), template


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


def pronunciations(lexicon: Mapping[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """How words are said: as the ears know them, and after that as ``lexicon`` has them."""
    known = _of_the_ears()
    return known | {
        word: tuple(dict.fromkeys((*known.get(word, ()), *ways)))
        for word, ways in lexicon.items()
    }


@cache
def _of_the_ears() -> dict[str, tuple[str, ...]]:
    return read_lexicon(PACKAGE / "ears" / "pronunciations.dict")


def plain_phrase(template: str) -> str:
    """The shortest phrase of a template without lists."""
    return min(
        (" ".join(way.words) for way in ways(template)), key=lambda said: said.count(" ")
    )
