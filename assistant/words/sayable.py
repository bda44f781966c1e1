"""What can be said now, in the words of a language: every offer of the door as a phrase.

The phrases are those of ``grammars/``; a key that would say something else than the voice
would be another language to learn.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from assistant.procedure.offers import Offer, offers
from assistant.procedure.reach import either
from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState
from assistant.protocol.model import Step
from assistant.words.phrases import Phrases, plain_phrase
from assistant.words.sayings import Wording, value_phrase

ASK: tuple[it.Verb, ...] = ("where", "read_back", "repeat")
"""The queries that are named; all of them are answered at any time."""


class Sayable(NamedTuple):
    """Something that can be said now.

    Attributes:
        intent: what is meant; a value in it stands for any.
        text: its words, or what they are ("a length").
        line: the whole phrase, if the text is one.
        answers: it answers what is waited for.
    """

    intent: it.AnyIntent
    text: str
    line: str | None
    answers: bool


def sayable(state: CaseState, words: Wording) -> tuple[Sayable, ...]:
    """All that can be said and would be taken, what answers first; then, as it always
    works, how to ask."""
    said = [_said(offer, state, words) for offer in offers(state)]
    for verb in ASK:
        line = command(words.phrases, verb)
        said.append(Sayable(it.Command(verb=verb), line, line, False))
    return tuple({one.text: one for one in reversed(said)}.values())[::-1]


def _said(offer: Offer, state: CaseState, words: Wording) -> Sayable:
    phrases, line, two = words.phrases, None, either(state)
    match offer.intent:
        case it.Given(kind=kind, value=number) if number in two:
            text = line = value_phrase(kind, number, words.language)
        case it.Given(kind=kind):
            text = words.answers[f"a_{kind}"]
        case it.Correction():
            text = plain_phrase(phrases.correction[0])
        case it.Skip():
            text = plain_phrase(phrases.skip[-1])
        case it.Chosen(option=option):
            said = "neither" if two and option == "no" else option
            ways = phrases.options.get(said, (option.replace("_", " "),))
            text = line = plain_phrase(ways[0])
        case it.AsPlanned():
            text = line = plain_phrase(phrases.planned[0])
        case it.SwitchCanal(canal=canal):
            templates = phrases.to_finish if canal == CASE else phrases.switch
            text = line = _listed(templates[0], canal, phrases)
        case it.Finding(finding=finding):
            text = line = _listed(phrases.finding[0], finding, phrases)
        case it.WhoSpeaks(who=who):
            text = line = plain_phrase(phrases.who[who][0])
        case it.Command(verb=verb):
            timed = state.protocol.by_id[state.timer.step] if state.timer else state.step
            named = verb in {"stop", "next"}
            text = line = command(phrases, verb, timed if named else None)
        case _:
            raise TypeError(f"no phrase for {offer.intent}")
    return Sayable(offer.intent, text, line, offer.answers)


def command(phrases: Phrases, verb: str, step: Step | None = None) -> str:
    """A phrase for a command: the one that shares a word with the step's title, if one
    does ("heat on" in "Heat carrier on"), else the first."""
    ways = [plain_phrase(way) for way in phrases.commands[verb]]
    title = set(step.title.lower().split()) if step else set()
    return next((way for way in ways if title & set(way.split())), ways[0])


def _listed(template: str, means: str, phrases: Phrases) -> str:
    """The first way to say a template whose one list stands for a value."""

    def value(found: re.Match[str]) -> str:
        ways = (item.say for item in phrases.lists[found[1]] if item.means == means)
        return plain_phrase(next(ways, means.replace("_", " ")))

    first = re.sub(r"\(([^()|]*)\|[^()]*\)", r"\1", template)
    return plain_phrase(re.sub(r"\{(\w+)(?::\w+)?\}", value, first))
