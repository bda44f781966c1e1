"""How alike phrases sound, against what is known of English ears."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.words.clashes import ALIKE, differing
from assistant.words.phrases import pronunciations, read_lexicon
from assistant.words.soundalike import (
    PHONES,
    distance,
    distances,
    phones_of,
)

# The radio spelling alphabet (ICAO), whose words were chosen to be told apart.
SPELLING = """
    alpha bravo charlie delta echo foxtrot golf hotel india juliet kilo lima mike november
    oscar papa quebec romeo sierra tango uniform victor whiskey x-ray yankee zulu
"""
ALPHABET = SPELLING.split()
TEENS = (
    ("thirteen", "thirty"),
    ("fourteen", "forty"),
    ("fifteen", "fifty"),
    ("sixteen", "sixty"),
    ("seventeen", "seventy"),
    ("eighteen", "eighty"),
    ("nineteen", "ninety"),
)
# Letter names that are spelt out with that alphabet because they are mistaken.
LETTERS = (("d", "t"), ("b", "d"), ("p", "t"), ("b", "p"), ("m", "n"), ("f", "s"))
KNOWN = read_lexicon(Path(__file__).parent / "spelling.dict")

sequences = st.lists(st.sampled_from(sorted(PHONES)), max_size=8).map(tuple)


def apart(one: str, other: str) -> float:
    return distance(phones_of(one, KNOWN), phones_of(other, KNOWN))


@pytest.mark.parametrize(
    ("near", "far"),
    [
        # Place is lost before voicing ...
        ("P T", "P B"),
        ("P K", "K G"),
        ("T K", "P B"),
        ("F TH", "F V"),
        ("V DH", "F V"),
        ("B D", "B P"),
        # ... and before nasality; voicing before manner and nasality together.
        ("M N", "M B"),
        ("M N", "N D"),
        ("P B", "P M"),
        ("F TH", "F M"),
        ("S SH", "S Z"),
    ],
)
def test_consonants_are_confused_in_the_order_found_in_noise(near: str, far: str) -> None:
    """Miller and Nicely, J Acoust Soc Am 27:338-352, 1955 (order only, from memory)."""

    def between(pair: str) -> float:
        one, other = pair.split()
        # Inside a syllable, so that the ends of words play no part.
        return distance([("AA", one, "AA")], [("AA", other, "AA")])

    assert between(near) < between(far)


def test_vowels_are_near_by_height_and_backness() -> None:
    def between(one: str, other: str) -> float:
        return distance([(one,)], [(other,)])

    assert between("IY", "IH") < between("IY", "EH") < between("IY", "AA")
    assert between("EH", "AE") < between("EH", "UW")
    assert between("IY", "IH") < between("IY", "T") == 1.0


def test_what_is_known_to_be_mistaken_is_nearer_than_what_was_chosen_not_to_be() -> None:
    bad = [apart(*pair) for pair in TEENS]
    good = [apart(*pair) for pair in combinations(ALPHABET, 2)]
    assert len(good) == 325
    assert max(bad) < ALIKE < min(good)


@pytest.mark.parametrize("pair", LETTERS)
def test_letter_names_that_are_mistaken_are_alike(pair: tuple[str, str]) -> None:
    assert apart(*pair) < ALIKE


def test_weak_sounds_are_missed_more_easily() -> None:
    whole = ("D", "IH", "S", "T", "AH", "L")
    without_weak = distance([whole], [("D", "IH", "S", "T", "L")])
    without_strong = distance([whole], [("D", "IH", "T", "AH", "L")])
    assert 0 < without_weak < without_strong
    # A final stop is often not released; the same one in the middle is.
    assert distance([("N", "OW", "T")], [("N", "OW")]) < distance(
        [("T", "N", "OW")], [("N", "OW")]
    )


@given(sequences, sequences)
def test_it_is_a_distance(one: tuple[str, ...], other: tuple[str, ...]) -> None:
    there, back, self_ = distances([([one], [other]), ([other], [one]), ([one], [one])])
    assert self_ == 0
    assert there == pytest.approx(back)
    assert 0 <= there <= 1
    assert (there == 0) == (one == other)


@given(st.lists(st.tuples(sequences, sequences), min_size=1, max_size=12), st.floats(0, 1))
def test_many_at_once_are_the_same_as_one_by_one(
    pairs: list[tuple[tuple[str, ...], tuple[str, ...]]], within: float
) -> None:
    together = distances([([a], [b]) for a, b in pairs], within)
    for (a, b), found in zip(pairs, together, strict=True):
        alone = distance([a], [b])
        assert found == pytest.approx(alone) or (found == 1.0 and alone > within)


def test_the_nearest_pronunciation_counts() -> None:
    assert phones_of("to", KNOWN) == (("T", "UW"), ("T", "IH"), ("T", "AH"))
    assert distance(phones_of("to", KNOWN), [("T", "AH")]) == 0
    assert distance((), [("T",)]) == 1
    with pytest.raises(KeyError, match="plugger"):
        phones_of("dry plugger", KNOWN)


def test_own_pronunciations_stand_beside_those_of_the_ears() -> None:
    own = pronunciations({"xqz": ("Z IY",), "dry": ("D R AH", "D R AY")})
    assert own["xqz"] == ("Z IY",)
    assert own["dry"] == ("D R AY", "D R AH")
    assert own["stop"] == ("S T AA P",)


def test_what_phrases_share_does_not_tell_them_apart() -> None:
    assert differing("heat on", "heat off") == ("on", "off")
    assert differing("take that back", "take it back") == ("that", "it")
    assert differing("dry", "not dry") == ("", "not")
