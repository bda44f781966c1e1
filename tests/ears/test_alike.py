"""Numbers that differ in their last phone alone are found beside the best one."""

from __future__ import annotations

import pytest

from assistant.ears.alike import nearest
from assistant.ears.decode import FAR, Sentence
from assistant.words.phrases import pronunciations

WAYS = pronunciations({})


def sentence(text: str, telling: str, score: float, end: str = "given") -> Sentence:
    return Sentence(tuple(text.split()), (end, telling), score, end, tuple(telling.split()))


@pytest.mark.parametrize(
    ("text", "telling", "found"),
    [
        ("fifteen", "fifteen", True),
        ("size fifteen", "fifteen", True),
        ("fifteen millimetres", "fifteen", True),
        ("forty", "forty", False),
        ("fifteen", "fifteen five", False),  # another shape of meaning
    ],
)
def test_a_teen_is_near_its_ty_alone(text: str, telling: str, found: bool) -> None:
    best, other = sentence("fifty", "fifty", -1.0), sentence(text, telling, -9.5)
    like, behind = nearest([best, other], WAYS)
    assert (like, behind) == ((other, 8.5) if found else (None, FAR))


def test_what_is_no_value_does_not_make_two_numbers_alike() -> None:
    best = sentence("thirty millimetres", "thirty", -1.0)
    other = sentence("forty millimetre", "forty", -3.0)
    assert nearest([best, other], WAYS) == (None, FAR)


def test_a_correction_is_no_neighbour_of_a_value() -> None:
    best = sentence("fifty", "fifty", -1.0)
    other = sentence("fifteen", "fifteen", -2.0, "correction")
    assert nearest([best, other], WAYS) == (None, FAR)


@pytest.mark.parametrize(
    ("one", "other"),
    [(f"{stem}teen", f"{stem}ty") for stem in ("thir", "fif", "six", "seven", "eigh", "nine")]
    + [("fourteen", "forty"), ("eight", "eighty")],
)
def test_every_pair_is_known_both_ways(one: str, other: str) -> None:
    pair = sentence(one, one, -1.0), sentence(other, other, -2.0)
    assert nearest(pair, WAYS)[0] == pair[1]
    assert nearest((pair[1]._replace(score=0.0), pair[0]), WAYS)[0] == pair[0]
