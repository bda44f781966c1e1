"""The twelve phrases of a room check: grammars/<lang>/room_check.yaml and a draw of it."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field, model_validator

from assistant.errors import InputFileError
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.room.profile import Advice, Taken, VerdictName
from assistant.words.grammar import Grammar, Language, Wanted
from assistant.words.phrases import Strict
from assistant.words.recognised import Recognised
from assistant.words.understand import HARMLESS, TYPED, Trust, understand


class CheckedPlace(Strict):
    """What can be said at a step; the fields of :class:`~assistant.words.grammar.Wanted`."""

    kind: str | None = None
    low: float = 0.0
    high: float = 35.0
    corrections: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    canals: tuple[str, ...] = ()
    names: tuple[str, ...] = ()

    @property
    def wanted(self) -> Wanted:
        """The same for the grammar."""
        return Wanted(**dict(self))


class Draw(Strict):
    """``take`` of these entries are asked for; a pair is asked whole."""

    at: str
    take: int = Field(ge=1)
    phrases: tuple[str | tuple[str, ...], ...]


class CheckPlan(Strict):
    """A whole ``room_check.yaml``."""

    language: str
    noise_s: float = Field(gt=0, le=60)
    wait_s: float = Field(gt=0, le=60)
    places: dict[str, CheckedPlace]
    draws: tuple[Draw, ...] = Field(min_length=1)
    says: dict[str, str]
    verdicts: dict[VerdictName, str]
    advice: dict[Advice, str]

    @model_validator(mode="after")
    def _draws_fit(self) -> CheckPlan:
        for draw in self.draws:
            if draw.at not in self.places:
                raise ValueError(f"there is no place {draw.at!r}")
            if draw.take > len(draw.phrases):
                raise ValueError(f"only {len(draw.phrases)} entries to take {draw.take} from")
        return self


@dataclass(frozen=True)
class Asked:
    """One phrase to be said, the grammar it is heard against, and what it means."""

    phrase: str
    grammar: Grammar
    meaning: it.AnyIntent


def load_plan(folder: Path) -> CheckPlan:
    """Read ``room_check.yaml`` of a language folder.

    Raises:
        InputFileError: missing or malformed; names file and line.
    """
    return load_yaml(folder / "room_check.yaml", CheckPlan)


def phrases(plan: CheckPlan, seed: int) -> list[tuple[str, str]]:
    """(phrase, place) of one check, in the order they are asked; the same for a seed."""
    rng = random.Random(seed)
    asked = [
        (phrase, one.at)
        for one in plan.draws
        for entry in rng.sample(one.phrases, one.take)
        for phrase in ((entry,) if isinstance(entry, str) else entry)
    ]
    rng.shuffle(asked)
    return asked


def draw(plan: CheckPlan, words: Language, seed: int) -> tuple[Asked, ...]:
    """The phrases of one check with their grammars and meanings.

    Raises:
        InputFileError: a phrase cannot be said at its place.
    """
    return ask(phrases(plan, seed), plan, words)


def ask(said: Sequence[tuple[str, str]], plan: CheckPlan, words: Language) -> tuple[Asked, ...]:
    """Grammar and meaning of each (phrase, place). Raises as :func:`draw`."""
    grammars = {name: Grammar(words, place.wanted) for name, place in plan.places.items()}
    return tuple(_asked(phrase, at, grammars) for phrase, at in said)


def _asked(phrase: str, at: str, grammars: Mapping[str, Grammar]) -> Asked:
    meaning = understand(Recognised(phrase, 1.0), grammars[at], TYPED)
    if isinstance(meaning, it.Unclear):
        raise InputFileError(
            f"room_check.yaml: {phrase!r} cannot be said at {at} ({meaning.reason}); "
            "correct the phrase or the place."
        )
    return Asked(phrase, grammars[at], meaning)


def taken_for(asked: Asked, heard: Recognised, trust: Trust) -> Taken:
    """What the program would make of what was heard when ``asked`` was said."""
    intent = understand(heard, asked.grammar, trust)
    if isinstance(intent, it.Unclear):
        return "nothing"
    if _bare(intent, asked.meaning) == _bare(asked.meaning, intent):
        return "said"
    if isinstance(intent, it.Given | it.Correction | it.Chosen | it.AsPlanned):
        return "value"
    harmless = isinstance(intent, it.Command) and intent.verb in HARMLESS
    return "harmless" if harmless else "command"


def _bare(intent: it.AnyIntent, other: it.AnyIntent) -> it.AnyIntent:
    """Without how it was heard. The name of a quantity may be left out: the step has it."""
    update: dict[str, object] = {"heard": it.Heard()}
    if isinstance(intent, it.Given) and isinstance(other, it.Given) and other.quantity is None:
        update["quantity"] = None
    return intent.model_copy(update=update)
