"""Numbers and teeth as they are said; the words come from ``num2words``."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from num2words import num2words

from assistant.canal.teeth import parse_fdi
from assistant.words.phrases import Listed


@cache
def said_numbers(values: Sequence[int], language: str) -> tuple[Listed, ...]:
    """Whole numbers, each with its words."""
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
def said_teeth(language: str) -> tuple[Listed, ...]:
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
