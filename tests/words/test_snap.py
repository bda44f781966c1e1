"""The nearest phrase of a grammar, against phrases drawn from the same grammar."""

from __future__ import annotations

import random
from itertools import product
from pathlib import Path

import pytest

from assistant.words.grammar import Grammar, Wanted, everything, load_language
from assistant.words.graph import ways
from assistant.words.letters import guess_phones
from assistant.words.snap import heard_phones, snap
from assistant.words.soundalike import (
    PHONES,
    Phones,
    dictionary,
    distance,
    distances,
    phones_of,
)

ENGLISH = load_language(Path(__file__).parents[2] / "grammars" / "en")
FREE = "it suited direction commission a the press dried sixteen four yes who five"
WANTED = {
    "measure": Wanted(
        kind="mm",
        low=8,
        corrections=("mm", "size", "taper"),
        options=("binds",),
        canals=("buccal", "palatal"),
    ),
    "dry": Wanted(options=("yes", "dry", "no", "wet", "bleeding", "exudate")),
    "tooth": Wanted(kind="tooth", attention="logbook"),
    "all": everything(ENGLISH.phrases),
}
GRAMMARS = {name: Grammar(ENGLISH, wanted) for name, wanted in WANTED.items()}
SAID = ["point", "percent", "zero", "twenty", "millimetres", "two", "half"]
KNOWN = dictionary(
    {w for grammar in GRAMMARS.values() for w in grammar.graph.words} | {*FREE.split(), *SAID},
    ENGLISH.lexicon,
)
EVERY_NAME = pytest.mark.parametrize("name", GRAMMARS)


def drawn(grammar: Grammar, dice: random.Random) -> str:
    """A phrase of the grammar by chance, lists drawn from after the templates."""
    _, templates = dice.choice(grammar.sentences)
    said: list[str] = []
    for word in dice.choice(ways(dice.choice(templates), ENGLISH.phrases.rules)).words:
        item = dice.choice(grammar.lists[word[1:-1]]).say if word.startswith("{") else word
        said += dice.choice(ways(item)).words
    return " ".join(said)


def every_way(text: str) -> set[Phones]:
    """All pronunciations; ``phones_of`` stops at 64."""
    return {tuple(" ".join(way).split()) for way in product(*(KNOWN[w] for w in text.split()))}


def is_said(text: str, grammar: Grammar) -> bool:
    return bool(grammar.graph.meanings(text.split()))


@EVERY_NAME
def test_what_may_be_said_snaps_to_itself(name: str) -> None:
    dice = random.Random(11)
    for _ in range(25):
        text = drawn(GRAMMARS[name], dice)
        for phones in phones_of(text, KNOWN)[:2]:
            snapped = snap(phones, GRAMMARS[name], KNOWN)
            assert snapped is not None and snapped.distance == 0
            # "To" and "two", "mil" and "mill" cannot be told apart.
            assert phones in every_way(snapped.text)


@pytest.mark.parametrize(
    ("heard", "nearest"),
    [
        ("direction seventeen point six", "correction seventeen point six"),
        ("direction 17.6", "correction seventeen point six"),
        ("plodger depth twenty two point one", "plugger depth twenty two point one"),
        ("commission plodger 22.1", "correction plugger twenty two point one"),
    ],
)
def test_a_mishearing_comes_back_to_what_was_said(heard: str, nearest: str) -> None:
    snapped = snap(heard_phones(heard, KNOWN), GRAMMARS["measure"], KNOWN)
    assert snapped is not None and snapped.text == nearest
    assert snapped.distance < snapped.rivals[0].distance


def test_talk_is_farther_than_any_mishearing_above() -> None:
    """Nearest is "exudate", which has much of its sound."""
    talk = snap(heard_phones("it suited", KNOWN), GRAMMARS["dry"], KNOWN)
    heard = heard_phones("commission plodger 22.1", KNOWN)
    mishearing = snap(heard, GRAMMARS["measure"], KNOWN)
    assert talk is not None and mishearing is not None
    assert talk.distance > 0.25 > mishearing.distance


