"""What may be said: grammars/<lang>/phrases.yaml, cut to the present step."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

from assistant.canal.instruments import ISO_SIZES
from assistant.files.yamlfile import load_yaml
from assistant.words.graph import End, Graph
from assistant.words.numbers import number_words, said_numbers, said_teeth
from assistant.words.own_words import with_own_words
from assistant.words.phrases import Listed, Phrases, plain_phrase, read_lexicon
from assistant.words.templates import Answer, Lists, Stage, compile_graph


@dataclass(frozen=True, eq=False)
class Language:
    """The words of one language: phrases and pronunciations. Each that is loaded is itself.

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
        answers: the questions whose answers could be corrected, newest first: quantity and
            options.
        options: ids of the options that answer the step.
        canals: the canals that were named; empty before that.
        start: a timed act can be begun now ("heat off" is then not in danger of
            being taken for "heat on" while it runs).
        finish: the closing steps have been reached and can be gone back to.
        choice: a question offers two values, and "neither" is an answer.
        findings: ids of what can be found.
        replies: ids of what else answers a question.
        attention: the word that every phrase must begin with; empty for none.
        names: the names of the step's value, its own and the general ones.
        readings: how many readings of one length are still asked.
        all_yes: how many questions "all yes" answers.
        ahead: the steps that the same sentence can go on to answer, in order.
        follows: it is one of those.
        known: it is answered already, and a sentence may go past it.
        beside: another kind of value that is taken beside that of the step, or None.
        unasked: the steps that nobody asks and that can be told by their names.
    """

    kind: str | None = None
    low: float = 0.0
    high: float = 35.0
    corrections: tuple[str, ...] = ()
    answers: tuple[tuple[str, tuple[str, ...]], ...] = ()
    options: tuple[str, ...] = ()
    canals: tuple[str, ...] = ()
    start: bool = True
    finish: bool = False
    choice: bool = False
    findings: tuple[str, ...] = ()
    replies: tuple[str, ...] = ()
    attention: str = ""
    names: tuple[str, ...] = ()
    readings: int = 0
    all_yes: int = 0
    ahead: tuple[Wanted, ...] = ()
    follows: bool = False
    known: bool = False
    beside: str | None = None
    unasked: tuple[Wanted, ...] = ()


def everything(phrases: Phrases) -> Wanted:
    """All that can be said at any step, to check its words against a model."""
    return Wanted(
        corrections=tuple(phrases.values),
        answers=(*((str(one.means), ("yes",)) for one in phrases.corrections.answers),),
        options=tuple(phrases.options),
        canals=tuple(str(item.means) for item in phrases.lists.get("canal", ())),
        findings=tuple(str(item.means) for item in phrases.lists["finding"]),
        finish=True,
    )


Sentences = tuple[tuple[End, tuple[str, ...]], ...]
"""Templates with what they mean."""


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
        self._lead = f"{wanted.attention} " if wanted.attention else ""
        self.sentences = self._led(_sentences(language.phrases, wanted))
        self.lists = dict(_lists(language.phrases, wanted))

    def _led(self, sentences: Iterable[tuple[End, tuple[str, ...]]]) -> Sentences:
        """Each begun by the attention word, where there is one."""
        lead = self._lead
        return tuple(
            (end, tuple(f"{lead}({template})" if lead else template for template in templates))
            for end, templates in sentences
        )

    @cached_property
    def graph(self) -> Graph:
        """The sentences, word by word."""
        phrases, wanted = self.language.phrases, self.wanted
        answers = {end for end, _ in _answers(phrases, wanted)}
        others = [one for one in self.sentences if one[0] not in answers]
        others += self._led(_unasked(phrases, wanted))  # a value as the step's, named
        stages = [_stage(phrases, wanted, self._lead)]
        stages += [_stage(phrases, one) for one in wanted.ahead]
        return compile_graph(others, phrases.rules, _plain(self.lists), stages)

    @property
    def lexicon(self) -> Mapping[str, tuple[str, ...]]:
        """Pronunciations for words a model may lack."""
        return self.language.lexicon

    @cached_property
    def key(self) -> str:
        """Equal for equal grammars."""
        return hashlib.sha256(repr(self.graph).encode()).hexdigest()[:16]


@lru_cache(maxsize=256)
def grammar_of(language: Language, wanted: Wanted) -> Grammar:
    """The grammar of a step, made once: steps come again, and a graph takes 30 ms."""
    return Grammar(language, wanted)


def _sentences(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[End, tuple[str, ...]]]:
    """The templates of everything that may be said now, with what they mean."""
    yield from _answers(phrases, wanted)
    for group in phrases.values.get(wanted.beside or "", ()):
        yield End(f"given {wanted.beside}", group.doubt or ""), group.sentences
    yield from _unasked(phrases, wanted)
    for kind in wanted.corrections:
        for group in phrases.values.get(kind, ()):
            templates = tuple(
                f"({lead}) ({_wide(t)})" for lead in phrases.correction for t in group.sentences
            )
            yield End(f"correction {kind}", group.doubt or ""), templates
    yield from _corrections(phrases, wanted)
    if not set(wanted.options) >= YES_OR_NO:
        # "No" must always reach the program: it is how a question is refused.
        neither = phrases.options["neither"] if wanted.choice else ()
        yield End("option no"), (*phrases.options["no"], *neither)
    for reply in wanted.replies:
        yield End(f"option {reply}"), phrases.options[reply]
    own = {one for _, templates in _answers(phrases, wanted) for one in templates}
    for verb, templates in phrases.commands.items():
        if verb in {"press", "heat_on"} and not wanted.start:
            continue
        # "Seated" says what is done where just that is asked: there it is the answer.
        kept = tuple(one for one in templates if one not in own)
        if kept:
            yield End(f"command {verb}"), kept
    yield End("planned"), phrases.planned
    yield End("skip"), phrases.skip
    if wanted.canals:
        yield End("switch"), phrases.switch
        for what, templates in phrases.change.items():
            yield End(f"change {what}"), templates
    if wanted.findings:
        yield End("finding"), phrases.finding
    if wanted.finish:
        yield End("switch"), phrases.to_finish
    for who, templates in phrases.who.items():
        yield End(f"who {who}"), templates
    yield End("visit"), phrases.visit
    for name, items in phrases.conditions.items():
        for item in items:
            yield End(f"note {name} {item.means}"), (item.say,)
    for role, templates in phrases.takeover.items():
        yield End(f"takeover {role}"), templates


def _unasked(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[End, tuple[str, ...]]]:
    """The templates of what nobody asks: named, and with any number."""
    for kind in dict.fromkeys(one.kind or "" for one in wanted.unasked):
        told = phrases.unasked.get(kind, ())
        named = (_wide(one).replace("{name:", f"{{{UNASKED}{kind}:") for one in told)
        yield End(f"given {kind}"), tuple(named)


def _corrections(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[End, tuple[str, ...]]]:
    """Corrections of a value by its number, and of the answers to questions."""
    lead, found = f"({'|'.join(phrases.correction)})", phrases.corrections
    for group in found.numbered if "mm" in wanted.corrections else ():
        wide = tuple(f"{lead} ({_wide(one)})" for one in group.sentences)
        yield End("correction mm", group.doubt or ""), wide
    lists = dict(_answered(phrases, wanted))
    if lists["answered"]:
        named = f"{lead} {{answered:quantity}} [is|was] {{answer:option}}"
        yield End("correction option"), (named,)
    if lists["answered_alone"]:
        yield End("correction option"), (f"{lead} {{answered_alone:answer}}",)


def _answered(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[str, tuple[Listed, ...]]]:
    """What a corrected answer can be called, its answers, and those that need no name; of
    two questions with the same name the newest is meant."""
    found, own = phrases.corrections, phrases.several.answers
    names: dict[str, Listed] = {}
    answers: dict[str, Listed] = {}
    alone: dict[str, Listed] = {}
    for quantity, options in wanted.answers:
        for one in found.answers:
            if one.means == quantity:
                names.setdefault(one.say, one)
        for option in options:
            ways = phrases.options.get(option, (option.replace("_", " "),))
            for say in ways:
                answers.setdefault(say, Listed(say=say, means=option))
            # One word by itself would tell too little ("correction shaped").
            says = [s for s in own.get(quantity, {}).get(option, ()) if " " in plain_phrase(s)]
            for say in (*says, *(ways if quantity in found.alone else ())):
                alone.setdefault(say, Listed(say=say, means=f"{option} {quantity}"))
    yield "answered", tuple(names.values())
    yield "answer", tuple(answers.values())
    yield "answered_alone", tuple(alone.values())


def _answers(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[End, tuple[str, ...]]]:
    """The templates of every answer to a step but the series of its plurals."""
    for group in () if wanted.follows else phrases.values.get(wanted.kind or "", ()):
        yield End(f"given {wanted.kind}", group.doubt or ""), group.sentences
    own = [phrases.several.answers.get(name, {}) for name in wanted.names]
    for option in wanted.options:
        # One that a protocol has without a phrase is said by its id.
        words = re.sub(
            r"\d+", lambda n: f" {number_words(int(n[0]), phrases.language)} ", option
        )
        said = phrases.options.get(option, (words.replace("_", " "),))
        if wanted.follows and option in YES_OR_NO:
            said = ()  # by itself it would not tell what it answers
        yield End(f"option {option}"), (*said, *(w for o in own for w in o.get(option, ())))


UNASKED = "unasked_"
"""Begins the name of a list of names, by the kind of value."""

YES_OR_NO = frozenset({"yes", "no"})


def _plain(lists: Mapping[str, Sequence[Listed]]) -> Lists:
    return {
        name: tuple((item.say, item.means) for item in items) for name, items in lists.items()
    }


def _stage(phrases: Phrases, wanted: Wanted, lead: str = "") -> Stage:
    """The answers to one step of a sentence. The first can be said in any way; what
    follows another must say what it answers, or go on a series."""
    kind, several = wanted.kind or "", phrases.several
    lists = dict(_lists(phrases, wanted))
    follow = f"[{several.joined}] " if wanted.follows else lead

    def said(*templates: str) -> tuple[str, ...]:
        kept = (one for one in templates if lists["name"] or "{name" not in one)
        return tuple(f"{follow}({one})" if follow else one for one in kept)

    answers = [
        Answer(end, said(*templates))
        for end, templates in _answers(phrases, wanted)
        if templates
    ]
    answers.append(Answer(End(f"given {kind}"), said(*several.named.get(kind, ()))))
    if kind == "mm":
        alone = () if wanted.follows else phrases.planned
        answers.append(Answer(End("planned"), said(*alone, *several.planned)))
    for means in {one.means: None for one in several.plurals if one.means in wanted.names}:
        plural = f"plural_{len(lists)}"
        lists[plural] = tuple(
            Listed(say=one.say, means=means) for one in several.plurals if one.means == means
        )
        for group in several.bare.get(kind, ()):
            end = End(f"given {kind}", group.doubt or "")
            begun = said(*(f"{{{plural}:quantity}} ({one})" for one in group.sentences))
            bare = tuple(f"[{several.joined}] ({one})" for one in group.sentences)
            answers.append(Answer(end, begun, means, bare))
    for times in range(2, wanted.readings + 1):
        count = f"times_{times}"
        word = number_words(times, phrases.language)
        lists[count] = (Listed(say=word, means=times),)
        counted = (one.replace("{times}", f"{{{count}:times}}") for one in several.counted)
        answers.append(Answer(End(f"given {kind}"), said(*counted), steps=times))
    if wanted.all_yes:
        # Said of so many steps, so nothing has to be counted in words.
        end = End(f"option yes {wanted.all_yes}")
        answers.append(Answer(end, said(*several.all_yes), steps=wanted.all_yes))
    return Stage(tuple(answers), _plain(lists), wanted.known)


def _wide(template: str) -> str:
    """A correction may reach an earlier step, so it takes the full range of numbers."""
    return template.replace("<mm>", "<mm_any>").replace("{whole}", "{whole_any:whole}")


def _lists(phrases: Phrases, wanted: Wanted) -> Iterator[tuple[str, tuple[Listed, ...]]]:
    language = phrases.language
    for name, items in phrases.lists.items():
        if name == "canal":
            kept = tuple(i for i in items if not wanted.canals or i.means in wanted.canals)
            yield name, kept or items
            yield "any_canal", items
        elif name == "finding":
            said = {str(item.means) for item in items}
            own = (one for one in wanted.findings if one not in said)
            by_id = tuple(Listed(say=one.replace("_", " "), means=one) for one in own)
            yield name, (*(i for i in items if i.means in wanted.findings), *by_id)
        else:
            yield name, items
    low, high = int(wanted.low), int(wanted.high)
    yield "whole", said_numbers(range(low, high + 1), language)
    yield "whole_any", said_numbers(range(36), language)
    yield from _answered(phrases, wanted)
    yield "nth", said_numbers(range(1, 13), language)
    yield "numbered", phrases.corrections.counted
    yield "tenth", said_numbers(range(1, 10), language)
    yield "size", (*said_numbers(ISO_SIZES, language), *phrases.lists.get("size_also", ()))
    yield "tooth", said_teeth(language)
    yield "name", tuple(one for one in phrases.several.names if one.means in wanted.names)
    for kind in dict.fromkeys(one.kind for one in wanted.unasked):
        named = {name for one in wanted.unasked if one.kind == kind for name in one.names}
        yield f"{UNASKED}{kind}", tuple(o for o in phrases.several.names if o.means in named)
