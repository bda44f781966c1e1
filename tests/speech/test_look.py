"""The first look: when a phrase is complete, and what is heard only once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.sound.samples import Samples
from assistant.speech.ear import Utterance
from assistant.speech.listeners import StepGrammar
from assistant.speech.look import (
    CLOSED_S,
    END_S,
    GOES_ON_S,
    MORE_S,
    UNFINISHED_S,
    FirstLook,
    closed,
    silence_s,
)
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, understand

pytestmark = pytest.mark.sound

TRUST = Trust(accept=0.8, command=0.5, reject=0.1)
STEP = Grammar(
    assembly.language(),
    Wanted("mm", 8, 25, corrections=("mm",), options=("binds",), canals=("buccal", "palatal")),
)

DIGITS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


@pytest.mark.parametrize(
    "text",
    [
        "sixteen point five",  # only the unit can follow
        "sixteen and a half",
        "plugger sixteen point five millimetres",
        "correction sixteen point five",
        "it binds",
        "done",
        "canal palatal",
    ],
)
def test_a_complete_phrase_is_closed(text: str) -> None:
    assert closed(text, STEP)


@pytest.mark.parametrize(
    "text",
    [
        "twenty",  # ... two
        "twenty two",  # ... point five: a shorter number is the worst thing to store
        "correction sixteen",
        "sixteen point",  # no phrase
        "skip this step",  # ... not needed
        "what day is it",
    ],
)
def test_what_may_go_on_is_not_closed(text: str) -> None:
    assert not closed(text, STEP)


def test_the_next_answer_in_the_same_sentence_holds_nothing_up() -> None:
    then = Wanted("size", names=("cone_size",), follows=True)
    both = Grammar(assembly.language(), Wanted("mm", 8, 25, ahead=(then,)))
    words, _ = both.graph.following(["sixteen", "point", "five", "millimetres"])
    assert "then" in words
    assert not both.graph.going_on(["sixteen", "point", "five", "millimetres"])
    assert closed("sixteen point five millimetres", both)
    assert not closed("sixteen", both)  # ... point five


def test_the_words_that_may_follow() -> None:
    def after(text: str) -> tuple[set[str], bool]:
        words, may_end = STEP.graph.following(text.split())
        return set(words), may_end

    assert after("twenty two point five") == ({"mil", "millimetre", "millimetres"}, True)
    assert {"point", "and", "millimetres"} <= after("twenty two")[0]
    assert after("twenty two point") == ({*DIGITS}, False)
    assert after("nobody says this") == (set(), False)
    assert "plugger" in after("")[0] and not after("")[1]


@pytest.mark.parametrize(
    ("text", "confidence", "wait_s", "broken_s"),
    [
        ("it binds", 0.8, CLOSED_S, END_S),
        ("it binds", 0.79, END_S, UNFINISHED_S),  # doubtful: it is heard out
        ("sixteen point five", 0.9, MORE_S, UNFINISHED_S),  # the unit may follow
        ("sixteen point five millimetres", 0.9, CLOSED_S, UNFINISHED_S),
        ("sixteen", 0.99, END_S, UNFINISHED_S),
        ("twenty", 0.99, GOES_ON_S, UNFINISHED_S),  # ... two
        ("twenty", 0.6, GOES_ON_S, UNFINISHED_S),  # doubtful or not
        ("plugger twenty", 0.99, GOES_ON_S, UNFINISHED_S),
        ("correction thirty", 0.99, GOES_ON_S, UNFINISHED_S),
        ("twenty two", 0.99, END_S, UNFINISHED_S),  # only "point five" follows
        ("no phrase at all", 0.99, END_S, UNFINISHED_S),
        ("twenty two five", 0.99, END_S, UNFINISHED_S),  # always confirmed
    ],
)
def test_how_much_silence_ends_it(
    text: str, confidence: float, wait_s: float, broken_s: float
) -> None:
    """As it is, and where a longer phrase would fit its end better."""
    heard = Recognised(text, confidence)
    assert silence_s(understand(heard, STEP, TRUST), heard, STEP, TRUST) == wait_s
    broken = replace(heard, unfinished=True)
    assert silence_s(understand(broken, STEP, TRUST), broken, STEP, TRUST) == broken_s


class Counting:
    """A listener that counts how often it is asked."""

    name = "counting"

    def __init__(self) -> None:
        self.heard = 0

    def prepare(self, grammar: StepGrammar) -> None:
        pass

    def hear(self, samples: Samples) -> Recognised:
        self.heard += 1
        return Recognised(f"number {self.heard}", 1.0)


def test_the_same_speech_is_recognised_once_and_more_speech_again() -> None:
    look, listener = FirstLook(), Counting()
    first = Utterance(np.zeros(8000, np.int16), 1.0, 1.4, 1, False, -30.0, 30.0, final=False)
    assert look.hear(listener, STEP, first).text == "number 1"
    more = replace(first, ended_s=1.9)
    assert look.hear(listener, STEP, more).text == "number 2"
    assert look.hear(listener, STEP, replace(more, final=True)).text == "number 2"
    # The next utterance of a stream begun afresh may stand at the same second.
    assert look.hear(listener, STEP, replace(more, final=True)).text == "number 3"


@pytest.mark.parametrize(("confidence", "obeyed"), [(0.45, True), (0.3, False)])
def test_a_harmless_command_has_its_own_threshold(confidence: float, obeyed: bool) -> None:
    trust = replace(TRUST, harmless=0.4)
    intent = understand(Recognised("where are we", confidence), STEP, trust)
    assert isinstance(intent, it.Unclear) is not obeyed


@pytest.mark.parametrize(("confidence", "obeyed"), [(0.32, True), (0.25, False)])
def test_stop_is_obeyed_though_faint(confidence: float, obeyed: bool) -> None:
    trust = replace(TRUST, harmless=0.4, stop=0.3)
    intent = understand(Recognised("stop", confidence), STEP, trust)
    assert isinstance(intent, it.Command) is obeyed