@EVERY_NAME
def test_nothing_drawn_from_the_grammar_is_nearer(name: str) -> None:
    grammar, dice = GRAMMARS[name], random.Random(7)
    drawings = {
        text: phones_of(text, KNOWN) for text in (drawn(grammar, dice) for _ in range(300))
    }
    for length in (1, 4, 9, 16, 30):
        # Half by chance, half a phrase with some of its phones changed.
        heard = tuple(dice.choice(sorted(PHONES)) for _ in range(length))
        if dice.random() < 0.5:
            base = dice.choice(list(drawings.values()))[0]
            heard = tuple(p for p in (*base, *heard[:3]) if dice.random() < 0.8) or heard
        snapped = snap(heard, grammar, KNOWN)
        assert snapped is not None
        assert snapped.distance == pytest.approx(distance([snapped.phones], [heard]), abs=1e-9)
        assert snapped.phones in every_way(snapped.text)
        assert is_said(snapped.text, grammar)
        least = min(distances([([heard], ways) for ways in drawings.values()]))
        assert snapped.distance <= least + 1e-9
        for rival in snapped.rivals:
            assert rival.distance >= snapped.distance - 1e-9
            assert rival.distance >= distance(every_way(rival.text), [heard]) - 1e-9
            assert is_said(rival.text, grammar)
        texts = [snapped.text, *(rival.text for rival in snapped.rivals)]
        assert len(texts) == len(set(texts)) == 6
        assert list(snapped.rivals) == sorted(snapped.rivals, key=lambda rival: rival.distance)


def test_a_longer_phrase_can_be_nearer_than_the_one_of_least_cost() -> None:
    """One phone against many: cost / length falls with the length although cost rises."""
    grammar = GRAMMARS["dry"]
    every = {text: phones_of(text, KNOWN) for text in _all_texts(grammar)}
    for phone in sorted(PHONES):
        for heard in ((phone,), ("S", phone, "T")):
            snapped = snap(heard, grammar, KNOWN)
            assert snapped is not None
            least = min(distances([([heard], ways) for ways in every.values()]))
            assert snapped.distance == pytest.approx(least, abs=1e-9)


def _all_texts(grammar: Grammar) -> set[str]:
    return {" ".join(way.words) for way in grammar.graph.ways(grammar.graph.start)}


def test_nothing_heard_or_nothing_to_say_is_none() -> None:
    assert snap((), GRAMMARS["dry"], KNOWN) is None
    assert snap(("D", "R", "AY"), GRAMMARS["dry"], {}) is None


def test_words_without_pronunciation_are_passed_over() -> None:
    known = {word: ways for word, ways in KNOWN.items() if word != "dry"}
    snapped = snap(("D", "R", "AY"), GRAMMARS["dry"], known)
    assert snapped is not None and "dry" not in snapped.text.split()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("16.5", "sixteen point five"),
        ("It's 26mm.", "it's twenty six millimetres"),
        (".5", "point five"),
        ("4%", "four percent"),
        ("twenty-two", "twenty two"),
        ("0.04", "zero point zero four"),
    ],
)
def test_numbers_are_heard_as_they_are_said(text: str, words: str) -> None:
    known = dictionary({*words.split()}, ENGLISH.lexicon)
    assert heard_phones(text, known) == tuple(
        " ".join(known[word][0] for word in words.split()).split()
    )


@pytest.mark.parametrize(
    ("word", "phones"),
    [
        ("plodger", "P L AA JH ER"),
        ("commestions", "K AA M EH S CH AH N Z"),
        ("plate", "P L EY T"),
        ("phasing", "F AE S IH NG"),
        ("tapper", "T AE P ER"),
        ("", ""),
        ("é4", ""),
    ],
)
def test_letters_to_sounds(word: str, phones: str) -> None:
    assert guess_phones(word) == tuple(phones.split())
