"""Grammars of the steps, and random ways through their sentence templates."""

from __future__ import annotations

import random
from functools import cache

from assistant.sitting import assembly
from assistant.words.grammar import Grammar, Language, Wanted
from assistant.words.templates import ways

Fixed = dict[str, object]
"""List name to the value (or the values, a tuple) that it must take."""


class Miss(Exception):
    """A template took a list that has not the value it must take."""


@cache
def words() -> Language:
    """The English words."""
    return assembly.language()


@cache
def grammar(wanted: Wanted) -> Grammar:
    """The grammar of one step; made once."""
    return Grammar(words(), wanted)


def sample(
    template: str, wanted: Wanted, fixed: Fixed, used: set[str], rng: random.Random
) -> str:
    """A random one of the ways to say a template, lists at their fixed values; names the
    lists in ``used``."""
    said: list[str] = []
    for word in rng.choice(ways(template, words().phrases.rules)).words:
        if not word.startswith("{"):
            said.append(word)
            continue
        name = word[1:-1]
        used.add(name)
        items = grammar(wanted).lists[name]
        if name in fixed:
            want = fixed[name]
            allowed = want if isinstance(want, tuple) else (want,)
            items = tuple(item for item in items if item.means in allowed)
        if not items:
            raise Miss
        said += rng.choice(ways(rng.choice(items).say)).words
    return " ".join(said)
