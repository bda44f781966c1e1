"""Numbers that differ in their last phone alone: "fifteen" and "fifty".

In noise, and by some voices in quiet, the ears find an N after a final vowel that has none,
or miss one, and are sure: what tells the two apart for people, stress and length, is little
in synthetic speech, so the ears have not learned it.
"""

from __future__ import annotations

from collections.abc import Sequence

from assistant.ears.decode import FAR, Sentence
from assistant.ears.phonegraph import Pronunciations


def nearest(
    sentences: Sequence[Sentence], ways: Pronunciations
) -> tuple[Sentence | None, float]:
    """The sentence nearest to the first that differs from it in the last phone of one word
    alone, and how far it is behind (log-probability); None and :data:`.FAR` without one.

    Only words that tell something (:attr:`.Sentence.telling`) count; "millimetres" does not.
    """
    for other in sentences[1:]:
        if _alike(sentences[0], other, ways):
            return other, sentences[0].score - other.score
    return None, FAR


def _alike(one: Sentence, other: Sentence, ways: Pronunciations) -> bool:
    if one.end != other.end or len(one.telling) != len(other.telling):
        return False
    pairs = [(a, b) for a, b in zip(one.telling, other.telling, strict=True) if a != b]
    return len(pairs) == 1 and _end_apart(*pairs[0], ways)


def _end_apart(one: str, other: str, ways: Pronunciations) -> bool:
    """Whether a pronunciation of one word is one of the other, with a phone after it."""
    first, second = ([way.split() for way in ways.get(word, ())] for word in (one, other))
    return any(a[:-1] == b or b[:-1] == a for a in first for b in second)
