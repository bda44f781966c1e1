"""A value in the words of the grammar, as a simulated operator dictates it."""

from __future__ import annotations

from collections.abc import Iterable

from assistant.canal.teeth import Tooth
from assistant.progress.intents import Scalar
from assistant.words.grammar import Language
from assistant.words.numbers import number_words
from assistant.words.templates import ways


def say_value(kind: str, value: Scalar, quantity: str | None, language: Language) -> str:
    """A value as it is dictated: "working length twenty one point five"."""
    if kind == "tooth" and isinstance(value, int):
        return f"tooth {Tooth(value).spoken}"
    if isinstance(value, tuple):
        return " and ".join(value)
    if isinstance(value, str):
        return _say_option(value, language)
    words = number_words(value, language.phrases.language)
    words = words.removesuffix(" point zero")
    lead = _lead(kind, quantity, language) if quantity else ""
    return f"{lead} {words}".strip()


def _say_option(option: str, language: Language) -> str:
    templates = language.phrases.options.get(option, (option.replace("_", " "),))
    return _longest(samples(templates[0]))


def _lead(kind: str, quantity: str, language: Language) -> str:
    """The words that name a quantity: those of the grammar's that say most of its id."""
    listed = {"size": "size_of", "taper": "taper_of"}.get(kind, "quantity")
    named = set(quantity.removesuffix("_mm").split("_"))
    best, most = "", 0
    for item in language.phrases.lists.get(listed, ()):
        parts = set(str(item.means).removesuffix("_mm").split("_"))
        if parts <= named and len(parts) > most:
            best, most = _longest(samples(item.say)), len(parts)
    return best


def _longest(phrases: Iterable[str]) -> str:
    return min(phrases, key=lambda phrase: (-len(phrase), phrase))


def samples(template: str) -> list[str]:
    """Every way to say a template."""
    return [" ".join(way.words) for way in ways(template)]
