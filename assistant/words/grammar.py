"""What may be said: grammars/<lang>/phrases.yaml, cut to the present step.

Number words come from ``num2words``.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from num2words import num2words

from assistant.canal.instruments import ISO_SIZES
from assistant.canal.teeth import parse_fdi
from assistant.files.yamlfile import load_yaml
from assistant.words.graph import End, Graph, compile_graph
from assistant.words.own_words import with_own_words
from assistant.words.phrases import Listed, Phrases, read_lexicon


@dataclass(frozen=True)
class Language:
    """The words of one language: phrases and pronunciations.

    ``added`` is the folder of a practice's own words among them, if there are any.
    """

    phrases: Phrases
    lexicon: Mapping[str, tuple[str, ...]]
    folder: Path
    added: Path | None = None


def load_language(folder: Path, added: Path | None = None) -> Language:
    """Read ``phrases.yaml`` and ``lexicon.dict`` of a folder, and a practice's own
    words (:mod:`.own_words`) in ``added``, if given.

    Raises:
        InputFileError: a file is missing or malformed; names file and line.
    """
    phrases = load_yaml(folder / "phrases.yaml", Phrases)
    lexicon = read_lexicon(folder / "lexicon.dict")
    if added is not None:
        phrases, lexicon = with_own_words(phrases, lexicon, added)
    return Language(phrases, lexicon, folder, added)


@dataclass(frozen=True)
class Wanted:
    """What the present step lets be said.

    Attributes:
        kind: kind of value the step takes, or None.
        low, high: range of a length, mm.
        corrections: kinds of values that could be corrected, the kind of the
            newest entry first: a bare number corrects that one.
        options: ids of the options that answer the step.
        canals: the canals that were named; empty before that.
        start: a timed act can be begun now ("heat off" is then not in danger of
            being taken for "heat on" while it runs).
        finish: the closing steps have been reached and can be gone back to.
        attention: the word that every phrase must begin with; empty for none.
    """

    kind: str | None = None
    low: float = 0.0
    high: float = 35.0
    corrections: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    canals: tuple[str, ...] = ()
    start: bool = True
    finish: bool = False
    attention: str = ""


def everything(phrases: Phrases) -> Wanted:
    """All that can be said at any step, to check its words against a model."""
    return Wanted(
        corrections=tuple(phrases.values),
        options=tuple(phrases.options),
        canals=tuple(str(item.means) for item in phrases.lists.get("canal", ())),
        finish=True,
    )


class Grammar:
    """The grammar of one step; a :class:`~assistant.speech.listeners.StepGrammar` that also
    tells what a phrase means.

    Attributes:
        sentences: the templates of all that may be said now, with what they mean.
        lists: the values that the templates' ``{lists}`` stand for now.
    """

    def __init__(self, language: Language, wanted: Wanted) -> None:
        self.language = language
        self.wanted = wanted
        lead = f"{wanted.attention} " if wanted.attention else ""
        self.sentences = tuple(
            (end, tuple(f"{lead}({template})" if lead else template for template in templates))
            for end, templates in _sentences(language.phrases, wanted)
        )
        self.lists = dict(_lists(language.phrases, wanted))

    @cached_property
    def graph(self) -> Graph:
        """The sentences, word by word."""
        lists = {
            name: tuple((item.say, item.means) for item in items)
            for name, items in self.lists.items()
        }
        return compile_graph(self.sentences, self.language.phrases.rules, lists)

    @property
    def lexicon(self) -> Mapping[str, tuple[str, ...]]:
        """Pronunciations for words a model may lack."""
        return self.language.lexicon

    @cached_property
    def key(self) -> str:
        """Equal for equal grammars."""
        return hashlib.sha256(repr(self.graph).encode()).hexdigest()[:16]


def _sentences(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[End, tuple[str, ...]]]:
    """The templates of everything that may be said now, with what they mean."""
    language = phrases.language
    for group in phrases.values.get(wanted.kind or "", ()):
        yield End(f"given {wanted.kind}", group.doubt or ""), group.sentences
    for kind in wanted.corrections:
        for group in phrases.values.get(kind, ()):
            templates = tuple(
                f"({lead}) ({_wide(t)})" for lead in phrases.correction for t in group.sentences
            )
            yield End(f"correction {kind}", group.doubt or ""), templates
    for option in wanted.options:
        # One that a protocol has without a phrase is said by its id.
        words = re.sub(r"\d+", lambda n: f" {number_words(int(n[0]), language)} ", option)
        said = phrases.options.get(option, (words.replace("_", " "),))
        yield End(f"option {option}"), said
    if not {"yes", "no"} <= set(wanted.options):
        # "No" must always reach the program: it is how a question is refused.
        yield End("option no"), phrases.options["no"]
    for verb, templates in phrases.commands.items():
        if verb == "start" and not wanted.start:
            continue
        yield End(f"command {verb}"), templates
    yield End("skip"), phrases.skip
    if wanted.canals:
        yield End("switch"), phrases.switch
    if wanted.finish:
        yield End("switch"), phrases.to_finish
    for who, templates in phrases.who.items():
        yield End(f"who {who}"), templates


def _wide(template: str) -> str:
    """A correction may reach an earlier step, so it takes the full range of numbers."""
    return template.replace("<mm>", "<mm_any>").replace("{whole}", "{whole_any:whole}")


def _lists(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[str, tuple[Listed, ...]]]:
    language = phrases.language
    for name, items in phrases.lists.items():
        if name == "canal":
            kept = tuple(i for i in items if not wanted.canals or i.means in wanted.canals)
            yield name, kept or items
        else:
            yield name, items
    low, high = int(wanted.low), int(wanted.high)
    yield "whole", _numbers(range(low, high + 1), language)
    yield "whole_any", _numbers(range(36), language)
    yield "tenth", _numbers(range(1, 10), language)
    yield "size", (*_numbers(ISO_SIZES, language), *phrases.lists.get("size_also", ()))
    yield "tooth", _teeth(language)


@cache
def _numbers(values: Sequence[int], language: str) -> tuple[Listed, ...]:
    return tuple(Listed(say=number_words(v, language), means=v) for v in values)


_WITHOUT_WORDS = 1e15
"""From here on the float nearest to a number is no longer every whole number."""


def number_words(value: float, language: str) -> str:
    """A number as it is said, lower case without hyphens: 21.5 "twenty one point five".

    A typed line may hold a number that has no words; it stays in digits, is no phrase and
    is asked about.
    """
    if not abs(value) < _WITHOUT_WORDS:
        return f"{value}"
    return str(num2words(value, lang=language)).replace("-", " ").lower()


@cache
def _teeth(language: str) -> tuple[Listed, ...]:
    """The permanent teeth, digit by digit ("two four") and as a number ("twenty four")."""
    teeth = [
        parse_fdi(10 * quadrant + place).fdi
        for quadrant in range(1, 5)
        for place in range(1, 9)
    ]
    return tuple(
        Listed(say=" ".join(number_words(part, language) for part in parts), means=fdi)
        for fdi in teeth
        for parts in ((fdi,), divmod(fdi, 10))
    )
