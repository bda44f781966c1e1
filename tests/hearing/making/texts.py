"""What the training voices say: mostly any English, in part the trade's words.

A model that is taught the trade's phrases alone forgets English, and learns which
words follow each other. So seven in ten texts are broad: pieces of the definitions
and examples of WordNet 3.0 (Princeton, a permissive licence; Debian package
``wordnet-base``), and its words in random order. Then come the trade's words in
random order, numbers by themselves and beside any word, and phrases of the grammar
drawn with the seed of the calibration half.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from num2words import num2words

from assistant.words.grammar import everything
from hearing.phrases import phrase_set
from hearing.templates import grammar, words

SHARES = {
    "broad": 0.54,
    "any words": 0.16,
    "trade words": 0.12,
    "numbers": 0.10,
    "phrase": 0.08,
}
"""Share of each kind of text; the first two are the broad ones."""

PHRASES = 3000
"""How many phrases of the grammar are drawn; a draw repeats them."""

_FILES = ("data.noun", "data.verb", "data.adj", "data.adv")
_PLAIN = re.compile(r"[a-z' ]+")


@cache
def sentences(folder: Path) -> tuple[str, ...]:
    """Definitions and examples of WordNet that are plain words."""
    found = set()
    for name in _FILES:
        for line in (folder / name).read_text(encoding="ascii", errors="ignore").splitlines():
            for piece in re.split(r"[;\"()]", line.partition("|")[2]):
                text = " ".join(piece.lower().replace("-", " ").split())
                if _PLAIN.fullmatch(text) and text.count(" ") >= 2:
                    found.add(text)
    return tuple(sorted(found))


@cache
def vocabulary(folder: Path) -> tuple[str, ...]:
    """The single words of WordNet."""
    found = set()
    for name in _FILES:
        index = folder / name.replace("data", "index")
        for line in index.read_text(encoding="ascii", errors="ignore").splitlines():
            word = line.partition(" ")[0]
            if re.fullmatch(r"[a-z]{2,12}", word):
                found.add(word)
    return tuple(sorted(found))


@cache
def trade() -> tuple[str, ...]:
    """Every word of the grammar and its lexicon."""
    language = words()
    return tuple(
        sorted(grammar(everything(language.phrases)).graph.words | set(language.lexicon))
    )


@cache
def phrases() -> tuple[str, ...]:
    """Phrases of the calibration half."""
    return tuple(phrase.text for phrase in phrase_set(1, PHRASES, "calibrate"))


def lines(seed: int, wordnet: Path) -> Iterator[tuple[str, str]]:
    """Kind and text, without end; the same seed gives the same."""
    rng = random.Random(seed)
    while True:
        kind = rng.choices(list(SHARES), list(SHARES.values()))[0]
        yield kind, _line(kind, rng, wordnet)


def _line(kind: str, rng: random.Random, wordnet: Path) -> str:
    match kind:
        case "broad":
            said = rng.choice(sentences(wordnet)).split()
            count = min(len(said), rng.choice((2, 3, 4, 4, 5, 5, 6, 6, 7, 8, 10)))
            at = rng.randrange(len(said) - count + 1)
            return " ".join(said[at : at + count])
        case "any words":
            return " ".join(rng.choice(vocabulary(wordnet)) for _ in range(rng.randint(1, 4)))
        case "trade words":
            said = [rng.choice(trade()) for _ in range(rng.randint(1, 5))]
            if rng.random() < 0.3:
                said.insert(rng.randrange(len(said) + 1), rng.choice(vocabulary(wordnet)))
            return " ".join(said)
        case "numbers":
            return _number(rng, wordnet)
    return rng.choice(phrases())


def _number(rng: random.Random, wordnet: Path) -> str:
    whole = num2words(rng.choice((rng.randint(0, 40), rng.randint(0, 99)))).replace("-", " ")
    tenth = rng.choice((f"point {num2words(rng.randint(0, 9))}", "and a half", "", ""))
    said = [f"{whole} {tenth}".strip()]
    if rng.random() < 0.4:
        other = rng.choice((rng.choice(vocabulary(wordnet)), rng.choice(trade())))
        said.insert(rng.randrange(2), other)
    if rng.random() < 0.2:
        said.append(num2words(rng.randint(0, 30)).replace("-", " "))
    return " ".join(said)
