"""What may be said: grammars/<lang>/phrases.yaml, cut to the present step.

One source feeds three uses: the JSGF that pocketsphinx decodes with, the phrase
list that restricts vosk, and the meaning of a phrase (by ``hassil``, which
parses the templates). Number words come from ``num2words``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from hassil import Intents
from hassil.expression import (
    Alternative,
    Expression,
    Group,
    ListReference,
    RuleReference,
    TextChunk,
)
from hassil.parse_expression import parse_sentence
from hassil.sample import sample_expression
from num2words import num2words

from assistant.canal.instruments import ISO_SIZES
from assistant.canal.teeth import parse_fdi
from assistant.files.yamlfile import load_yaml
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
    tells what a phrase means (``intents``, for hassil).

    Attributes:
        sentences: (intent name, templates, metadata) of all that may be said now.
        lists: the values that the templates' ``{lists}`` stand for now.
        rules: the templates that ``<rules>`` stand for, parsed.
    """

    def __init__(self, language: Language, wanted: Wanted) -> None:
        self.language = language
        self.wanted = wanted
        phrases = language.phrases
        said = _sentences(phrases, wanted)
        if wanted.attention:
            said = _after(wanted.attention, said)
        self.sentences = tuple(said)
        self.lists = dict(_lists(phrases, wanted))
        self.rules = {name: parse_sentence(body) for name, body in phrases.rules.items()}

    @cached_property
    def expressions(self) -> tuple[Expression, ...]:
        """The templates, parsed."""
        return tuple(
            parse_sentence(template).expression
            for _, templates, _ in self.sentences
            for template in templates
        )

    @cached_property
    def intents(self) -> Intents:
        """The compiled templates, ready for ``hassil.recognize_all``."""
        data: dict[str, Any] = {}
        for name, templates, metadata in self.sentences:
            block = {"sentences": list(templates), "metadata": metadata}
            data.setdefault(name, {"data": []})["data"].append(block)
        lists = {
            name: {"values": [{"in": item.say, "out": item.means} for item in items]}
            for name, items in self.lists.items()
        }
        return Intents.from_dict(
            {
                "language": self.language.phrases.language,
                "intents": data,
                "lists": lists,
                "expansion_rules": dict(self.language.phrases.rules),
            }
        )

    @cached_property
    def jsgf(self) -> str:
        """The same grammar in JSGF 1.0, one public rule ``<phrase>``."""
        bodies = [_jsgf(expression) for expression in self.expressions]
        lines = ["#JSGF V1.0;", "grammar step;", f"public <phrase> = {' | '.join(bodies)};"]
        lines += [f"<{name}> = {_jsgf(rule.expression)};" for name, rule in self.rules.items()]
        for name, items in self.lists.items():
            words = [_jsgf(parse_sentence(item.say).expression) for item in items]
            lines.append(f"<list_{name}> = {' | '.join(words)};")
        return "\n".join(lines) + "\n"

    @cached_property
    def phrases(self) -> tuple[str, ...]:
        """Pieces for recognisers that take a phrase list: every list value and
        every run of fixed words between lists."""
        pieces: set[str] = set()
        for items in self.lists.values():
            for item in items:
                pieces |= _spoken(item.say)
        rules = [rule.expression for rule in self.rules.values()]
        for expression in (*self.expressions, *rules):
            pieces |= set(_runs(expression))
        return tuple(sorted(pieces))

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word of the grammar."""
        return frozenset(word for phrase in self.phrases for word in phrase.split())

    @property
    def lexicon(self) -> Mapping[str, tuple[str, ...]]:
        """Pronunciations for words a model may lack."""
        return self.language.lexicon

    @cached_property
    def key(self) -> str:
        """Equal for equal grammars."""
        return hashlib.sha256(self.jsgf.encode()).hexdigest()[:16]


Metadata = dict[str, str]


def _sentences(
    phrases: Phrases, wanted: Wanted
) -> Iterator[tuple[str, tuple[str, ...], Metadata]]:
    """(intent name, templates, metadata) of everything that may be said now."""
    if wanted.kind is not None:
        for group in phrases.values.get(wanted.kind, ()):
            doubt = {"doubt": group.doubt} if group.doubt else {}
            yield f"given {wanted.kind}", group.sentences, doubt
    for kind in wanted.corrections:
        for group in phrases.values.get(kind, ()):
            doubt = {"doubt": group.doubt} if group.doubt else {}
            templates = tuple(
                f"{lead} {_wide(t)}" for lead in phrases.correction for t in group.sentences
            )
            yield f"correction {kind}", templates, doubt
    for option in wanted.options:
        yield f"option {option}", phrases.options.get(option, (option.replace("_", " "),)), {}
    if not {"yes", "no"} <= set(wanted.options):
        # "No" must always reach the program: it is how a question is refused.
        yield "option no", phrases.options["no"], {}
    for verb, templates in phrases.commands.items():
        if verb == "start" and not wanted.start:
            continue
        yield f"command {verb}", templates, {}
    yield "skip", phrases.skip, {}
    if wanted.canals:
        yield "switch", phrases.switch, {}
    if wanted.finish:
        yield "switch", phrases.to_finish, {}
    for who, templates in phrases.who.items():
        yield f"who {who}", templates, {}


def _after(
    word: str, said: Iterable[tuple[str, tuple[str, ...], Metadata]]
) -> Iterator[tuple[str, tuple[str, ...], Metadata]]:
    """The same with ``word`` before every phrase."""
    for name, templates, metadata in said:
        yield name, tuple(f"{word} ({template})" for template in templates), metadata


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
    yield "tooth", tuple(_teeth(language))


def _numbers(values: Iterable[int], language: str) -> tuple[Listed, ...]:
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


def _teeth(language: str) -> Iterator[Listed]:
    """The permanent teeth, digit by digit ("two four") and as a number ("twenty four")."""
    for quadrant in (10, 20, 30, 40):
        for position in range(1, 9):
            fdi = parse_fdi(quadrant + position).fdi
            yield Listed(say=number_words(fdi, language), means=fdi)
            digits = (
                f"{number_words(quadrant // 10, language)} {number_words(position, language)}"
            )
            yield Listed(say=digits, means=fdi)


def _jsgf(expression: Expression) -> str:
    """A hassil template as a JSGF expansion."""
    match expression:
        case TextChunk():
            return expression.original_text.strip()
        case ListReference():
            return f"<list_{expression.list_name}>"
        case RuleReference():
            return f"<{expression.rule_name}>"
        case Alternative():
            inner = " | ".join(filter(None, map(_jsgf, expression.items)))
            return f"[ {inner} ]" if expression.is_optional else f"( {inner} )"
        case Group():
            return " ".join(filter(None, map(_jsgf, expression.items)))
    raise TypeError(f"no JSGF for {type(expression).__name__}")


def _runs(expression: Expression) -> Iterator[str]:
    """The runs of fixed words in a template, every alternative by itself."""
    match expression:
        case TextChunk():
            if text := expression.text.strip():
                yield text
        case Group():
            for item in expression.items:
                yield from _runs(item)


def _spoken(template: str) -> set[str]:
    """Every way to say a template without lists."""
    return {
        " ".join(text.split())
        for text in sample_expression(parse_sentence(template).expression)
    }
