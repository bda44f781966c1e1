"""How alike two phrases sound: a weighted edit distance over their phones.

Phones are those of the CMU dictionary (ARPAbet without stress). Putting one
phone for another costs by what their articulation does not share: voicing,
place and manner of consonants; height, backness, rounding and length of vowels.
The features are those of any textbook of articulatory phonetics, from common
knowledge; no document was copied. The weights are our own. They keep the order
that Miller and Nicely found for English consonants in noise (J Acoust Soc Am
27:338-352, 1955, from memory): voicing and nasality come through best, place
is lost first, so that P, T and K, or F and TH, or M and N, are nearest.

It knows nothing of stress, loudness or context: vowels count no more than
consonants, so two words that share a vowel and little else ("five", "nine")
come out unlike although noise can join them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import islice, product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Phones = tuple[str, ...]
"""One way to pronounce a phrase: CMU phones without stress marks."""

MAX_PRONUNCIATIONS = 64
"""Ways to pronounce one phrase that are looked at; "to the" alone has six."""


class _Consonant(NamedTuple):
    """``place`` counts from the lips (0) back to the glottis (7)."""

    place: int
    voiced: bool
    stopped: float  # 1 the mouth is closed, 0.5 closed then rubbing, 0 open
    nasal: bool = False
    sonorant: bool = False
    strident: bool = False
    lateral: bool = False


class _Vowel(NamedTuple):
    """``height`` 0 is close (IY), 1 open (AA); ``back`` 0 front, 1 back.

    A diphthong also has where it glides to; others stay.
    """

    height: float
    back: float
    rounded: bool = False
    long: bool = False
    to: tuple[float, float] | None = None
    rhotic: bool = False


_CONSONANTS = {
    "P": _Consonant(0, False, 1),
    "B": _Consonant(0, True, 1),
    "T": _Consonant(3, False, 1),
    "D": _Consonant(3, True, 1),
    "K": _Consonant(6, False, 1),
    "G": _Consonant(6, True, 1),
    "CH": _Consonant(4, False, 0.5, strident=True),
    "JH": _Consonant(4, True, 0.5, strident=True),
    "F": _Consonant(1, False, 0),
    "V": _Consonant(1, True, 0),
    "TH": _Consonant(2, False, 0),
    "DH": _Consonant(2, True, 0),
    "S": _Consonant(3, False, 0, strident=True),
    "Z": _Consonant(3, True, 0, strident=True),
    "SH": _Consonant(4, False, 0, strident=True),
    "ZH": _Consonant(4, True, 0, strident=True),
    "HH": _Consonant(7, False, 0),
    "M": _Consonant(0, True, 1, nasal=True, sonorant=True),
    "N": _Consonant(3, True, 1, nasal=True, sonorant=True),
    "NG": _Consonant(6, True, 1, nasal=True, sonorant=True),
    "L": _Consonant(3, True, 0, sonorant=True, lateral=True),
    "R": _Consonant(4, True, 0, sonorant=True),
    "Y": _Consonant(5, True, 0, sonorant=True),
    "W": _Consonant(0, True, 0, sonorant=True),
}
_VOWELS = {
    "IY": _Vowel(0.0, 0.0, long=True),
    "IH": _Vowel(0.2, 0.1),
    "EH": _Vowel(0.6, 0.1),
    "AE": _Vowel(0.85, 0.1),
    "AH": _Vowel(0.6, 0.5),
    "ER": _Vowel(0.5, 0.5, long=True, rhotic=True),
    "AA": _Vowel(1.0, 0.9, long=True),
    "AO": _Vowel(0.75, 1.0, rounded=True, long=True),
    "UH": _Vowel(0.2, 0.9, rounded=True),
    "UW": _Vowel(0.0, 1.0, rounded=True, long=True),
    "EY": _Vowel(0.4, 0.0, long=True, to=(0.1, 0.1)),
    "AY": _Vowel(1.0, 0.5, long=True, to=(0.1, 0.1)),
    "OY": _Vowel(0.7, 1.0, rounded=True, long=True, to=(0.1, 0.1)),
    "AW": _Vowel(1.0, 0.5, long=True, to=(0.1, 0.9)),
    "OW": _Vowel(0.5, 1.0, rounded=True, long=True, to=(0.1, 1.0)),
}

PHONES = frozenset(_CONSONANTS) | frozenset(_VOWELS)
"""The 39 phones of the CMU dictionary."""

_EASILY_CONFUSED = {
    frozenset(("T", "D")): 0.2,  # one flap between vowels ("thirty", "thirdy")
    frozenset(("M", "N")): 0.15,
    frozenset(("N", "NG")): 0.15,
    frozenset(("AH", "IH")): 0.2,  # both stand for the weak vowel
    frozenset(("IY", "Y")): 0.4,
    frozenset(("UW", "W")): 0.4,
    frozenset(("ER", "R")): 0.4,
}
"""Pairs that are nearer than their features say, or are vowel and glide of one kind."""

_WEAK = 0.5
_WEAK_PHONES = frozenset(("AH", "HH"))
_WEAK_AT_THE_END = frozenset(("T", "D"))


def _substitution(one: str, other: str) -> float:
    """Cost of hearing one phone as another, 0 to 1, symmetrical."""
    if one == other:
        return 0.0
    if (known := _EASILY_CONFUSED.get(frozenset((one, other)))) is not None:
        return known
    if one in _CONSONANTS and other in _CONSONANTS:
        return _between_consonants(_CONSONANTS[one], _CONSONANTS[other])
    if one in _VOWELS and other in _VOWELS:
        return _between_vowels(_VOWELS[one], _VOWELS[other])
    return 1.0


def _between_consonants(one: _Consonant, other: _Consonant) -> float:
    apart = abs(one.place - other.place)
    place = 0.1 + 0.05 * min(apart, 3) if apart else 0.0
    return min(
        1.0,
        place
        + 0.35 * (one.voiced != other.voiced)
        + 0.35 * (one.nasal != other.nasal)
        + 0.35 * (one.sonorant != other.sonorant)
        + 0.25 * abs(one.stopped - other.stopped)
        + 0.15 * (one.strident != other.strident)
        + 0.15 * (one.lateral != other.lateral),
    )


def _between_vowels(one: _Vowel, other: _Vowel) -> float:
    ends = (one.to or one[:2], other.to or other[:2])
    moved = [
        0.6 * abs(a[0] - b[0]) + 0.4 * abs(a[1] - b[1]) for a, b in ((one[:2], other[:2]), ends)
    ]
    return min(
        1.0,
        sum(moved) / 2
        + 0.1 * (one.rounded != other.rounded)
        + 0.05 * (one.long != other.long)
        + 0.2 * (one.rhotic != other.rhotic),
    )


CODES = {phone: code for code, phone in enumerate(sorted(PHONES))}
"""The number of each phone, its row and column in :data:`COSTS`."""
COSTS = np.array([[_substitution(one, other) for other in CODES] for one in CODES])
"""What it costs to hear one phone as another: 0 the same, 1 nothing in common; (39, 39)."""
_CHUNK = 8192


def left_out(phones: Phones) -> list[float]:
    """What it costs to miss each phone: half for the weak ones."""
    costs = [_WEAK if phone in _WEAK_PHONES else 1.0 for phone in phones]
    if phones and phones[-1] in _WEAK_AT_THE_END:
        costs[-1] = _WEAK
    return costs


def distance(one: Collection[Phones], other: Collection[Phones]) -> float:
    """How unlike two phrases sound: 0 the same, 1 nothing in common.

    Args:
        one, other: their pronunciations, as from :func:`phones_of`; the two
            that are nearest count. None at all is unlike everything.
    """
    return distances([(one, other)])[0]


def distances(
    pairs: Sequence[tuple[Collection[Phones], Collection[Phones]]], within: float = 1.0
) -> list[float]:
    """:func:`distance` of many pairs at once; what is beyond ``within`` may come out as 1."""
    known: dict[Phones, int] = {}
    jobs = [
        (known.setdefault(a, len(known)), known.setdefault(b, len(known)), number)
        for number, (one, other) in enumerate(pairs)
        for a in one
        for b in other
    ]
    table = _Table(list(known))
    least = np.ones(len(pairs))
    if jobs:
        rows = np.array(jobs)
        rows = rows[table.at_least(rows[:, 0], rows[:, 1]) <= within]
        # Of like length together: what a chunk costs goes by the longest in it.
        rows = rows[np.lexsort((table.lengths[rows[:, 1]], table.lengths[rows[:, 0]]))]
        for start in range(0, len(rows), _CHUNK):
            chunk = rows[start : start + _CHUNK]
            np.minimum.at(least, chunk[:, 2], _edits(table, chunk[:, 0], chunk[:, 1]))
    return [float(value) for value in least]


class _Table:
    """Phone sequences as arrays, shape (sequences, longest length), padded with 0."""

    def __init__(self, sequences: Sequence[Phones]) -> None:
        self.lengths = np.array([len(phones) for phones in sequences], dtype=np.int64)
        shape = (len(sequences), int(self.lengths.max(initial=0)))
        self.codes = np.zeros(shape, np.int64)
        self.missed = np.zeros(shape)
        for row, phones in enumerate(sequences):
            self.codes[row, : len(phones)] = [CODES[phone] for phone in phones]
            self.missed[row, : len(phones)] = left_out(phones)
        # How often each phone occurs, and the least it can cost beside each sequence.
        weak = [phone in _WEAK_PHONES | _WEAK_AT_THE_END for phone in CODES]
        self._counts = np.zeros((len(sequences), len(CODES)))
        self._least = np.tile(np.where(weak, _WEAK, 1.0), (len(sequences), 1))
        for row, length in enumerate(self.lengths):
            for code in self.codes[row, :length]:
                self._counts[row, code] += 1
                np.minimum(self._least[row], COSTS[code], out=self._least[row])

    def at_least(
        self, ones: NDArray[np.int64], others: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """What no order of the phones can better: each is missed, or put for one of
        the other sequence."""
        forth = np.einsum("ij,ij->i", self._counts[ones], self._least[others])
        back = np.einsum("ij,ij->i", self._counts[others], self._least[ones])
        longer = np.maximum(self.lengths[ones], self.lengths[others])
        bound: NDArray[np.float64] = np.maximum(forth, back) / np.maximum(longer, 1) - 1e-9
        return bound


def _edits(
    table: _Table, ones: NDArray[np.int64], others: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Weighted edit distance over the longer length, of the sequences with these
    numbers, pair by pair: the usual dynamic programme, all pairs in step."""
    long_one, long_other = table.lengths[ones], table.lengths[others]
    height, width = int(long_one.max()), int(long_other.max())
    codes = table.codes[others, :width].T
    added = table.missed[others, :width].T
    row = np.concatenate([np.zeros((1, len(ones))), np.cumsum(added, axis=0)])
    cost = np.where(long_one == 0, row[long_other, np.arange(len(ones))], 0.0)
    for i in range(height):
        before, dropped = row, table.missed[ones, i]
        by_phone = COSTS[table.codes[ones, i]]
        row = np.empty_like(before)
        row[0] = before[0] + dropped
        for j in range(width):
            put = before[j] + by_phone[np.arange(len(ones)), codes[j]]
            row[j + 1] = np.minimum(np.minimum(put, before[j + 1] + dropped), row[j] + added[j])
        ends = long_one == i + 1
        cost[ends] = row[long_other, np.arange(len(ones))][ends]
    longer: NDArray[np.float64] = np.maximum(np.maximum(long_one, long_other), 1)
    return cost / longer


def phones_of(text: str, lexicon: Mapping[str, tuple[str, ...]]) -> tuple[Phones, ...]:
    """Every way to pronounce a phrase.

    Args:
        text: words in small letters, separated by spaces.
        lexicon: pronunciations of each word, phones separated by spaces.

    Raises:
        KeyError: the lexicon lacks a word; it is the error's argument.
    """
    ways: Iterable[tuple[str, ...]] = product(*(lexicon[word] for word in text.split()))
    found = (tuple(" ".join(way).split()) for way in islice(ways, MAX_PRONUNCIATIONS))
    return tuple(dict.fromkeys(found))
