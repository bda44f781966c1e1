"""Grammars of the steps, and random ways through their sentence templates."""

from __future__ import annotations

import random
from functools import cache

from hassil.expression import (
    Alternative,
    Expression,
    Group,
    ListReference,
    RuleReference,
    TextChunk,
)
from hassil.intents import TextSlotList, TextSlotValue

from assistant.sitting import assembly
from assistant.words.grammar import Grammar, Language, Wanted

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


def listed(wanted: Wanted, name: str) -> list[TextSlotValue]:
    """The values of a list at a step."""
    found = grammar(wanted).intents.slot_lists[name]
    assert isinstance(found, TextSlotList)
    return found.values


def sample(
    expression: Expression, wanted: Wanted, fixed: Fixed, used: set[str], rng: random.Random
) -> str:
    """One random way through a template, lists at their fixed values; names the lists
    in ``used``."""
    intents = grammar(wanted).intents
    match expression:
        case TextChunk():
            return expression.original_text
        case ListReference(list_name=name):
            used.add(name)
            items = listed(wanted, name)
            if name in fixed:
                want = fixed[name]
                allowed = want if isinstance(want, tuple) else (want,)
                items = [item for item in items if item.value_out in allowed]
            if not items:
                raise Miss
            return sample(rng.choice(items).text_in, wanted, fixed, used, rng)
        case RuleReference():
            rule = intents.expansion_rules[expression.rule_name]
            return sample(rule.expression, wanted, fixed, used, rng)
        case Alternative():
            return sample(rng.choice(expression.items), wanted, fixed, used, rng)
        case Group():
            parts = (sample(item, wanted, fixed, used, rng) for item in expression.items)
            return "".join(parts)
    raise TypeError(f"no way to say a {type(expression).__name__}")
