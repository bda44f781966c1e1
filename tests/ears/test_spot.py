"""Words in running phones: where they are, and where they are not."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.ears.bands import Array
from assistant.ears.encoder import CODES
from assistant.ears.spot import Fit, fits

pytestmark = pytest.mark.core

STOP = ["S", "T", "AA", "P"]


def said(*phones: str, sure: float = 0.97) -> Array:
    """A frame for each phone; "-" is a blank."""
    logs = np.full((len(phones), 40), np.log((1 - sure) / 39), np.float32)
    for frame, phone in enumerate(phones):
        logs[frame, CODES.get(phone, 0)] = np.log(sure)
    return logs


def test_a_word_is_found_where_it_is_said() -> None:
    logs = said("-", "DH", "-", "S", "T", "-", "AA", "AA", "P", "-", "K")
    assert fits(logs, STOP, -1.0) == [Fit(3, 9, 0.0)]


def test_twice_is_two_in_order() -> None:
    once = ("S", "T", "AA", "P", "-")
    found = fits(said(*once, *once), STOP, -1.0)
    assert [(fit.began, fit.ended) for fit in found] == [(0, 4), (5, 9)]


@pytest.mark.parametrize("other", ["T AA P", "S T AA", "S AA T P", "- - -", ""])
def test_what_is_not_all_of_it_in_order_is_behind(other: str) -> None:
    assert fits(said("-", *other.split(), "-"), STOP, -3.0) == []


def test_one_phone_otherwise_is_as_far_behind_as_that_phone() -> None:
    logs = said("S", "T", "AA", "K", sure=0.9)
    lost = float(logs[3, CODES["P"]] - logs[3].max())
    (fit,) = fits(logs, STOP, lost - 0.01)
    assert fit.behind == pytest.approx(lost, abs=1e-5)
    assert fits(logs, STOP, lost + 0.01) == []


def test_equal_phones_are_parted_by_a_blank() -> None:
    assert fits(said("T", "-", "T"), ["T", "T"], -1.0) == [Fit(0, 3, 0.0)]
    assert fits(said("T", "T", "T"), ["T", "T"], -1.0) == []
